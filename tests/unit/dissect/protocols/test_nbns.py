"""
Packets: RFC 1001 section 14.1, RFC 1002 section 4.2.  Oracle: scapy 2.8
(GPL-2.0-only) builds them; the encoded name FRED is RFC 1002's own.
"""

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.netbios import (
    NBNS_ADD_ENTRY,
    NBNSHeader,
    NBNSNodeStatusRequest,
    NBNSNodeStatusResponse,
    NBNSNodeStatusResponseService,
    NBNSQueryRequest,
    NBNSQueryResponse,
    NBNSRegistrationRequest,
    NBNSWackResponse,
)

from auditor.addresses import format_address, format_link
from auditor.dissect.protocols.nbns import NetbiosName, looks_like, parse_message
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
    vector,
)

QUERY = bytes(NBNSHeader(NAME_TRN_ID=7) / NBNSQueryRequest(QUESTION_NAME="LAMP", SUFFIX=0x4141))
ANSWER = bytes(
    NBNSHeader(NAME_TRN_ID=7)
    / NBNSQueryResponse(
        RR_NAME="LAMP", SUFFIX=0x4141, ADDR_ENTRY=[NBNS_ADD_ENTRY(G=1, NB_ADDRESS="192.0.2.7")]
    )
)
REGISTRATION = bytes(
    NBNSHeader() / NBNSRegistrationRequest(QUESTION_NAME="LAMP", RR_NAME=0xC00C, NB_ADDRESS="192.0.2.7")
)
STATUS = bytes(
    NBNSHeader()
    / NBNSNodeStatusResponse(
        RR_NAME="LAMP",
        MAC_ADDRESS="02:00:00:00:53:02",
        NODE_NAME=[
            NBNSNodeStatusResponseService(NETBIOS_NAME=b"LAMP", SUFFIX=0x00),
            NBNSNodeStatusResponseService(NETBIOS_NAME=b"LAMP", SUFFIX=0x20),
        ],
    )
)


def parsed(octets):
    return parse_message(Cursor(octets))


def named(encoded):
    """A query for that encoded name (RFC 1002 4.2.12)."""
    return struct.pack(">6H", 7, 0x0110, 1, 0, 0, 0) + b"\x20" + encoded + b"\0\0\x20\0\x01"


def test_name_of_the_standard():
    (name,) = parsed(named(vector("netbios/netbios-name-FRED"))).names

    assert name == NetbiosName("FRED", 0x20, "")


def test_query_and_answer():
    asked, answered = parsed(QUERY), parsed(ANSWER)

    assert (asked.kind, asked.is_response, asked.is_broadcast) == ("query", False, True)
    assert [name.name for name in asked.names] == ["LAMP"] == [name.name for name in answered.names]
    assert (answered.is_response, answered.is_group, answered.response_code) == (True, True, 0)
    assert [format_address(address) for address in answered.addresses] == ["192.0.2.7"]
    assert looks_like(QUERY[:64])
    assert looks_like(ANSWER[:64])


def test_registration_by_a_pointer_to_the_name():
    found = parsed(REGISTRATION)

    assert found.kind == "registration"
    assert [name.name for name in found.names] == ["LAMP"]
    assert [format_address(address) for address in found.addresses] == ["192.0.2.7"]


def test_status_of_a_node():
    found = parsed(STATUS)

    assert (found.is_status, format_link(found.unit_link)) == (True, "02:00:00:00:53:02")
    assert [(name.name, name.kind) for name in found.status_names] == [("LAMP", 0x00), ("LAMP", 0x20)]
    asked = parsed(bytes(NBNSHeader() / NBNSNodeStatusRequest()))
    assert asked.is_status
    assert [name.name for name in asked.names] == ["*"]


def test_answer_to_wait():
    found = parsed(bytes(NBNSHeader() / NBNSWackResponse(RR_NAME="LAMP")))

    assert (found.kind, found.addresses) == ("wait", ())


def test_scope_and_hostile_name():
    scoped = named(vector("netbios/netbios-name-FRED")).replace(b"\0\0\x20\0\x01", b"\x04home\0\0\x20\0\x01")
    assert parsed(scoped).names[0].scope == "home"

    hostile = bytes(0x41 + nibble for octet in b"\x1b[2J<b>".ljust(16) for nibble in (octet >> 4, octet & 15))
    name = parsed(named(hostile)).names[0].name
    assert name.isprintable()
    assert name == "\\027[2J<b>"


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"ab", TruncatedError, "header", id="two-octets"),
        pytest.param(b"\0\0\x18" + bytes(9), MalformedError, "operation", id="operation-3"),
        pytest.param(bytes(4) + b"\xff\xff" + bytes(6), LimitError, "header", id="65535-questions"),
        pytest.param(named(b"Z" * 32), MalformedError, "name", id="letters-beyond-p"),
        pytest.param(
            bytes(4) + b"\0\x01" + bytes(6) + b"\x04lamp\0\0\x20\0\1", MalformedError, "name", id="plain"
        ),
        pytest.param(QUERY[:-1], TruncatedError, "question_type", id="cut-behind-the-name"),
        pytest.param(ANSWER[:-1], TruncatedError, "record_content", id="cut-in-the-record"),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parsed(octets)

    assert info.value.field == field


@pytest.mark.parametrize("octets", [QUERY, ANSWER, REGISTRATION], ids=["query", "answer", "registration"])
def test_every_truncation_is_reported(octets):
    assert_every_truncation_is_reported(parse_message, octets)


@given(st.text("ABCXYZ0189-_", min_size=1, max_size=15))
@settings(deadline=None, max_examples=40)
def test_names_come_back(name):
    octets = bytes(NBNSHeader() / NBNSQueryRequest(QUESTION_NAME=name))

    assert parsed(octets).names[0].name == name


@given(damaged(QUERY, ANSWER, STATUS))
@settings(deadline=None)
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)
