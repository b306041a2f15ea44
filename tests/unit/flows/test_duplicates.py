"""
S05: every packet twice.

Sources: RFC 6864 section 4 (IPv4 identification, 0 is allowed where the datagram is not fragmented), IEEE 802.1Q
(tags), RFC 791 (the hop limit falls by one at a router), RFC 6298 section 2.4 (retransmission after 1 s at the least).
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.flows import duplicates as module
from auditor.flows.duplicates import MAX_COPY_DELAY_NS, DuplicateFilter
from auditor.flows.table import FlowTable
from tests.unit.flows.columns import CLOUD_IP, ROUTER, Packet, arp, batch_of, connection, udp
from tests.unit.packets.frames import decode

MICROSECOND = 1_000


def marked(packets):
    return DuplicateFilter().mark(batch_of(packets)).tolist()


SEGMENT = Packet(flags="PA", sequence=5, acknowledgement=9, payload=b"state", identification=77)
DATAGRAM = udp(payload=b"level 1", identification=0)


@pytest.mark.parametrize("first", [SEGMENT, DATAGRAM, replace(SEGMENT, source="fd00::1", destination="fd00::2"), arp()],
                         ids=["tcp", "udp-without-identification", "tcp-over-ipv6", "arp"])  # fmt: skip
@pytest.mark.parametrize(
    "changes",
    [
        pytest.param({}, id="mirrored-both-ways"),
        pytest.param({"vlan_id": 10}, id="other-vlan-tag"),
        pytest.param({"source_link": ROUTER, "hop_limit": 63}, id="behind-a-router"),
        pytest.param({"length": 60}, id="padded"),
    ],
)
def test_copy_is_marked(first, changes):
    assert marked([first, replace(first, at=30 * MICROSECOND, **changes)]) == [False, True]


@pytest.mark.parametrize(
    ("first", "changes"),
    [
        pytest.param(SEGMENT, {"at": MAX_COPY_DELAY_NS}, id="retransmission-later"),
        pytest.param(SEGMENT, {"identification": 78}, id="retransmission-with-new-identification"),
        pytest.param(SEGMENT, {"acknowledgement": 10}, id="other-acknowledgement"),
        pytest.param(DATAGRAM, {"payload": b"level 2"}, id="other-payload"),
        pytest.param(DATAGRAM, {"checksum": 1}, id="other-checksum"),
        pytest.param(DATAGRAM, {"source_port": 50_001}, id="other-client"),
        pytest.param(arp(), {"source_port": 2}, id="other-operation"),
    ],
)
def test_other_packet_is_not_marked(first, changes):
    assert marked([first, replace(first, **({"at": 1} | changes))]) == [False, False]


def test_packets_between_other_hosts_are_no_copies_whatever_the_secrets():
    """Both last octets differ by one power of two: unfolded, a fourth of all multipliers joined such packets."""
    packets = [
        replace(SEGMENT, at=step, source=f"192.168.1.{14 + step}", destination=f"198.51.100.{14 + step}")
        for step in (0, 32, 64, 128)
    ]
    for _ in range(30):
        assert not any(marked(packets))


def test_third_copy_is_marked_and_the_next_original_is_not():
    moments = [0, 300, 600, 1_100, 1_300]

    packets = [replace(DATAGRAM, at=moment * MICROSECOND) for moment in moments]
    assert marked(packets) == [False, True, True, False, True]


def test_interleaved_datagrams_of_one_length_are_told_apart_by_their_octets():
    """Several universes of one show in one burst, each recorded twice."""
    burst = [udp(payload=bytes([universe]) * 8) for universe in range(4)]

    assert marked([*burst, *burst]) == [False] * 4 + [True] * 4


def test_later_fragments_of_one_datagram_are_no_copies():
    """Their transport header is missing, and only the octets of the frame tell them apart."""
    fragment = replace(SEGMENT, protocol=200, source_port=0, destination_port=0, payload=b"a" * 9)

    assert marked([fragment, replace(fragment, payload=b"b" * 9), fragment]) == [False, False, True]


def test_copy_in_the_next_batch_is_marked():
    duplicates = DuplicateFilter()

    assert duplicates.mark(batch_of([SEGMENT, DATAGRAM])).tolist() == [False, False]
    assert duplicates.mark(batch_of([replace(DATAGRAM, at=9), replace(SEGMENT, at=9)])).tolist() == [
        True,
        True,
    ]
    assert duplicates.mark(batch_of([replace(SEGMENT, at=10)])).tolist() == [True]
    assert duplicates.mark(batch_of([])).tolist() == []
    assert duplicates.mark(batch_of([replace(SEGMENT, at=2 * MAX_COPY_DELAY_NS)])).tolist() == [False]
    assert duplicates.duplicates == 3


def slow_marks(packets):
    """Every packet against all earlier originals."""
    originals, result = [], []
    for packet in packets:
        same = replace(packet, at=0)
        is_copy = any(kept == same and 0 <= packet.at - at < MAX_COPY_DELAY_NS for at, kept in originals)
        result.append(is_copy)
        if not is_copy:
            originals.append((packet.at, same))
    return result


few_packets = st.lists(
    st.tuples(
        st.integers(0, 700), st.sampled_from([SEGMENT, DATAGRAM, arp(), replace(DATAGRAM, payload=b"level 2"),
                                              replace(SEGMENT, identification=0)])
    ),
    max_size=30,
)  # fmt: skip


@settings(deadline=None)
@given(few_packets, st.lists(st.integers(0, 30), max_size=4))
def test_any_packets_in_any_batches_as_one_by_one(steps, cuts):
    packets, moment = [], 0
    for step, packet in steps:
        moment += step * MICROSECOND
        packets.append(replace(packet, at=moment))
    bounds = [0, *sorted(min(cut, len(packets)) for cut in cuts), len(packets)]
    duplicates = DuplicateFilter()
    result = []
    for start, stop in pairwise(bounds):
        result += duplicates.mark(batch_of(packets[start:stop])).tolist()

    assert result == slow_marks(packets)


def test_copies_are_counted_beside_the_flow():
    inside = connection(destination=CLOUD_IP, destination_link=ROUTER)
    copies = [replace(p, at=p.at + 50 * MICROSECOND, hop_limit=63, source_link=ROUTER) for p in inside]
    batch = batch_of(sorted(inside + copies, key=lambda p: p.at))
    table = FlowTable()
    table.add(batch, DuplicateFilter().mark(batch))
    (flow,) = table

    assert (flow.packets_sent, flow.packets_received, flow.duplicates) == (2, 2, 4)
    assert (table.packets, table.duplicates, table.octets) == (4, 4, 138)
    assert (flow.octets_sent + flow.octets_received, flow.hop_limit) == (138, 64)


def test_packets_remembered_are_bounded(monkeypatch):
    monkeypatch.setattr(module, "MAX_CARRIED_PACKETS", 4)
    duplicates = DuplicateFilter()
    packets = [udp(at=index, payload=bytes([index])) for index in range(9)]
    duplicates.mark(batch_of(packets))

    assert len(duplicates._carried_moments) == 4
    again = duplicates.mark(batch_of([replace(packet, at=20) for packet in packets]))
    assert np.count_nonzero(again) == 4


def test_frames_without_internet_header_are_told_apart_by_their_link_addresses():
    """IEEE 802.1X-2010 11.3: the frame that starts a login has the same four octets from every station."""
    start = bytes.fromhex("888e 0201 0000")
    one, other = (bytes.fromhex(f"0180c2000003 0200000053 0{number}") + start for number in (1, 2))

    batch = decode([one, other, one])  # one nanosecond apart

    assert DuplicateFilter().mark(batch).tolist() == [False, False, True]
