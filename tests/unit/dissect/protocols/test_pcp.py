"""
Vector: RFC 6887 sections 7.1 and 11.1, built from the figures.  No library at hand writes PCP: the other messages
are built here from the figures of sections 7, 11 to 14, field by field.
"""

from ipaddress import ip_address
from struct import pack

import pytest
from hypothesis import given, settings

from auditor.addresses import AddressKind, parse_address
from auditor.dissect.protocols.pcp import looks_like, parse_message
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import assert_message_or_decode_error, damaged, vector


def packed(text):
    """IPv4 in its mapped form (section 5)."""
    address = ip_address(text)
    return bytes(10) + b"\xff\xff" + address.packed if address.version == 4 else address.packed


def mapping(protocol, internal, external, outside):
    return b"nonce nonce." + pack(">B3xHH", protocol, internal, external) + packed(outside)


def request(opcode, lifetime, client, rest=b""):
    return pack(">BBHI", 2, opcode, 0, lifetime) + packed(client) + rest


def answer(opcode, code, lifetime, rest=b""):
    return pack(">BBBBII12x", 2, opcode | 0x80, 0, code, lifetime, 77) + rest


def option(code, data):
    return pack(">BBH", code, 0, len(data)) + data + bytes(-len(data) % 4)


REQUEST = vector("portmapping/pcp-map-tcp")
GRANTED = answer(1, 0, 3600, mapping(6, 443, 443, "2001:db8::20"))
THIRD_PARTY = option(1, packed("192.0.2.99"))
FILTER = option(3, pack(">BBH", 0, 128, 0) + packed("198.51.100.1"))


def test_request():
    found = parse_message(Cursor(REQUEST))

    assert (found.is_response, found.kind, found.protocol) == (False, "map", "tcp")
    assert (found.internal_port, found.external_port, found.lifetime_seconds) == (80, 8080, 7200)
    assert found.internal_address == parse_address("192.0.2.10")
    assert (found.result_code, found.external_kind) == (None, None)
    assert not found.is_granted


def test_request_from_the_figures_is_the_vector():
    made = request(1, 7200, "192.0.2.10", mapping(6, 80, 8080, "0.0.0.0"))

    assert made[:24] + made[36:] == REQUEST[:24] + REQUEST[36:]  # all but the nonce


def test_granted():
    found = parse_message(Cursor(GRANTED))

    assert (found.is_response, found.result_code, found.is_granted) == (True, 0, True)
    assert (found.internal_port, found.external_port, found.lifetime_seconds) == (443, 443, 3600)
    assert (found.external_kind, found.internal_address) == (AddressKind.GLOBAL, None)


def test_refused():
    found = parse_message(Cursor(answer(1, 2, 1800, mapping(17, 80, 80, "203.0.113.5"))))

    assert (found.result_code, found.is_granted, found.protocol) == (2, False, "udp")
    assert (found.external_port, found.external_kind) == (None, None)


def test_for_a_third_party():
    octets = request(1, 60, "192.0.2.10", mapping(0, 0, 0, "::") + THIRD_PARTY + option(2, b"") + FILTER)
    found = parse_message(Cursor(octets))

    assert found.internal_address == parse_address("192.0.2.99")
    assert (found.is_for_third_party, found.has_filter, found.protocol) == (True, True, "any")


def test_peer_and_announce():
    peer = mapping(17, 5000, 0, "::") + pack(">H2x", 443) + packed("198.51.100.7")
    found = parse_message(Cursor(request(2, 60, "192.0.2.10", peer)))

    assert (found.kind, found.protocol, found.internal_port) == ("peer", "udp", 5000)
    assert parse_message(Cursor(answer(0, 0, 0))).kind == "announce"
    assert not parse_message(Cursor(answer(2, 0, 60, peer))).is_granted


@pytest.mark.parametrize("code", [1, 3, 4, 6])
def test_answer_to_what_could_not_be_read(code):
    # 8.2: the request is repeated, whatever it was.
    found = parse_message(Cursor(answer(1, code, 1800, b"\xff" * 16)))

    assert (found.kind, found.result_code, found.internal_port) == ("map", code, None)


def test_unknown_opcode():
    found = parse_message(Cursor(request(9, 60, "192.0.2.10", b"\xff" * 8)))

    assert (found.kind, found.protocol) == ("unknown", None)


@pytest.mark.parametrize("octets", [REQUEST, GRANTED, request(1, 60, "::1", mapping(6, 1, 1, "::") + FILTER)])
def test_every_truncation_is_reported(octets):
    for length in range(len(octets)):
        if length == 60:
            continue  # whole without its option
        with pytest.raises(TruncatedError):
            parse_message(Cursor(octets[:length]))
    assert looks_like(octets[:64])


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"", TruncatedError, "version", id="empty"),
        pytest.param(b"\1" + REQUEST[1:], MalformedError, "version", id="version"),
        pytest.param(REQUEST + option(1, b"1234"), MalformedError, "option_length", id="third-party"),
        pytest.param(REQUEST + b"\3\0\xff\xff", TruncatedError, "option_data", id="passes-the-end"),
        pytest.param(REQUEST + option(9, b"") * 100, LimitError, "option", id="many-options"),
        pytest.param(REQUEST + bytes(1100), LimitError, "message", id="too-long"),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parse_message(Cursor(octets))
    assert info.value.field == field


@settings(max_examples=100, deadline=None)
@given(damaged(REQUEST, GRANTED, REQUEST + THIRD_PARTY + FILTER, answer(1, 3, 9, b"abc")))
def test_any_octets(octets):
    assert_message_or_decode_error(parse_message, octets)
    assert looks_like(octets[:64]) in (True, False)
