"""
What hosts ask and tell in turn: RFC 6762 sections 5.2 (browse), 7.1 (known answers), 8.1 (probe), 10.1 (goodbye);
RFC 6763 sections 4.1, 6 and 9.  Keys of a commissioning service (D, CM, VP) from memory.

Oracle: zeroconf (LGPL-2.1-or-later) builds the messages.
"""

import pytest
from zeroconf import DNSAddress, DNSOutgoing, DNSPointer, DNSQuestion, DNSText, const

from auditor.dissect.protocols.mdns import parse_message
from auditor.wire import Cursor

SERVICE, LAMP = "_matterc._udp.local.", "0123456789ABCDEF._matterc._udp.local."
HOST = "lamp-1.local."
UNIQUE = const._CLASS_IN | const._CLASS_UNIQUE


def parsed(out):
    (octets,) = out.packets()
    return parse_message(Cursor(octets))


def query(*questions, authorities=(), known=()):
    out = DNSOutgoing(const._FLAGS_QR_QUERY)
    for name, record_type in questions:
        out.add_question(DNSQuestion(name, record_type, const._CLASS_IN))
    for record in authorities:
        out.add_authorative_answer(record)
    for record in known:
        out.add_answer_at_time(record, 0)
    return parsed(out)


def response(*records):
    out = DNSOutgoing(const._FLAGS_QR_RESPONSE | const._FLAGS_AA)
    for record in records:
        out.add_answer_at_time(record, 0)
    return parsed(out)


def address(seconds=120):
    return DNSAddress(HOST, const._TYPE_A, UNIQUE, seconds, b"\xc0\x00\x02\x07")


def pointer(seconds=4500):
    return DNSPointer(SERVICE, const._TYPE_PTR, const._CLASS_IN, seconds, LAMP)


def test_probe_is_told_from_a_search():
    probe = query((SERVICE, const._TYPE_ANY), authorities=[pointer()])

    assert probe.is_probe
    assert [question.record_type for question in probe.questions] == [255]
    assert [record.target for record in probe.authorities] == [LAMP[:-1]]
    assert not query((SERVICE, const._TYPE_PTR)).is_probe
    assert not query((SERVICE, const._TYPE_PTR), known=[pointer()]).is_probe
    assert not response(address()).is_probe


def test_search_for_all_kinds_of_services():
    """RFC 6763 section 9."""
    (question,) = query(("_services._dns-sd._udp.local.", const._TYPE_PTR)).questions

    assert (question.name, question.record_type) == ("_services._dns-sd._udp.local", 12)


def test_known_answers_stand_apart_from_announcements():
    found = query((SERVICE, const._TYPE_PTR), known=[pointer()])

    assert not found.is_response
    assert [record.target for record in found.answers] == [LAMP[:-1]]


@pytest.mark.parametrize("seconds", [0, 1, 120, 4500, 2**31 - 1])
def test_life_in_caches_is_kept(seconds):
    """Zero is a goodbye."""
    assert [record.time_to_live for record in response(pointer(seconds)).answers] == [seconds]


def test_text_keys_of_a_commissioning_service_are_handed_over():
    text = b"\x06D=3840\x04CM=1\x08VP=1+257"

    (record,) = response(DNSText(LAMP, const._TYPE_TXT, UNIQUE, 4500, text)).answers

    assert [(key.key, key.value, key.secret) for key in record.text] == [
        ("D", "3840", None),
        ("CM", "1", None),
        ("VP", "1+257", None),
    ]
