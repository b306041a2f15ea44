"""
Field tables: RFC 1112 appendix I, RFC 2236 section 2, RFC 3376 sections 4.1, 4.2 and 7.1; checksum: RFC 1071.

Oracle: scapy, which builds the messages; recordings published with a packet viewer.
"""

import os
from pathlib import Path

import dpkt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.contrib.igmp import IGMP
from scapy.contrib.igmpv3 import IGMPv3gr, IGMPv3mq, IGMPv3mr
from scapy.layers.inet import IP

from auditor.addresses import format_address
from auditor.dissect.protocols.igmp import GroupMembership, looks_like, parse_message
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
)

GROUP = "239.255.0.1"


def built(layer):
    """The message as it lies behind an IP header (with Router Alert), checksum filled in."""
    packet = bytes(IP(src="192.0.2.10", dst="224.0.0.22") / layer)
    return packet[4 * (packet[0] & 0x0F) :]


def report(*records):
    return built(IGMPv3mr(records=[IGMPv3gr(rtype=t, maddr=a, srcaddrs=s) for t, a, s in records]))


def groups(message):
    return [format_address(group) for group in message.groups]


@pytest.mark.parametrize(
    ("octets", "kind", "version", "expected"),
    [
        pytest.param(built(IGMP(type=0x11, mrcode=0, gaddr="0.0.0.0")), "query", 1, [], id="query-1"),
        pytest.param(built(IGMP(type=0x11, mrcode=100, gaddr="0.0.0.0")), "query", 2, [], id="query-2"),
        pytest.param(
            built(IGMP(type=0x11, mrcode=10, gaddr=GROUP)), "query", 2, [GROUP], id="query-2-of-a-group"
        ),
        pytest.param(built(IGMPv3mq(gaddr=GROUP, srcaddrs=["192.0.2.1"])), "query", 3, [GROUP], id="query-3"),
        pytest.param(built(IGMP(type=0x12, gaddr=GROUP)), "report", 1, [GROUP], id="report-1"),
        pytest.param(built(IGMP(type=0x16, gaddr=GROUP)), "report", 2, [GROUP], id="report-2"),
        pytest.param(built(IGMP(type=0x17, gaddr=GROUP)), "leave", 2, [GROUP], id="leave-2"),
        pytest.param(report((4, GROUP, [])), "report", 3, [GROUP], id="change-to-exclude"),
        pytest.param(report((2, GROUP, [])), "report", 3, [GROUP], id="mode-is-exclude"),
        pytest.param(report((5, GROUP, ["192.0.2.1"])), "report", 3, [GROUP], id="allow-sources"),
        pytest.param(report((3, GROUP, [])), "leave", 3, [GROUP], id="change-to-include-of-nothing"),
        pytest.param(
            report((3, GROUP, ["192.0.2.1"])), "report", 3, [GROUP], id="change-to-include-of-a-source"
        ),
        pytest.param(report((6, GROUP, ["192.0.2.1"])), "report", 3, [], id="block-sources"),
        pytest.param(report(), "report", 3, [], id="no-record"),
    ],
)
def test_messages_another_library_built(octets, kind, version, expected):
    found = parse_message(Cursor(octets))

    assert (found.kind, found.version, groups(found)) == (kind, version, expected)
    assert found.length == len(octets)
    assert looks_like(octets[:64])
    assert_every_truncation_is_reported(parse_message, octets, shortest_whole=8)


def test_joining_and_leaving_in_one_report():
    found = parse_message(Cursor(report((4, GROUP, []), (3, "239.255.0.2", []))))

    assert (found.kind, groups(found)) == ("report", [GROUP])
    assert [format_address(group) for group in found.left_groups] == ["239.255.0.2"]


@pytest.mark.parametrize("octets", [report((4, GROUP, ["192.0.2.1"]), (3, GROUP, []))])
def test_every_truncation_is_reported(octets):
    assert_every_truncation_is_reported(parse_message, octets)


def test_record_behind_one_of_unknown_type_still_parses():
    """4.2.12: records of unknown types are passed over."""
    assert groups(parse_message(Cursor(report((9, "239.255.0.9", ["192.0.2.1"]), (4, GROUP, []))))) == [GROUP]


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"\x13" + bytes(7), MalformedError, "type", id="another-type"),
        pytest.param(b"", TruncatedError, "type", id="empty"),
        pytest.param(b"\x16\x00\x00\x00\xef\xff\x00\x01", MalformedError, "checksum", id="wrong-checksum"),
        pytest.param(b"\x22" + bytes(5) + b"\xff\xff", TruncatedError, "group_record", id="65535-records"),
        pytest.param(
            b"\x22" + bytes(5) + b"\x00\x01\x04\x00\xff\xff" + bytes(4),
            TruncatedError,
            "group_record",
            id="65535-sources",
        ),
        pytest.param(
            b"\x22" + bytes(5) + b"\x00\x01\x04\xff\x00\x00" + bytes(4),
            TruncatedError,
            "group_record",
            id="auxiliary-past-end",
        ),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parse_message(Cursor(octets))

    assert info.value.field == field


@given(
    st.lists(
        st.tuples(
            st.integers(1, 6), st.ip_addresses(v=4).map(str), st.lists(st.just("192.0.2.1"), max_size=2)
        ),
        max_size=4,
    )
)
@settings(deadline=None, max_examples=50)
def test_no_group_is_lost_or_made_up(records):
    found = parse_message(Cursor(report(*records)))

    left = {address for kind, address, sources in records if kind in (1, 3) and not sources}
    joined = {
        address for kind, address, sources in records if kind in (2, 4, 5) or (kind in (1, 3) and sources)
    }
    gone = {
        format_address(group) for group in (found.left_groups if found.kind == "report" else found.groups)
    }
    assert gone == left
    assert (set(groups(found)) if found.kind == "report" else set()) == joined


@given(damaged(report((4, GROUP, ["192.0.2.1"])), built(IGMP(type=0x16, gaddr=GROUP))))
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)


@pytest.mark.corpus
@pytest.mark.parametrize(("name", "least"), [("IGMP_V2.pcap", 18), ("igmpv3-queries.pcap", 5)])
def test_recorded_messages_are_read(name, least):
    """Recordings in the source of the Debian package tcpdump 4.99.3 (BSD-3-Clause)."""
    folder = os.environ.get("AUDITOR_RECORDED")
    if not folder:
        pytest.skip("AUDITOR_RECORDED does not name the folder of recordings")
    found = []
    with next(Path(folder).rglob(name)).open("rb") as file:
        for _, frame in dpkt.pcap.Reader(file):
            packet = dpkt.ip.IP(frame[14:])
            if packet.p == 2:
                found.append(parse_message(Cursor(frame[14 + packet.hl * 4 : 14 + packet.len])))
    assert len(found) >= least
    assert all(isinstance(message, GroupMembership) for message in found)
