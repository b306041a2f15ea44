"""
Field tables: RFC 2710 section 3, RFC 3810 sections 5.1, 5.2 and 8.1.

Oracle: scapy, which builds the messages.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.inet6 import (
    ICMPv6MLDMultAddrRec,
    ICMPv6MLDone,
    ICMPv6MLQuery,
    ICMPv6MLQuery2,
    ICMPv6MLReport,
    ICMPv6MLReport2,
)

from auditor.addresses import format_address
from auditor.dissect.protocols.mld import looks_like, parse_message
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
)

GROUP = "ff02::fb"
SOURCE = "2001:db8::1"


def report(*records):
    layers = [
        ICMPv6MLDMultAddrRec(rtype=kind, dst=group, sources=sources) for kind, group, sources in records
    ]
    return bytes(ICMPv6MLReport2(records=layers, records_number=len(layers)))


def groups(message):
    return [format_address(group) for group in message.groups]


@pytest.mark.parametrize(
    ("octets", "kind", "version", "expected"),
    [
        pytest.param(bytes(ICMPv6MLQuery()), "query", 1, [], id="query-1"),
        pytest.param(bytes(ICMPv6MLQuery(mladdr=GROUP)), "query", 1, [GROUP], id="query-1-of-a-group"),
        pytest.param(
            bytes(ICMPv6MLQuery2(mladdr=GROUP, sources=[SOURCE], sources_number=1)),
            "query",
            2,
            [GROUP],
            id="query-2",
        ),
        pytest.param(bytes(ICMPv6MLReport(mladdr=GROUP)), "report", 1, [GROUP], id="report-1"),
        pytest.param(bytes(ICMPv6MLDone(mladdr=GROUP)), "leave", 1, [GROUP], id="done"),
        pytest.param(report((4, GROUP, [])), "report", 2, [GROUP], id="change-to-exclude"),
        pytest.param(report((3, GROUP, [])), "leave", 2, [GROUP], id="change-to-include-of-nothing"),
        pytest.param(report((5, GROUP, [SOURCE])), "report", 2, [GROUP], id="allow-sources"),
        pytest.param(report((6, GROUP, [SOURCE])), "report", 2, [], id="block-sources"),
    ],
)
def test_messages_another_library_built(octets, kind, version, expected):
    found = parse_message(Cursor(octets))

    assert (found.kind, found.version, groups(found)) == (kind, version, expected)
    assert found.length == len(octets)
    assert looks_like(octets[:64])


@pytest.mark.parametrize(
    "octets",
    [bytes(ICMPv6MLReport(mladdr=GROUP)), report((4, GROUP, [SOURCE]), (3, GROUP, []))],
    ids=["1", "2"],
)
def test_every_truncation_is_reported(octets):
    assert_every_truncation_is_reported(parse_message, octets)


def test_joining_and_leaving_in_one_report():
    found = parse_message(Cursor(report((4, GROUP, []), (3, "ff02::c", []))))

    assert (found.kind, groups(found)) == ("report", [GROUP])
    assert [format_address(group) for group in found.left_groups] == ["ff02::c"]


def test_record_behind_one_of_unknown_type_still_parses():
    """RFC 3810 5.2.12: records of unknown types are passed over."""
    assert groups(parse_message(Cursor(report((9, "ff02::9", [SOURCE]), (4, GROUP, []))))) == [GROUP]


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"\x80" + bytes(23), MalformedError, "type", id="echo-request"),
        pytest.param(b"", TruncatedError, "type", id="empty"),
        pytest.param(b"\x8f" + bytes(5) + b"\xff\xff", TruncatedError, "address_record", id="65535-records"),
        pytest.param(
            b"\x8f" + bytes(5) + b"\x00\x01\x04\x00\xff\xff" + bytes(16),
            TruncatedError,
            "address_record",
            id="65535-sources",
        ),
        pytest.param(
            b"\x82" + bytes(25) + b"\xff\xff", TruncatedError, "sources", id="query-of-65535-sources"
        ),
        pytest.param(b"\x82" + bytes(24), TruncatedError, "sources", id="query-of-25-octets"),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parse_message(Cursor(octets))

    assert info.value.field == field


@given(
    st.lists(
        st.tuples(st.integers(1, 6), st.ip_addresses(v=6).map(str), st.lists(st.just(SOURCE), max_size=2)),
        max_size=4,
    )
)
@settings(deadline=None, max_examples=50)
def test_no_group_is_lost_or_made_up(records):
    found = parse_message(Cursor(report(*records)))

    left = [address for kind, address, sources in records if kind in (1, 3) and not sources]
    joined = [
        address for kind, address, sources in records if kind in (2, 4, 5) or (kind in (1, 3) and sources)
    ]
    gone = found.left_groups if found.kind == "report" else found.groups
    assert len(gone) == len(left)
    assert (len(found.groups) if found.kind == "report" else 0) == len(joined)


@given(damaged(report((4, GROUP, [SOURCE])), bytes(ICMPv6MLReport(mladdr=GROUP))))
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)
