"""
Flows of packet sequences as TCP, UDP and ICMP make them.

Sources: RFC 5103 section 2 (biflow, initiator), RFC 9293 sections 3.5 and 3.10.7 (opening, reset), RFC 792 and RFC
4443 section 3.1 (codes of unreachable), RFC 6335 section 6 (ranges of ports).
"""

from dataclasses import replace

import numpy as np
import pytest

from auditor.addresses import parse_address, parse_link
from auditor.flows.flow import FlowOutcome, InitiatorKnown, PacketReference
from auditor.flows.orientation import GRACE_NS
from auditor.flows.rollup import MAX_FLOWS_PER_CONVERSATION
from auditor.flows.table import FlowTable
from auditor.packets.batch import ACK, PROTOCOL_ICMP, PROTOCOL_ICMPV6, PSH, SYN
from tests.unit.flows.columns import (
    CLOUD_IP,
    LIGHT,
    LIGHT_IP,
    MILLISECOND,
    PHONE,
    PHONE_IP,
    ROUTER,
    ROUTER_IP,
    SECOND,
    START,
    Packet,
    arp,
    batch_of,
    connection,
    udp,
)


def flows_of(packets, **options):
    table = FlowTable(**options)
    table.add(batch_of(packets))
    return list(table)


def only(packets):
    flows = flows_of(packets)
    assert len(flows) == 1, flows
    return flows[0]


def test_connection_becomes_one_two_way_flow():
    flow = only(connection())

    assert flow.initiator == (parse_link(PHONE), parse_address(PHONE_IP), 50_000)
    assert flow.responder == (parse_link(LIGHT), parse_address(LIGHT_IP), 80)
    assert (flow.initiator_known, flow.outcome) == (InitiatorKnown.PROVEN, FlowOutcome.ESTABLISHED)
    assert (flow.start_ns, flow.end_ns) == (START, START + 3 * MILLISECOND)
    assert (flow.packets_sent, flow.packets_received) == (2, 2)
    assert (flow.octets_sent, flow.octets_received) == (34 + 35, 34 + 35)
    assert (flow.payload_sent, flow.payload_received) == (1, 1)
    assert flow.tcp_flags_sent == SYN | PSH | ACK
    assert flow.first_packet == PacketReference(0, 1)
    assert (flow.hop_limit, flow.connections, flow.folded, flow.period, flow.refused_by) == (
        64,
        1,
        False,
        None,
        None,
    )


def test_initiator_with_the_lower_address_is_found_too():
    syn = Packet(source=LIGHT_IP, destination=PHONE_IP, flags="S", source_link=LIGHT, destination_link=PHONE)

    assert only([syn, syn.answer(at=1, flags="SA")]).initiator.address == parse_address(LIGHT_IP)


def test_answer_alone_proves_who_asked():
    """RFC 9293 section 3.5: SYN with ACK answers a SYN."""
    flow = only([Packet(flags="S").answer(flags="SA"), Packet(flags="S").answer(flags="PA", at=1)])

    assert flow.initiator.address == parse_address(PHONE_IP)
    assert (flow.initiator_known, flow.outcome) == (InitiatorKnown.PROVEN, FlowOutcome.ESTABLISHED)
    assert (flow.packets_sent, flow.packets_received) == (0, 2)


@pytest.mark.parametrize(
    ("ports", "initiator", "known"),
    [
        pytest.param((80, 50_000), LIGHT_IP, InitiatorKnown.LIKELY, id="system-port-answers"),
        pytest.param((50_000, 8_080), PHONE_IP, InitiatorKnown.LIKELY, id="registered-port-is-called"),
        pytest.param((50_000, 50_001), PHONE_IP, InitiatorKnown.UNKNOWN, id="both-dynamic"),
    ],
)
def test_connection_that_began_before_the_recording(ports, initiator, known):
    """S03: data without SYN."""
    data = Packet(flags="PA", payload=b"x", source_port=ports[0], destination_port=ports[1])
    flow = only([data, data.answer(at=1, flags="A")])

    assert (flow.initiator.address, flow.initiator_known) == (parse_address(initiator), known)
    assert flow.outcome == FlowOutcome.MID_STREAM


