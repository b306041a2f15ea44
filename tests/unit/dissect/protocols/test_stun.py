"""
Vectors: RFC 5769 sections 2.1 to 2.3, written from memory; that they are right is shown by their own checksum and
message integrity, computed by aioice with the password of the RFC.  Oracles: aioice and scapy build messages.
"""

import pytest
from aioice import stun as theirs
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.contrib.stun import STUN, STUNUsername, STUNXorMappedAddress

from auditor.addresses import AddressKind
from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.message import PassedOver
from auditor.dissect.protocols import stun
from auditor.dissect.protocols.stun import client_speaks, looks_like, parse_message, parse_stream
from auditor.dissect.registry import Conversation
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
)
from tests.unit.dissect.packets import Connection, datagram, dispatch

REQUEST = bytes.fromhex(
    "000100582112a442b7e7a701bc34d686fa87dfae802200105354554e207465737420636c69656e74002400046e0001ff80290008932ff9b1"
    "51263b36000600096576746a3a68367659202020000800149aeaa70cbfd8cb56781ef2b5b2d3f249c1b571a280280004e57a3bcf"
)
IPV4 = bytes.fromhex(
    "0101003c2112a442b7e7a701bc34d686fa87dfae8022000b7465737420766563746f7220002000080001a147e112a643000800142b91f599"
    "fd9e90c38c7489f92af9ba53f06be7d780280004c07d4c96"
)
IPV6 = bytes.fromhex(
    "010100482112a442b7e7a701bc34d686fa87dfae8022000b7465737420766563746f7220002000140002a1470113a9faa5d3f179bc25f4b5"
    "bed2b9d900080014a382954e4be67bf11784c97c8292c275bfe3ed4180280004c8fb0b4c"
)
VECTORS = [REQUEST, IPV4, IPV6]


@pytest.mark.parametrize("octets", VECTORS)
def test_the_vectors_prove_themselves(octets):
    message = theirs.parse_message(octets)  # checks the fingerprint

    assert message.check_message_integrity(b"VOkJxbRl1RmTxUk/WvJxBt")


def test_request():
    found = parse_message(Cursor(REQUEST))

    assert (found.method, found.message_class) == ("binding", "request")
    assert (found.has_credentials, found.has_software, found.is_connectivity_check) == (True, True, True)
    assert (found.mapped_family, found.mapped_kind, found.error_code) == (None, None, None)
    assert "evtj" not in repr(found)


@pytest.mark.parametrize(("octets", "family"), [(IPV4, "ipv4"), (IPV6, "ipv6")])
def test_answer(octets, family):
    found = parse_message(Cursor(octets))

    assert (found.method, found.message_class) == ("binding", "success")
    assert (found.mapped_family, found.mapped_kind) == (family, AddressKind.GLOBAL)
    assert not found.is_connectivity_check


@pytest.mark.parametrize(
    ("address", "kind"),
    [
        ("192.168.7.9", AddressKind.PRIVATE),
        ("100.64.3.3", AddressKind.SHARED),
        ("203.0.113.5", AddressKind.GLOBAL),
        ("fd00::1", AddressKind.UNIQUE_LOCAL),
    ],
)
@pytest.mark.parametrize("attribute", ["XOR-MAPPED-ADDRESS", "MAPPED-ADDRESS"])
def test_kinds_of_addresses_another_library_writes(address, kind, attribute):
    if attribute not in theirs.ATTRIBUTES_BY_NAME:
        pytest.fail(f"{attribute} is unknown to the oracle")
    message = theirs.Message(
        theirs.Method.BINDING, theirs.Class.RESPONSE, attributes={attribute: (address, 4000)}
    )
    found = parse_message(Cursor(bytes(message)))

    assert found.mapped_kind is kind
    assert found.mapped_family == ("ipv6" if ":" in address else "ipv4")


METHODS = {
    theirs.Method.BINDING: "binding",
    theirs.Method.ALLOCATE: "allocate",
    theirs.Method.REFRESH: "refresh",
    theirs.Method.SEND: "send",
    theirs.Method.DATA: "data",
    theirs.Method.CHANNEL_BIND: "channel-bind",
}
CLASSES = {
    theirs.Class.REQUEST: "request",
    theirs.Class.INDICATION: "indication",
    theirs.Class.RESPONSE: "success",
    theirs.Class.ERROR: "error",
}


@pytest.mark.parametrize("message_class", CLASSES)
@pytest.mark.parametrize("method", METHODS)
def test_method_and_class_of_another_library(method, message_class):
    found = parse_message(Cursor(bytes(theirs.Message(method, message_class))))

    assert (found.method, found.message_class) == (METHODS[method], CLASSES[message_class])


def test_relaying():
    granted = theirs.Message(
        theirs.Method.ALLOCATE,
        theirs.Class.RESPONSE,
        attributes={
            "XOR-RELAYED-ADDRESS": ("198.51.100.9", 50_001),
            "XOR-MAPPED-ADDRESS": ("203.0.113.5", 40_000),
            "LIFETIME": 600,
        },
    )
    refused = theirs.Message(
        theirs.Method.ALLOCATE,
        theirs.Class.ERROR,
        attributes={"ERROR-CODE": (401, "Unauthorized"), "REALM": "lamp.example", "NONCE": b"abc"},
    )
    found = parse_message(Cursor(bytes(granted)))

    assert (found.lifetime_seconds, found.relayed_kind) == (600, AddressKind.GLOBAL)
    assert parse_message(Cursor(bytes(refused))).error_code == 401
    assert not parse_message(Cursor(bytes(refused))).has_credentials


