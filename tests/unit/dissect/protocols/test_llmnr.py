"""
Messages: RFC 4795 section 2.1.  Oracle: scapy 2.8 (GPL-2.0-only) builds them;
dnspython (ISC) reads names and records back.
"""

import dns.message
import pytest
from hypothesis import given
from scapy.layers.dns import DNSQR, DNSRR
from scapy.layers.llmnr import LLMNRQuery, LLMNRResponse

from auditor.addresses import format_address
from auditor.dissect.protocols.llmnr import looks_like, parse_message
from auditor.dissect.syntax.dns_message import DnsMessage
from auditor.errors import MalformedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
)

QUERY = bytes(LLMNRQuery(id=7, qd=[DNSQR(qname="lamp", qtype="AAAA")]))
RESPONSE = bytes(
    LLMNRResponse(
        id=7,
        qd=[DNSQR(qname="lamp", qtype="A")],
        an=[DNSRR(rrname="lamp", type="A", rdata="192.0.2.7", ttl=30)],
    )
)


def test_query():
    found = parse_message(Cursor(QUERY))

    assert (found.identifier, found.is_response, found.response_code) == (7, False, 0)
    assert [(question.name, question.record_type) for question in found.questions] == [("lamp", 28)]
    assert str(dns.message.from_wire(QUERY).question[0].name) == "lamp."
    assert looks_like(QUERY[:64])


def test_response():
    found = parse_message(Cursor(RESPONSE))

    assert found.is_response
    assert [format_address(record.address) for record in found.answers] == ["192.0.2.7"]
    assert str(dns.message.from_wire(RESPONSE).answer[0][0]) == "192.0.2.7"
    assert looks_like(RESPONSE[:64])


@pytest.mark.parametrize(("bit", "field"), [(0x04, "is_conflict"), (0x01, "is_tentative")])
def test_bits_of_its_own(bit, field):
    """RFC 4795 2.1.1; scapy calls them c and z's neighbour, at the same places."""
    octets = bytearray(RESPONSE)
    octets[2] |= bit

    found = parse_message(Cursor(bytes(octets)))

    assert getattr(found, field)
    assert not getattr(parse_message(Cursor(RESPONSE)), field)


def test_it_is_no_lookup_at_a_resolver():
    assert not isinstance(parse_message(Cursor(QUERY)), DnsMessage)


def test_other_operations_are_refused():
    octets = bytearray(QUERY)
    octets[2] |= 0x28

    assert not looks_like(bytes(octets))
    with pytest.raises(MalformedError):
        parse_message(Cursor(bytes(octets)))


@pytest.mark.parametrize("octets", [QUERY, RESPONSE], ids=["query", "response"])
def test_every_truncation_is_reported(octets):
    assert_every_truncation_is_reported(parse_message, octets)


@given(damaged(QUERY, RESPONSE))
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)
