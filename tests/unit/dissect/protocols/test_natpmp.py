"""
Vectors: RFC 6886 section 3.3, built from its figures.  No library at hand writes NAT-PMP: the other messages are
built here from the figures of sections 3.2 to 3.5, field by field.
"""

from struct import pack

import pytest
from hypothesis import given, settings

from auditor.addresses import AddressKind
from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.protocols import natpmp, pcp
from auditor.dissect.protocols.natpmp import looks_like, parse_message
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import assert_message_or_decode_error, damaged, vector
from tests.unit.dissect.packets import datagram, dispatch

REQUEST = vector("portmapping/natpmp-map-tcp")
ANSWER = vector("portmapping/natpmp-map-tcp-response")
ASK_ADDRESS = b"\0\0"
ADDRESS = pack(">BBHI4B", 0, 128, 0, 9, 203, 0, 113, 7)
OTHER_VERSION = pack(">BBHI", 0, 0, 1, 9)
OTHER_OPCODE = pack(">BBHI", 0, 131, 5, 9)
ALL = [REQUEST, ANSWER, ASK_ADDRESS, ADDRESS, OTHER_VERSION, OTHER_OPCODE]


def test_request():
    found = parse_message(Cursor(REQUEST))

    assert (found.is_response, found.kind, found.protocol) == (False, "mapping", "tcp")
    assert (found.internal_port, found.external_port, found.lifetime_seconds) == (80, 8080, 7200)
    assert not found.is_granted


def test_granted():
    found = parse_message(Cursor(ANSWER))

    assert (found.is_response, found.result_code, found.is_granted) == (True, 0, True)
    assert (found.internal_port, found.external_port, found.lifetime_seconds) == (80, 8080, 7200)


def test_refused():
    found = parse_message(Cursor(pack(">BBHIHHI", 0, 129, 2, 9, 5683, 40_000, 0)))

    assert (found.protocol, found.result_code, found.is_granted) == ("udp", 2, False)
    assert (found.internal_port, found.external_port) == (5683, None)


def test_taken_back():
    # 3.4: an answer to a request with lifetime 0 has external port and lifetime 0.
    found = parse_message(Cursor(pack(">BBHIHHI", 0, 130, 0, 9, 80, 0, 0)))

    assert (found.result_code, found.lifetime_seconds, found.is_granted) == (0, 0, False)


@pytest.mark.parametrize(
    ("octets", "kind"),
    [
        (ADDRESS, AddressKind.GLOBAL),
        (ADDRESS[:8] + bytes([100, 64, 0, 1]), AddressKind.SHARED),
        (ADDRESS[:8] + bytes([192, 168, 1, 1]), AddressKind.PRIVATE),
        (ADDRESS[:3] + b"\3" + ADDRESS[4:8] + bytes(4), None),
    ],
)
def test_outside_address(octets, kind):
    found = parse_message(Cursor(octets))

    assert (found.kind, found.external_kind) == ("external-address", kind)
    assert found.protocol is None


def test_refusals_of_what_is_not_known():
    for octets, code in ((OTHER_VERSION, 1), (OTHER_OPCODE, 5), (OTHER_OPCODE + bytes(4), 5)):
        found = parse_message(Cursor(octets))
        assert (found.is_response, found.kind, found.result_code) == (True, "unknown", code)


@pytest.mark.parametrize("octets", [REQUEST, ANSWER, ADDRESS])
def test_every_truncation_is_reported(octets):
    # A refusal may end behind eight octets, and then it is another message; none of these is one.
    for length in range(len(octets)):
        with pytest.raises(TruncatedError):
            parse_message(Cursor(octets[:length]))


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"", TruncatedError, "version", id="empty"),
        pytest.param(b"\2" + REQUEST[1:], MalformedError, "version", id="version"),
        pytest.param(b"\0\x07" + bytes(10), MalformedError, "opcode", id="opcode"),
        pytest.param(b"\0\x87" + bytes(10), MalformedError, "opcode", id="answer-opcode"),
        pytest.param(REQUEST + b"\0", MalformedError, "message", id="left-over"),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parse_message(Cursor(octets))
    assert info.value.field == field


@pytest.mark.parametrize("octets", ALL)
def test_beginnings(octets):
    assert looks_like(octets)
    assert not looks_like(octets + b"\0")
    assert not pcp.looks_like(octets)


@settings(max_examples=100, deadline=None)
@given(damaged(*ALL, max_noise=30))
def test_any_octets(octets):
    assert_message_or_decode_error(parse_message, octets)
    assert looks_like(octets[:64]) in (True, False)


def test_beside_pcp_on_one_port():
    request = vector("portmapping/pcp-map-tcp")
    packets = [
        datagram("192.0.2.20", "192.0.2.1", 40_000, 5351, request),
        datagram("192.0.2.1", "192.0.2.20", 5351, 40_000, OTHER_VERSION),
        datagram("192.0.2.20", "192.0.2.1", 40_000, 5351, REQUEST),
        datagram("192.0.2.1", "192.0.2.20", 5351, 40_000, ANSWER),
    ]
    items = dispatch(packets, Dispatcher((natpmp.DISSECTOR, pcp.DISSECTOR), strict=True))

    assert [item.protocol for item in items] == ["pcp", "nat-pmp", "nat-pmp", "nat-pmp"]
    assert [item.from_initiator for item in items] == [True, False, True, False]
