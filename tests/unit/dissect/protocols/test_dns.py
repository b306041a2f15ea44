"""
Vectors: RFC 8484 sections 4.1.1 and 4.2.2; the length before a message: RFC 1035 section 4.2.2.

Oracle: dnspython, which reads the messages of recordings published with a packet library.
"""

import os
from pathlib import Path

import dns.exception
import dns.message
import dns.name
import dpkt
import pytest
from hypothesis import given

from auditor.dissect.protocols.dns import (
    DISSECTORS,
    client_speaks,
    looks_like_stream,
    parse_message,
    parse_stream,
)
from auditor.dissect.registry import Conversation
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import assert_every_truncation_is_reported, damaged, vector

QUERY = vector("dns/dns-query-www.example.com-A")
RESPONSE = vector("dns/dns-response-AAAA")


def in_stream(*messages):
    return b"".join(len(message).to_bytes(2, "big") + message for message in messages)


def test_stream_of_two_messages():
    cursor, conversation = Cursor(in_stream(QUERY, RESPONSE)), Conversation()

    first = parse_stream(cursor, True, conversation)
    second = parse_stream(cursor, True, conversation)

    assert first.length == cursor.offset - second.length == len(QUERY) + 2
    assert (first.questions[0].name, second.answers[0].record_type) == ("www.example.com", 28)
    assert cursor.remaining == 0


def test_every_truncation_of_a_stream_is_reported():
    assert_every_truncation_is_reported(
        lambda cursor: parse_stream(cursor, True, Conversation()), in_stream(RESPONSE)
    )


def test_broken_message_in_a_stream_is_not_waited_for():
    """All octets that its length promises are here: more would not help."""
    with pytest.raises(MalformedError) as info:
        parse_stream(Cursor(in_stream(RESPONSE[:-1]) + bytes(100)), True, Conversation())

    assert (info.value.field, info.value.offset) == ("answer_content", 47)


def test_length_below_a_header_is_malformed():
    with pytest.raises(MalformedError):
        parse_stream(Cursor(in_stream(b"short")), True, Conversation())


def test_streams_are_told_by_their_beginning():
    assert looks_like_stream(in_stream(QUERY)[:64])
    assert client_speaks(in_stream(QUERY)[:64])
    assert looks_like_stream(in_stream(RESPONSE)[:64])
    assert not client_speaks(in_stream(RESPONSE)[:64])
    assert not looks_like_stream(b"GET / HTTP/1.1\r\nHost: lamp.example\r\n\r\n")


def test_datagrams_are_told_by_their_beginning():
    datagrams, _ = DISSECTORS
    assert datagrams.looks_like(QUERY[:64])
    assert datagrams.looks_like(RESPONSE[:64])
    assert not datagrams.looks_like(QUERY[:11])


@given(damaged(in_stream(QUERY, RESPONSE)))
def test_any_octets_of_a_stream_end_the_reading(octets):
    cursor, conversation = Cursor(octets), Conversation()
    for _ in range(len(octets) + 1):
        before = cursor.offset
        try:
            message = parse_stream(cursor, True, conversation)
        except (TruncatedError, MalformedError):
            return
        assert message.length == cursor.offset - before > 0


@pytest.mark.corpus
@pytest.mark.parametrize("name", ["dns.pcap", "vlan11.pcap", "dns6.pcap"])
def test_recorded_messages_read_as_another_library_reads_them(name):
    """Recordings in the source of the Debian package dnscap 2.1.1 (BSD-3-Clause); their folder is given from outside."""
    folder = os.environ.get("AUDITOR_RECORDED")
    if not folder:
        pytest.skip("AUDITOR_RECORDED does not name the folder of recordings")
    count = 0
    with next(Path(folder).rglob(name)).open("rb") as file:
        for _, frame in dpkt.pcap.Reader(file):
            packet = dpkt.ethernet.Ethernet(frame).data
            if not isinstance(getattr(packet, "data", None), dpkt.udp.UDP) or 53 not in (
                packet.data.sport,
                packet.data.dport,
            ):
                continue
            octets = bytes(packet.data.data)
            try:
                theirs = dns.message.from_wire(octets, one_rr_per_rrset=True)
            except dns.exception.DNSException:
                continue
            ours = parse_message(Cursor(octets))
            count += 1
            assert DISSECTORS[0].looks_like(octets[:64])
            assert ours.unread_records == 0
            assert [dns.name.from_text(q.name) for q in ours.questions] == [q.name for q in theirs.question]
            additionals = [r for r in ours.additionals if r.record_type != 41]
            for mine, section in (
                (ours.answers, theirs.answer),
                (ours.authorities, theirs.authority),
                (additionals, theirs.additional),
            ):
                assert [(dns.name.from_text(r.name), r.record_type, r.time_to_live) for r in mine] == [
                    (rrset.name, rrset.rdtype, rrset.ttl) for rrset in section
                ]
    assert count >= 2
