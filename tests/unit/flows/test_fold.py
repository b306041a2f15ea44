"""
What each step of folding forgets, and that nothing is lost from the totals.

Sources: RFC 1918, RFC 4193, RFC 3927 and RFC 4291 section 2.5.6 for addresses that only a home's own hosts have.
"""

import numpy as np
import pytest

from auditor.addresses import parse_address, parse_link
from auditor.flows.flow import FlowOutcome
from auditor.flows.fold import ADDRESSES, BOTH_PORTS, CLIENT_PORT, EVERYTHING, OUTSIDE_ADDRESS, coarsen
from auditor.flows.pairing import take_apart
from auditor.flows.rows import DESTINATION_HIGH, DESTINATION_LOW, FlowRows
from auditor.flows.table import FlowTable
from auditor.packets.batch import address_from_words
from tests.unit.flows.columns import (
    CLOUD_IP,
    LIGHT,
    LIGHT_IP,
    PHONE,
    PHONE_IP,
    ROUTER,
    SECOND,
    batch_of,
    connection,
    udp,
)


def rows_of(packets):
    rows = FlowRows()
    rows.add(batch_of(packets), np.zeros(len(packets), bool))
    return rows


@pytest.mark.parametrize(
    ("step", "ports"),
    [
        pytest.param(CLIENT_PORT, (0, 5683), id="client-port"),
        pytest.param(OUTSIDE_ADDRESS, (0, 5683), id="outside-address"),
        pytest.param(BOTH_PORTS, (0, 0), id="both-ports"),
        pytest.param(ADDRESSES, (0, 0), id="addresses"),
        pytest.param(EVERYTHING, (0, 0), id="everything"),
    ],
)
def test_each_step_forgets_more(step, ports):
    keys = coarsen(rows_of([udp(destination=CLOUD_IP, destination_port=5683)]), step, np.array([True]))
    fields = take_apart(keys)

    assert (fields.source_port[0], fields.destination_port[0]) == ports
    destination = address_from_words(int(keys[DESTINATION_HIGH, 0]), int(keys[DESTINATION_LOW, 0]))
    assert (destination == parse_address(CLOUD_IP)) == (step < OUTSIDE_ADDRESS)
    assert (fields.source_link[0] != 0) == (step < EVERYTHING)


@pytest.mark.parametrize(
    ("address", "is_kept"),
    [
        ("10.1.2.3", True), ("172.16.0.1", True), ("172.32.0.1", False), ("192.168.9.9", True), ("192.169.0.1", False),
        ("169.254.1.1", True), ("203.0.113.7", False), ("fd00::1", True), ("fe80::1", True), ("febf::1", True),
        ("fec0::1", False), ("2001:db8::1", False), ("ff02::fb", True), ("239.1.2.3", True),
    ],
)  # fmt: skip
def test_addresses_inside_are_kept(address, is_kept):
    source = "2001:db8::2" if ":" in address else PHONE_IP
    keys = coarsen(rows_of([udp(source=source, destination=address)]), OUTSIDE_ADDRESS, np.array([True]))

    assert bool(keys[DESTINATION_LOW, 0] | keys[DESTINATION_HIGH, 0]) == is_kept


def test_folded_connections_still_make_a_two_way_flow():
    packets = [p for index in range(40) for p in connection(index * SECOND, source_port=40_000 + index)]
    table = FlowTable(limit=20)
    for begin in range(0, len(packets), 8):
        table.add(batch_of(packets[begin : begin + 8], first_number=begin + 1))
    folded = [flow for flow in table if flow.folded]

    assert len(folded) == 1
    (flow,) = folded
    assert (flow.initiator.address, flow.initiator.port) == (parse_address(PHONE_IP), 0)
    assert (flow.responder.address, flow.responder.port) == (parse_address(LIGHT_IP), 80)
    assert flow.outcome == FlowOutcome.ESTABLISHED
    assert flow.initiator.link_address == parse_link(PHONE)
    assert sum(flow.connections for flow in table) == 40
    assert sum(flow.packets_sent for flow in table) == 80
    assert {flow.period.median_seconds for flow in table} == {1.0}
    assert flow.first_packet.packet_number == 1


def test_scan_of_many_outside_addresses_stays_within_the_limit():
    table = FlowTable(limit=100)
    for part in range(20):
        packets = [
            udp(at=(part * 50 + i) * SECOND, destination=f"198.51.100.{i}", source_port=40_000 + part,
                destination_link=ROUTER, source_link=LIGHT, source=LIGHT_IP) for i in range(50)
        ]  # fmt: skip
        table.add(batch_of(packets))

    assert len(table._rows) <= 100
    assert table.folded_rows > 0
    assert sum(flow.packets_sent + flow.packets_received for flow in table) == 1_000


def test_joined_tables_respect_the_limit():
    one, other = FlowTable(limit=10), FlowTable(limit=10)
    one.add(batch_of([udp(source_port=40_000 + i, at=i) for i in range(8)]))
    other.add(batch_of([udp(source_port=50_000 + i, at=i + 100) for i in range(8)]))
    one.merge(other)

    assert len(one._rows) <= 10
    assert one.packets == sum(flow.packets_sent + flow.packets_received for flow in one) == 16
