"""
Any packets, in any batches, in any parts that are joined: the same flows as a plain dictionary gives.

Oracle: ``reference``, written from RFC 5103 and RFC 9293 without columns.
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.flows import rollup
from auditor.flows.table import FlowTable
from auditor.packets.batch import PROTOCOL_TCP, PROTOCOL_UDP
from tests.unit.flows.columns import MILLISECOND, SECOND, Packet, arp, batch_of
from tests.unit.flows.reference import describe, reference_flows

HOSTS = {
    "192.168.1.10": "02:00:00:00:00:01",
    "192.168.1.20": "02:00:00:00:00:02",
    "203.0.113.7": "02:00:00:00:00:fe",
    "239.255.0.1": "01:00:5e:7f:00:01",
}
UNICAST = [host for host in HOSTS if host != "239.255.0.1"]


@st.composite
def packet(draw) -> Packet:
    source = draw(st.sampled_from(UNICAST))
    if draw(st.integers(0, 9)) == 0:
        return arp(source=source, source_link=HOSTS[source], source_port=draw(st.sampled_from([1, 2])))
    protocol = draw(st.sampled_from([PROTOCOL_TCP, PROTOCOL_UDP]))
    others = [host for host in (UNICAST if protocol == PROTOCOL_TCP else HOSTS) if host != source]
    destination = draw(st.sampled_from(others))
    ports = st.sampled_from([80, 5_683, 33_000, 50_000, 50_001])
    is_tcp = protocol == PROTOCOL_TCP
    return Packet(
        source=source,
        destination=destination,
        source_link=HOSTS[source],
        destination_link=HOSTS[destination],
        source_port=draw(ports),
        destination_port=draw(ports),
        protocol=protocol,
        flags=draw(st.sampled_from(["S", "S", "SA", "A", "PA", "R", "FA"])) if is_tcp else "",
        sequence=draw(st.integers(0, 2)) if is_tcp else 0,
        payload=draw(st.sampled_from([b"", b"x", b"state"])),
    )


@st.composite
def recording(draw) -> list[Packet]:
    pool = draw(st.lists(packet(), min_size=1, max_size=8))
    steps = st.sampled_from([0, 1, MILLISECOND, 150 * MILLISECOND, SECOND, 7 * SECOND, 40 * SECOND])
    moment, packets = 0, []
    for index, turn, step in draw(st.lists(st.tuples(st.integers(0, 7), st.booleans(), steps), max_size=40)):
        moment += step
        chosen = pool[index % len(pool)]
        if turn and not int(chosen.destination_link[:2], 16) & 1:
            chosen = chosen.answer()
        packets.append(replace(chosen, at=moment))
    return packets


def table_of(packets, cuts, first_number=1):
    table = FlowTable()
    bounds = [0, *sorted(min(cut, len(packets)) for cut in cuts), len(packets)]
    for start, stop in pairwise(bounds):
        table.add(batch_of(packets[start:stop], first_number=first_number + start))
    return table


cuts = st.lists(st.integers(0, 40), max_size=3)


@settings(deadline=None, max_examples=60)
@given(recording(), cuts)
def test_any_batches_give_the_flows_of_the_reference(packets, split):
    table = table_of(packets, split)

    assert [describe(flow) for flow in table] == reference_flows(packets)
    assert table.packets == len(packets)


@settings(deadline=None, max_examples=60)
@given(recording(), st.integers(0, 40), cuts)
def test_joined_parts_give_the_flows_of_the_reference(packets, cut, split):
    earlier = table_of(packets[:cut], split)
    later = table_of(packets[cut:], split, first_number=min(cut, len(packets)) + 1)
    earlier.merge(later)

    assert [describe(flow) for flow in earlier] == reference_flows(packets)
    assert earlier.octets == sum(34 + len(packet.payload) for packet in packets)


@settings(deadline=None, max_examples=30)
@given(recording(), st.integers(0, 40), st.integers(1, 6))
def test_bounded_rows_keep_the_totals(packets, cut, limit):
    table = FlowTable(limit=limit)
    table.add(batch_of(packets[:cut]))
    table.add(batch_of(packets[cut:], first_number=cut + 1))
    columns = table.columns()

    assert columns["packets_sent"].sum() + columns["packets_received"].sum() == len(packets)
    assert columns["octets_sent"].sum() + columns["octets_received"].sum() == table.octets
    assert len(table._rows) <= limit
    assert (table.folded_rows > 0) == bool(columns["folded"].any())


@settings(deadline=None, max_examples=30)
@given(recording())
def test_folded_conversations_keep_the_totals(packets):
    whole = table_of(packets, []).columns()
    kept = rollup.MAX_FLOWS_PER_CONVERSATION
    rollup.MAX_FLOWS_PER_CONVERSATION = 1
    try:
        folded = table_of(packets, []).columns()
    finally:
        rollup.MAX_FLOWS_PER_CONVERSATION = kept

    for name in ("packets_sent", "packets_received", "octets_sent", "payload_received", "connections"):
        assert folded[name].sum() == whole[name].sum()
    assert len(folded["protocol"]) <= len(whole["protocol"])
    assert np.all(np.diff(folded["start_ns"]) >= 0)
    assert set(folded["outcome"].tolist()) == set(whole["outcome"].tolist())