def test_reset_in_answer_to_syn_is_a_refusal():
    syn = Packet(flags="S")
    flow = only([syn, syn.answer(at=1, flags="RA")])

    assert flow.outcome == FlowOutcome.REFUSED
    assert flow.refused_by == parse_address(LIGHT_IP)


def test_reset_after_the_opening_is_no_refusal():
    flow = only([*connection(), Packet(flags="S").answer(at=SECOND, flags="R")])

    assert flow.outcome == FlowOutcome.ESTABLISHED


def test_syn_without_answer_is_unanswered():
    assert only(connection(answered=False)).outcome == FlowOutcome.UNANSWERED


def icmp_error(kind, code, quoted: Packet, reporter, version=4):
    """RFC 792: type, code, checksum, unused, then the IP header and 8 octets of the packet."""
    ports = quoted.source_port.to_bytes(2, "big") + quoted.destination_port.to_bytes(2, "big") + bytes(4)
    source, destination = parse_address(quoted.source), parse_address(quoted.destination)
    if version == 4:
        header = (
            b"\x45\0\0\x1c\0\0\0\0\x40" + bytes([quoted.protocol]) + b"\0\0" + source[12:] + destination[12:]
        )
    else:
        header = b"\x60\0\0\0\0\x08" + bytes([quoted.protocol]) + b"\x40" + source + destination
    return Packet(
        at=quoted.at + 1,
        source=reporter,
        destination=quoted.source,
        protocol=PROTOCOL_ICMP if version == 4 else PROTOCOL_ICMPV6,
        source_port=kind,
        destination_port=code,
        payload=bytes([kind, code]) + bytes(6) + header + ports,
        source_link=ROUTER,
        destination_link=quoted.source_link,
    )


@pytest.mark.parametrize(
    ("kind", "code", "outcome"),
    [
        pytest.param(3, 3, FlowOutcome.REFUSED, id="port-unreachable"),
        pytest.param(3, 13, FlowOutcome.PROHIBITED, id="communication-prohibited"),
        pytest.param(3, 1, FlowOutcome.PROHIBITED, id="host-unreachable"),
        pytest.param(3, 4, FlowOutcome.UNANSWERED, id="fragmentation-needed"),
        pytest.param(11, 0, FlowOutcome.UNANSWERED, id="time-exceeded"),
    ],
)
@pytest.mark.parametrize("attempt", [udp(destination_port=5683), Packet(flags="S")], ids=["udp", "tcp"])
def test_icmp_error_tells_what_became_of_the_attempt(attempt, kind, code, outcome):
    attempt = replace(attempt, destination=CLOUD_IP)
    flow, error = flows_of([attempt, icmp_error(kind, code, attempt, ROUTER_IP)])

    assert flow.outcome == outcome
    assert flow.refused_by == (None if outcome == FlowOutcome.UNANSWERED else parse_address(ROUTER_IP))
    assert (error.initiator.port, error.responder.port) == (kind, code)


@pytest.mark.parametrize(
    ("code", "outcome"), [(4, FlowOutcome.REFUSED), (1, FlowOutcome.PROHIBITED), (0, FlowOutcome.PROHIBITED)]
)
def test_icmpv6_error_tells_too(code, outcome):
    attempt = udp(source="fd00::2", destination="fd00::1", destination_port=5683)
    flow, _ = flows_of([attempt, icmp_error(1, code, attempt, "fd00::1", version=6)])

    assert (flow.outcome, flow.refused_by) == (outcome, parse_address("fd00::1"))


def test_error_about_an_answered_attempt_changes_nothing():
    attempt = udp(destination_port=5683)
    flows = flows_of([attempt, attempt.answer(at=1), icmp_error(3, 3, attempt, ROUTER_IP)])

    assert flows[0].outcome == FlowOutcome.ESTABLISHED


