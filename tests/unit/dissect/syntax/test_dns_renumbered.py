"""A message with another identifier reads as if it had been sent so; dnspython writes the messages."""

import dns.flags
import dns.message
import dns.rrset
from hypothesis import given
from hypothesis import strategies as st

from auditor.dissect.syntax.dns_message import parse_dns_message, renumbered
from auditor.errors import DecodeError
from auditor.wire import Cursor

IDENTIFIERS = st.integers(0, 0xFFFF)


def parse(octets):
    return parse_dns_message(Cursor(octets), is_multicast=False)


def with_identifier(octets, identifier):
    return identifier.to_bytes(2, "big") + octets[2:]


def answer(target):
    query = dns.message.make_query("lamp.cloud.example.", "A")
    response = dns.message.make_response(query)
    response.flags |= dns.flags.RA
    response.answer = [
        dns.rrset.from_text("lamp.cloud.example.", 60, "IN", "CNAME", f"{target}.cloud.example."),
        dns.rrset.from_text(f"{target}.cloud.example.", 60, "IN", "A", "192.0.2.7"),
    ]
    return response.to_wire()


@given(target=st.from_regex(r"[a-z]{1,20}", fullmatch=True), first=IDENTIFIERS, second=IDENTIFIERS)
def test_reads_as_if_sent_so(target, first, second):
    octets = answer(target)
    message = renumbered(parse(with_identifier(octets, first)), second)
    assert message == parse(with_identifier(octets, second))
    assert message.identifier == second


@given(first=IDENTIFIERS, second=IDENTIFIERS)
def test_names_that_lead_into_the_identifier_are_left_alone(first, second):
    # RFC 1035 4.1.4: a pointer to octet 0; identifier 0x0000 is the root, 0x0161 a label that goes on.
    octets = bytes.fromhex("0000 0100 0001 0000 0000 0000 c000 0001 0001")
    for identifier in (0, 0x0161, first):
        try:
            message = parse(with_identifier(octets, identifier))
        except DecodeError:
            continue
        again = renumbered(message, second)
        assert again is None


def test_records_that_an_identifier_broke_are_left_alone():
    # The CNAME's content is a pointer to octet 0: 0xffff is no label, 0x0000 is the root.
    octets = bytes.fromhex("ffff 8180 0000 0001 0000 0000 00 0005 0001 0000003c 0002 c000")
    assert parse(octets).unread_records == 1
    assert renumbered(parse(octets), 0) is None
    assert parse(with_identifier(octets, 0)).unread_records == 0