def test_message_of_a_packet_library():
    packet = STUN(
        stun_message_type="Binding success response",
        transaction_id=7,
        attributes=[STUNXorMappedAddress(xport=4000, xip="10.1.2.3"), STUNUsername(username="lamp")],
    )
    found = parse_message(Cursor(bytes(packet)))

    assert (found.message_class, found.has_credentials) == ("success", True)
    assert found.mapped_kind is AddressKind.PRIVATE


@pytest.mark.parametrize("octets", VECTORS)
def test_every_truncation_is_reported(octets):
    assert_every_truncation_is_reported(parse_message, octets)
    assert looks_like(octets[:64])


def message(*attributes, kind="0101"):
    body = b"".join(bytes.fromhex(attribute) for attribute in attributes)
    return bytes.fromhex(kind) + len(body).to_bytes(2, "big") + REQUEST[4:20] + body


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"", TruncatedError, "message_type", id="empty"),
        pytest.param(b"\x80" + REQUEST[1:], MalformedError, "message_type", id="first-bits"),
        pytest.param(b"\0\1\0\2" + REQUEST[4:], MalformedError, "message_length", id="length"),
        pytest.param(REQUEST[:4] + bytes(16), MalformedError, "magic_cookie", id="cookie"),
        pytest.param(IPV4 + b"more", MalformedError, "message", id="left-over"),
        pytest.param(message("00200008 0003a147e112a643"), MalformedError, "address_family", id="family"),
        pytest.param(message("00200004 0001a147"), TruncatedError, "address", id="short-address"),
        pytest.param(message("00090004 00000763"), MalformedError, "error_code", id="class-7"),
        pytest.param(message("00090004 00000464"), MalformedError, "error_code", id="number-100"),
        pytest.param(message("000d0000"), TruncatedError, "lifetime", id="no-lifetime"),
        pytest.param(message("8022fffc 61626364"), TruncatedError, "attribute_value", id="passes-the-end"),
        pytest.param(message(*["7fff0000"] * 100), LimitError, "attribute", id="many"),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parse_message(Cursor(octets))
    assert info.value.field == field
    assert 0 <= info.value.offset <= len(octets)


def test_stream():
    # RFC 8656 12.4 and 12.5: what is relayed stands between messages, padded to four octets.
    octets = REQUEST + bytes.fromhex("40010005 6c616d7073 000000") + IPV4
    cursor, found = Cursor(octets), []
    while cursor.remaining:
        start = cursor.offset
        found.append(parse_stream(cursor, True, Conversation()))
        cursor.offset = start + found[-1].length

    assert [type(message).__name__ for message in found] == ["StunMessage", "PassedOver", "StunMessage"]
    assert found[1] == PassedOver(length=12)


def test_who_speaks():
    assert client_speaks(REQUEST)
    assert client_speaks(IPV4) is False
    assert client_speaks(bytes(theirs.Message(theirs.Method.DATA, theirs.Class.INDICATION))) is None


@settings(max_examples=100, deadline=None)
@given(damaged(*VECTORS))
def test_any_octets(octets):
    assert_message_or_decode_error(parse_message, octets)
    assert looks_like(octets[:64]) in (True, False)


@settings(max_examples=50, deadline=None)
@given(st.binary(max_size=60))
def test_what_another_library_reads_is_read(octets):
    octets = IPV4[:20] + octets
    octets = octets[:2] + (len(octets) - 20).to_bytes(2, "big") + octets[4:]
    assert_message_or_decode_error(parse_message, octets)


def test_through_dispatch_on_any_port():
    packets = [
        datagram("192.0.2.20", "198.51.100.7", 40_000, 50_478, REQUEST),
        datagram("198.51.100.7", "192.0.2.20", 50_478, 40_000, IPV4),
        *[datagram("192.0.2.20", "198.51.100.7", 40_000, 50_478, b"\x80\x60media" * 20) for _ in range(50)],
        datagram("192.0.2.20", "198.51.100.7", 40_000, 50_478, REQUEST),
    ]
    for batch_size in (None, 1):
        items = dispatch(packets, Dispatcher(stun.DISSECTORS, strict=True), batch_size)
        assert [item.message.message_class for item in items] == ["request", "success", "request"]


def test_media_beside_messages_is_not_looked_at_for_long():
    media = [datagram("192.0.2.20", "198.51.100.7", 40_000, 50_478, bytes([0x80, i])) for i in range(200)]
    request = datagram("192.0.2.20", "198.51.100.7", 40_000, 50_478, REQUEST)
    dispatcher = Dispatcher(stun.DISSECTORS, strict=True)
    dispatch([request, *media], dispatcher, 20)

    # A batch in which the conversation says nothing that is known costs one look.
    assert sum(dispatcher.unclaimed.values()) < 40


def test_connection():
    connection = Connection(server_port=3478).open().client(REQUEST, 7).server(IPV4).client(REQUEST)
    items = dispatch(connection.close().packets, Dispatcher(stun.DISSECTORS, strict=True))

    assert [(item.from_initiator, item.message.message_class) for item in items] == [
        (True, "request"),
        (False, "success"),
        (True, "request"),
    ]