@pytest.mark.parametrize(
    ("at", "known"),
    [
        pytest.param(SECOND, InitiatorKnown.LIKELY, id="perhaps-began-before"),
        pytest.param(GRACE_NS + SECOND, InitiatorKnown.PROVEN, id="began-inside"),
    ],
)
def test_first_datagram_names_the_initiator(at, known):
    question = udp(at=at, source_port=40_000, destination_port=5683)
    _, flow = flows_of([arp(), question, question.answer(at=at + 1)])

    assert (flow.initiator.address, flow.initiator_known) == (parse_address(PHONE_IP), known)
    assert flow.outcome == FlowOutcome.ESTABLISHED


def test_answer_of_a_service_whose_question_was_not_recorded():
    answer = udp(
        at=GRACE_NS * 2, source_port=53, destination_port=40_000, source=ROUTER_IP, destination=LIGHT_IP
    )
    _, flow = flows_of([arp(), answer])

    assert (flow.initiator.address, flow.initiator_known) == (parse_address(LIGHT_IP), InitiatorKnown.LIKELY)
    assert (flow.packets_sent, flow.packets_received) == (0, 1)
    assert flow.initiator.link_address == parse_link(LIGHT)


def test_multicast_and_arp_stay_one_way():
    group = udp(destination="239.255.0.1", destination_link="01:00:5e:7f:00:01", destination_port=5568)
    request = arp(source=ROUTER_IP, destination=LIGHT_IP)
    reply = arp(at=1, source=LIGHT_IP, destination=ROUTER_IP, source_port=2, destination_link=ROUTER)
    flows = flows_of([group, request, reply])

    assert [flow.initiator.port for flow in flows] == [50_000, 1, 2]
    assert {flow.outcome for flow in flows} == {FlowOutcome.UNANSWERED}
    assert [flow.key.protocol for flow in flows] == [17, 0, 0]


def test_clients_without_an_address_are_told_apart_by_link_address():
    """RFC 2131 section 4.1: every client sends from 0.0.0.0 port 68 to 255.255.255.255 port 67."""
    discover = udp(source="0.0.0.0", destination="255.255.255.255", source_port=68, destination_port=67,
                   destination_link="ff:ff:ff:ff:ff:ff")  # fmt: skip
    flows = flows_of([discover, replace(discover, at=1, source_link=LIGHT)])

    assert [flow.initiator.link_address for flow in flows] == [parse_link(PHONE), parse_link(LIGHT)]


def test_echo_request_and_reply_are_one_flow():
    request = Packet(protocol=PROTOCOL_ICMP, source_port=8, destination_port=0, payload=b"ping")
    reply = request.answer(at=1, source_port=0, destination_port=0)
    for packets in ([request, reply], [reply, replace(request, at=2)]):
        flow = only(packets)
        assert flow.initiator.address == parse_address(PHONE_IP)
        assert (flow.initiator.port, flow.responder.port) == (8, 0)
        assert (flow.initiator_known, flow.outcome) == (InitiatorKnown.PROVEN, FlowOutcome.ESTABLISHED)


def test_answers_through_another_router_belong_to_the_flow():
    other = "02:00:00:00:00:aa"
    packets = connection(destination=CLOUD_IP, destination_link=ROUTER)
    packets = [replace(p, source_link=other) if p.source == CLOUD_IP else p for p in packets]
    flow = only(packets)

    assert (flow.packets_sent, flow.packets_received) == (2, 2)
    assert flow.initiator.link_address == parse_link(PHONE)
    assert flow.responder.link_address == parse_link(ROUTER)


def test_routed_copy_that_came_late_is_not_counted_twice():
    """S05: the same packets behind the router, hop limit one lower, here 5 ms later."""
    inside = connection(destination=CLOUD_IP, destination_link=ROUTER, vlan_id=10)
    outside = [replace(p, at=p.at + 5 * MILLISECOND, vlan_id=20, hop_limit=63, source_link=ROUTER,
                       destination_link="02:00:00:00:00:aa") for p in inside]  # fmt: skip
    flow = only(sorted(inside + outside, key=lambda p: p.at))

    assert (flow.packets_sent, flow.packets_received, flow.duplicates) == (2, 2, 4)
    assert (flow.octets_sent, flow.payload_sent) == (69, 1)
    assert flow.initiator.link_address == parse_link(PHONE)
    assert (flow.hop_limit, flow.key.vlan_id) == (64, 10)
    there, back_there = sorted(flow.paths, key=lambda path: path.source_link != parse_link(ROUTER))
    assert there == (parse_link(ROUTER), parse_link("02:00:00:00:00:aa"), 20, 63, 2)
    assert back_there == (parse_link(ROUTER), parse_link("02:00:00:00:00:aa"), 20, 63, 2)


