"""
Octets: RFC 6762 sections 5.4, 10.1, 10.2, 18.14; RFC 6763 section 4.

Oracle: zeroconf, which builds and reads the same messages.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from zeroconf import (
    DNSAddress,
    DNSIncoming,
    DNSNsec,
    DNSOutgoing,
    DNSPointer,
    DNSQuestion,
    DNSService,
    DNSText,
    const,
)

from auditor.addresses import format_address
from auditor.dissect.protocols.mdns import DISSECTOR, parse_message
from auditor.dissect.syntax.dns_message import TYPE_PTR, TYPE_SRV, TYPE_TXT
from auditor.wire import Cursor
from tests.dissector_checks import assert_message_or_decode_error, damaged

INSTANCE = "shelf lamp._http._tcp.local."
HOST = "lamp-1.local."
UNIQUE = const._CLASS_IN | const._CLASS_UNIQUE


def announcement(time_to_live=120):
    out = DNSOutgoing(const._FLAGS_QR_RESPONSE | const._FLAGS_AA)
    for answer in (
        DNSPointer("_http._tcp.local.", const._TYPE_PTR, const._CLASS_IN, time_to_live, INSTANCE),
        DNSService(INSTANCE, const._TYPE_SRV, UNIQUE, time_to_live, 0, 0, 80, HOST),
        DNSText(INSTANCE, const._TYPE_TXT, UNIQUE, time_to_live, b"\x09fw=1.2.30\x08password"),
        DNSAddress(HOST, const._TYPE_A, UNIQUE, time_to_live, b"\xc0\x00\x02\x0a"),
        DNSNsec(HOST, const._TYPE_NSEC, UNIQUE, time_to_live, HOST, [const._TYPE_A, const._TYPE_AAAA]),
    ):
        out.add_answer_at_time(answer, 0)
    (octets,) = out.packets()
    return octets


def test_announcement_another_library_built():
    message = parse_message(Cursor(announcement()))

    pointer, service, text, address, absent = message.answers
    assert (pointer.name, pointer.target, pointer.cache_flush) == ("_http._tcp.local", INSTANCE[:-1], False)
    assert (service.name, service.target, service.port, service.cache_flush) == (
        INSTANCE[:-1],
        "lamp-1.local",
        80,
        True,
    )
    assert [(key.key, key.value) for key in text.text] == [("fw", "1.2.30"), ("password", None)]
    assert format_address(address.address) == "192.0.2.10"
    assert absent.record_type == 47
    assert message.is_response
    assert message.unread_records == 0


def test_goodbye():
    """RFC 6762 10.1."""
    message = parse_message(Cursor(announcement(time_to_live=0)))

    assert {answer.time_to_live for answer in message.answers} == {0}


def test_query_with_known_answer_asks_for_unicast():
    out = DNSOutgoing(const._FLAGS_QR_QUERY)
    question = DNSQuestion("_http._tcp.local.", const._TYPE_PTR, const._CLASS_IN)
    question.unicast = True
    out.add_question(question)
    out.add_answer_at_time(
        DNSPointer("_http._tcp.local.", const._TYPE_PTR, const._CLASS_IN, 4500, INSTANCE), 0
    )
    message = parse_message(Cursor(out.packets()[0]))

    (question,) = message.questions
    assert (question.name, question.unicast_response) == ("_http._tcp.local", True)
    assert question.record_class == 1
    assert [answer.target for answer in message.answers] == [INSTANCE[:-1]]


NAMES = st.text("abcdef -", min_size=1, max_size=15).map(lambda label: f"{label}._light._udp.local.")
RECORDS = st.lists(
    st.one_of(
        st.builds(lambda name: DNSPointer("_light._udp.local.", TYPE_PTR, const._CLASS_IN, 60, name), NAMES),
        st.builds(
            lambda name, port: DNSService(name, TYPE_SRV, UNIQUE, 60, 0, 0, port, HOST),
            NAMES,
            st.integers(0, 65535),
        ),
        st.builds(
            lambda name, value: DNSText(name, TYPE_TXT, UNIQUE, 60, b"\x03a=" + value),
            NAMES,
            st.sampled_from([b"1", b"2"]),
        ),
    ),
    min_size=1,
    max_size=8,
)


@given(RECORDS)
@settings(deadline=None)
def test_reads_what_another_library_reads(records):
    out = DNSOutgoing(const._FLAGS_QR_RESPONSE | const._FLAGS_AA)
    for answer in records:
        out.add_answer_at_time(answer, 0)
    (octets,) = out.packets()

    message = parse_message(Cursor(octets))

    theirs = DNSIncoming(octets).answers()
    assert [(r.name + ".", r.record_type, r.time_to_live, r.cache_flush) for r in message.answers] == [
        (r.name, r.type, r.ttl, r.unique) for r in theirs
    ]
    for ours, other in zip(message.answers, theirs, strict=True):
        if ours.record_type == TYPE_PTR:
            assert ours.target + "." == other.alias
        if ours.record_type == TYPE_SRV:
            assert (ours.target + ".", ours.port) == (other.server, other.port)
        if ours.record_type == TYPE_TXT:
            assert [f"{key.key}={key.value}" for key in ours.text] == [other.text[1:].decode()]
    assert DISSECTOR.looks_like(octets[:64])


@given(damaged(announcement()))
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)


def test_largest_message_stays_within_bounds():
    """RFC 6762 section 17: 9000 octets, here filled with the least records."""
    count = (9000 - 12) // 11
    octets = (
        b"\x00\x00\x84\x00\x00\x00"
        + count.to_bytes(2, "big")
        + bytes(4)
        + (b"\x00\x00\x0a\x00\x01" + bytes(6)) * count
    )

    assert len(parse_message(Cursor(octets)).answers) == count


@pytest.mark.parametrize("noise", [b"", b"\x00" * 12, b"\xff" * 64, b"GET / HTTP/1.1\r\n\r\n"])
def test_noise_does_not_look_like_a_message(noise):
    assert not DISSECTOR.looks_like(noise)