def test_two_hosts_with_one_address_stay_apart():
    mine = connection()
    theirs = connection(at=SECOND, sequence=900, source_link="02:00:00:00:00:77")

    assert [flow.initiator.link_address for flow in flows_of(mine + theirs)] == [
        parse_link(PHONE),
        parse_link("02:00:00:00:00:77"),
    ]


def test_ports_used_again_count_a_connection():
    again = connection(at=SECOND, sequence=5_000)
    flow = only(connection() + again)

    assert (flow.connections, flow.packets_sent) == (2, 4)


def test_retransmitted_syn_is_no_further_connection():
    syn = Packet(flags="S", sequence=9)

    assert only([syn, replace(syn, at=SECOND), replace(syn, at=3 * SECOND)]).connections == 1


def test_poller_that_connects_each_second_is_few_rows_with_its_period():
    """86,400 connections a day."""
    table = FlowTable()
    day, part = 86_400, 960
    packets = [
        packet
        for index in range(part)
        for packet in connection(at=index * SECOND, sequence=index, source_port=32_768 + index)[:2]
    ]
    pattern = batch_of(packets)
    is_syn = pattern.destination_port == 80
    for number in range(day // part):
        port_step = number % 28 * part
        table.add(
            replace(
                pattern,
                timestamp_ns=pattern.timestamp_ns + number * part * SECOND,
                tcp_sequence=pattern.tcp_sequence + np.uint32(number * 1_000),
                source_port=(pattern.source_port + is_syn * port_step).astype(np.uint16),
                destination_port=(pattern.destination_port + ~is_syn * port_step).astype(np.uint16),
            )
        )
    flows = list(table)

    assert len(flows) == MAX_FLOWS_PER_CONVERSATION + 1
    assert sum(flow.connections for flow in flows) == day
    assert sum(flow.packets_sent for flow in flows) == day
    assert {flow.period.median_seconds for flow in flows} == {1.0}
    assert {flow.period.jitter_seconds for flow in flows} == {0.0}
    assert {flow.period.count for flow in flows} == {day}
    assert [flow.folded for flow in flows] == [False] * MAX_FLOWS_PER_CONVERSATION + [True]
    assert flows[-1].initiator.port == 0


def test_table_knows_its_totals():
    table = FlowTable()
    assert (table.first_ns, table.last_ns, len(table), list(table)) == (None, None, 0, [])
    packets = connection()
    table.add(batch_of(packets))

    assert (table.packets, table.octets, table.duplicates, table.folded_rows) == (4, 138, 0, 0)
    assert (table.first_ns, table.last_ns, len(table)) == (START, START + 3 * MILLISECOND, 1)
    assert table.columns()["packets_sent"].tolist() == [2]


def test_packets_of_one_moment_stand_in_the_order_of_recording():
    question = udp(source_port=5_000, destination_port=5_001, source=LIGHT_IP, destination=PHONE_IP)

    assert only([question, question.answer()]).initiator.address == parse_address(LIGHT_IP)
    assert only([question.answer(), question]).initiator.address == parse_address(PHONE_IP)


def test_a_settled_table_holds_the_same_flows_and_takes_no_more():
    packets = [*connection(), *connection(START + SECOND)]
    table, other = FlowTable(), FlowTable()
    table.add(batch_of(packets))
    other.add(batch_of(packets))

    table.settle()

    assert list(table) == list(other)
    assert (table.packets, table.octets) == (other.packets, other.octets)
    assert (table.unmeasured_conversations, table.unrecorded_refusals) == (0, 0)
    with pytest.raises(ValueError, match="settled"):
        table.add(batch_of(packets))
    with pytest.raises(ValueError, match="settled"):
        other.merge(table)
