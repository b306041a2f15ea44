"""
Vectors: RFC 8484 sections 4.1.1 and 4.2.2, RFC 6763 section 6.6, RFC 1035 section 4.1.4.

Oracles: dnspython (names, all record types, damaged messages) and zeroconf (multicast messages).
"""

import ipaddress
from functools import partial

import dns.exception
import dns.flags
import dns.message
import dns.name
import dns.rdatatype
import dns.rrset
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.addresses import format_address
from auditor.dissect.syntax.dns_beginning import looks_like_dns
from auditor.dissect.syntax.dns_message import MAX_RECORDS, parse_dns_message
from auditor.dissect.syntax.dns_name import MAX_POINTERS, read_name
from auditor.errors import DecodeError, LimitError, MalformedError, TruncatedError
from auditor.secret import Secret
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
    vector,
)

QUERY = vector("dns/dns-query-www.example.com-A")
RESPONSE = vector("dns/dns-response-AAAA")
TEXT = vector("dns/dnssd-txt")
LAMP = b"\x04lamp\x05local\x00"
ADDRESS_RECORD = b"\xc0\x0c\x00\x01\x00\x01\x00\x00\x00\x78\x00\x04\xc0\x00\x02\x07"  # of LAMP in a question


parse_unicast = partial(parse_dns_message, is_multicast=False)


def parse(octets, *, is_multicast=False):
    return parse_dns_message(Cursor(octets), is_multicast=is_multicast)


def header(questions=0, answers=0, authorities=0, additionals=0, flags=0x8400, identifier=0):
    numbers = (identifier, flags, questions, answers, authorities, additionals)
    return b"".join(number.to_bytes(2, "big") for number in numbers)


def record(name, record_type, content, *, record_class=1, time_to_live=120):
    numbers = (
        record_type.to_bytes(2, "big") + record_class.to_bytes(2, "big") + time_to_live.to_bytes(4, "big")
    )
    return name + numbers + len(content).to_bytes(2, "big") + content


def labels_of(text):
    """The labels behind our text form, read as RFC 1035 section 5.1 reads it."""
    labels, label, rest = [], b"", text
    while rest:
        if rest[0] == "\\" and rest[1:4].isdigit():
            label, rest = label + bytes([int(rest[1:4])]), rest[4:]
        elif rest[0] == "\\":
            label, rest = label + rest[1].encode(), rest[2:]
        elif rest[0] == ".":
            labels.append(label)
            label, rest = b"", rest[1:]
        else:
            label, rest = label + rest[0].encode(), rest[1:]
    return (*labels, label, b"") if text else (b"",)


def test_query_of_rfc_8484():
    message = parse(QUERY)

    assert (message.identifier, message.is_response, message.recursion_desired) == (0, False, True)
    (question,) = message.questions
    assert (question.name, question.record_type, question.record_class) == ("www.example.com", 1, 1)
    assert message.length == 33


def test_response_of_rfc_8484():
    message = parse(RESPONSE)

    assert message.is_response
    (answer,) = message.answers
    assert (answer.name, answer.record_type, answer.time_to_live) == ("www.example.com", 28, 3709)
    assert format_address(answer.address) == "2001:db8:abcd:12:1:2:3:4"
    assert message.authorities == message.additionals == ()


def test_names_of_rfc_1035_section_4_1_4():
    """The figure's octets 20 to 31, 40 to 45, 64, 65 and 92, at their places in a message."""
    octets = bytearray(93)
    octets[20:32] = b"\x01F\x03ISI\x04ARPA\x00"
    octets[40:46] = b"\x03FOO\xc0\x14"
    octets[64:66] = b"\xc0\x1a"

    assert read_name(bytes(octets), 20, {}, "name") == ("F.ISI.ARPA", 32)
    assert read_name(bytes(octets), 40, {}, "name") == ("FOO.F.ISI.ARPA", 46)
    assert read_name(bytes(octets), 64, {}, "name") == ("ARPA", 66)
    assert read_name(bytes(octets), 92, {}, "name") == ("", 93)


def test_text_of_rfc_6763():
    message = parse(header(answers=1) + record(LAMP, 16, TEXT))

    assert [(text.key, text.value) for text in message.answers[0].text] == [
        ("key", "value"),
        ("paper", "A4"),
        ("passreq", None),
    ]


@pytest.mark.parametrize(
    ("strings", "expected"),
    [
        pytest.param(b"", [], id="no-string"),
        pytest.param(b"\x00", [], id="one-empty-string"),  # 6.1
        pytest.param(b"\x02=x\x01a", [("a", None)], id="missing-key"),  # 6.4
        pytest.param(b"\x03a=1\x03A=2", [("a", "1")], id="first-of-equal-keys"),  # 6.4
        pytest.param(b"\x02a=", [("a", "")], id="empty-value"),
        pytest.param(b"\x05a=b=c", [("a", "b=c")], id="equals-in-value"),
        pytest.param(b"\x04a=\x1b[", [("a", "\\027[")], id="terminal-escape"),
        pytest.param(b"\x03a=\xff", [("a", "\\255")], id="not-utf-8"),
    ],
)
def test_text_keys(strings, expected):
    message = parse(header(answers=1) + record(LAMP, 16, strings))

    assert [(text.key, text.value) for text in message.answers[0].text] == expected


@pytest.mark.parametrize("key", ["p", "P", "pw", "password", "psk", "wifi_password", "api_key", "token"])
def test_password_in_text_is_a_secret(key):
    """IANA registers ``p`` for http, ssh, telnet and ftp; the other names are common practice."""
    string = key.encode() + b"=opensesame"
    message = parse(header(answers=1) + record(LAMP, 16, bytes([len(string)]) + string))

    (text,) = message.answers[0].text
    assert (text.key, text.value) == (key, None)
    assert text.secret.fingerprint(b"k") == Secret(b"opensesame").fingerprint(b"k")
    assert "opensesame" not in repr(message)


def test_service_record_and_https_record():
    service = b"\x00\x00\x00\x00\x00\x50" + b"\xc0\x0c"
    https = b"\x00\x01" + b"\x00" + b"\x00\x01\x00\x03\x02h2" + b"\x00\x05\x00\x04abcd"
    octets = (
        header(1, 2)
        + LAMP
        + b"\x00\xff\x00\x01"
        + record(b"\xc0\x0c", 33, service)
        + record(b"\xc0\x0c", 65, https)
    )
    message = parse(octets)

    assert (message.answers[0].target, message.answers[0].port) == ("lamp.local", 80)
    assert (message.answers[1].target, message.answers[1].has_encrypted_client_hello) == ("", True)


def test_top_bit_of_a_class_has_a_meaning_in_multicast_alone():
    octets = (
        header(1, 1)
        + LAMP
        + b"\x00\x01\x80\x01"
        + record(b"\xc0\x0c", 1, b"\xc0\x00\x02\x07", record_class=0x8001)
    )

    multicast = parse(octets, is_multicast=True)
    assert (multicast.questions[0].unicast_response, multicast.questions[0].record_class) == (True, 1)
    assert (multicast.answers[0].cache_flush, multicast.answers[0].record_class) == (True, 1)
    unicast = parse(octets)
    assert (unicast.questions[0].unicast_response, unicast.questions[0].record_class) == (False, 0x8001)
    assert (unicast.answers[0].cache_flush, unicast.answers[0].record_class) == (False, 0x8001)


def test_size_of_an_option_record_is_not_a_flag():
    """RFC 6891 6.1.2: the class of OPT is a payload size."""
    message = parse(header(additionals=1) + record(b"\x00", 41, b"", record_class=0x9000), is_multicast=True)

    assert (message.additionals[0].record_class, message.additionals[0].cache_flush) == (0x9000, False)


def test_unknown_type_is_kept():
    message = parse(header(answers=1) + record(LAMP, 65280, b"anything"))

    assert message.answers[0].record_type == 65280
    assert message.answers[0].target is None


def test_impossible_time_to_live_is_zero():
    """RFC 2181 section 8."""
    message = parse(header(answers=1) + record(LAMP, 1, b"\xc0\x00\x02\x07", time_to_live=0x8000_0001))

    assert message.answers[0].time_to_live == 0


@pytest.mark.parametrize("octets", [QUERY, RESPONSE])
def test_every_truncation_is_reported(octets):
    assert_every_truncation_is_reported(parse_unicast, octets)


@pytest.mark.parametrize(
    ("octets", "error", "field", "offset"),
    [
        pytest.param(
            header(1) + b"\xc0\x0c\x00\x01\x00\x01",
            MalformedError,
            "question_name",
            12,
            id="pointer-to-itself",
        ),
        pytest.param(
            header(1) + b"\xc0\x10\x00\x01\x00\x01\x00",
            MalformedError,
            "question_name",
            12,
            id="forward-pointer",
        ),
        pytest.param(
            header(1) + b"\x01a\xc0\x0c\x00\x01\x00\x01",
            MalformedError,
            "question_name",
            14,
            id="pointer-loop",
        ),
        pytest.param(
            header(1) + b"\x40a\x00\x01\x00\x01", MalformedError, "question_name", 12, id="reserved-label"
        ),
        pytest.param(header(1) + b"\x3fa" * 5, TruncatedError, "question_name", 22, id="label-past-end"),
        pytest.param(
            header(1) + (b"\x3f" + b"a" * 63) * 4 + b"\x00\x00\x01\x00\x01",
            MalformedError,
            "question_name",
            12,
            id="name-of-257-octets",
        ),
        pytest.param(header(0xFFFF), MalformedError, "header", 4, id="count-of-65535"),
        pytest.param(
            header(answers=1) + LAMP + b"\x00\x01", TruncatedError, "answer_header", 24, id="half-a-header"
        ),
        pytest.param(
            header(answers=1) + record(LAMP, 1, b"abcd")[:-1],
            TruncatedError,
            "answer_content",
            34,
            id="short-content",
        ),
        pytest.param(header(1) + LAMP + b"\x00", TruncatedError, "question_type", 24, id="no-class"),
    ],
)
def test_error_names_field_and_offset(octets, error, field, offset):
    with pytest.raises(error) as info:
        parse(octets)

    assert (info.value.field, info.value.offset) == (field, offset)


def test_longest_name_is_read():
    name = (b"\x3f" + b"a" * 63) * 3 + b"\x3d" + b"a" * 61 + b"\x00"
    assert len(name) == 255

    assert len(parse(header(1) + name + b"\x00\x01\x00\x01").questions[0].name) == 253


@pytest.mark.parametrize(
    "broken",
    [
        pytest.param(record(b"\xc0\x0c", 1, b"abc"), id="address-of-three-octets"),
        pytest.param(record(b"\xc0\x0c", 28, b"abcd"), id="address-of-four-octets"),
        pytest.param(record(b"\xc0\x0c", 12, b""), id="no-target"),
        pytest.param(record(b"\xc0\x0c", 12, b"\xc0\x0cx"), id="octet-behind-target"),
        pytest.param(record(b"\xc0\x0c", 12, b"\x09lamp"), id="target-into-next-record"),
        pytest.param(record(b"\xc0\x0c", 12, b"\xff\xff"), id="target-points-forward"),
        pytest.param(record(b"\xc0\x0c", 33, b"\x00\x00\x00"), id="half-a-service"),
        pytest.param(record(b"\xc0\x0c", 16, b"\xffabc"), id="string-past-content"),
        pytest.param(record(b"\xc0\x0c", 16, b"\x02a=" * 3001), id="text-of-9003-octets"),
        pytest.param(record(b"\xc0\x0c", 65, b"\x00\x01\x00\x00\x05\x00\x09x"), id="parameter-past-content"),
        pytest.param(
            record(b"\xc0\x0c", 65, b"\x00\x01\x00" + b"\x00\x05\x00\x00" * 2), id="parameter-twice"
        ),
    ],
)
def test_record_behind_broken_content_still_parses(broken):
    message = parse(header(1, 2) + LAMP + b"\x00\xff\x00\x01" + broken + ADDRESS_RECORD)

    assert message.unread_records == 1
    assert [format_address(answer.address) for answer in message.answers] == ["192.0.2.7"]


def test_chain_of_pointers_is_bounded():
    """Each pointer leads to the one before it, and the first to a name at octet 12."""
    targets = [12, *range(24, 24 + 2 * (MAX_POINTERS + 2), 2)]
    octets = bytes(12) + LAMP + b"".join((0xC000 | target).to_bytes(2, "big") for target in targets)

    assert read_name(octets, 24, {}, "name") == ("lamp.local", 26)
    assert read_name(octets, 24 + 2 * (MAX_POINTERS - 1), {}, "name")[0] == "lamp.local"
    with pytest.raises(LimitError):
        read_name(octets, len(octets) - 2, {}, "name")


def test_walk_along_pointers_is_remembered():
    """However many records point at the end of a chain, it is walked once; a shorter way gives the same text."""
    targets = [12, *range(24, 24 + 2 * (MAX_POINTERS - 1), 2)]
    octets = bytes(12) + LAMP + b"".join((0xC000 | target).to_bytes(2, "big") for target in targets)
    names = {}

    read_name(octets, len(octets) - 2, names, "name")

    assert {names[target][0] for target in targets} == {"lamp.local"}
    assert {names[target][1] for target in targets} == {len(LAMP)}


def test_pointer_into_a_name_is_remembered_as_its_rest():
    octets = bytes(12) + LAMP + b"\x02hi\xc0\x11" + b"\xc0\x11"
    names = {}

    assert read_name(octets, 24, names, "name") == ("hi.local", 29)
    assert names[17] == ("local", 7)
    assert read_name(octets, 29, names, "name") == ("local", 31)


def test_flood_of_records_is_refused():
    octets = header(answers=MAX_RECORDS + 1) + record(b"\x00", 10, b"") * (MAX_RECORDS + 1)

    with pytest.raises(LimitError):
        parse(octets)
    assert (
        len(parse(header(answers=MAX_RECORDS) + record(b"\x00", 10, b"") * MAX_RECORDS).answers)
        == MAX_RECORDS
    )


LABEL = st.binary(min_size=1, max_size=12) | st.text("abc-_", min_size=1, max_size=8).map(str.encode)
NAME = st.lists(LABEL, max_size=6).map(lambda labels: dns.name.Name((*labels, b"")))
HOST = st.lists(st.text("abcxyz", min_size=1, max_size=5), min_size=1, max_size=4).map(
    lambda parts: ".".join(parts) + "."
)
RDATA = st.one_of(
    st.tuples(st.just("A"), st.ip_addresses(v=4).map(str)),
    st.tuples(st.just("AAAA"), st.ip_addresses(v=6).map(str)),
    st.tuples(st.sampled_from(["PTR", "CNAME", "NS", "DNAME"]), HOST),
    st.tuples(st.just("SRV"), st.tuples(st.integers(0, 65535), HOST).map(lambda v: f"0 5 {v[0]} {v[1]}")),
    st.tuples(st.just("TXT"), st.text("abc=", min_size=1, max_size=20).map(lambda v: f'"{v}"')),
    st.tuples(st.sampled_from(["HTTPS", "SVCB"]), HOST.map(lambda v: f"1 {v} alpn=h2 port=8443")),
    st.tuples(st.just("HTTPS"), HOST.map(lambda v: f"1 {v} ech=AARhYmNk")),
    st.tuples(st.just("SOA"), HOST.map(lambda v: f"{v} {v} 1 2 3 4 5")),
    st.tuples(st.just("MX"), HOST.map(lambda v: f"10 {v}")),
)


@st.composite
def messages(draw):
    message = dns.message.Message(draw(st.integers(0, 65535)))
    message.flags = draw(
        st.sampled_from([0, dns.flags.RD, dns.flags.QR | dns.flags.AA, dns.flags.QR | dns.flags.TC])
    )
    if draw(st.booleans()):
        message.question.append(dns.rrset.RRset(draw(NAME), 1, draw(st.sampled_from([1, 12, 28, 65, 255]))))
    for section in (message.answer, message.authority, message.additional):
        for record_type, text in draw(st.lists(RDATA, max_size=3)):
            section.append(
                dns.rrset.from_text(draw(NAME), draw(st.integers(0, 2**31 - 1)), "IN", record_type, text)
            )
    return message


def check_against_dnspython(octets, ours, theirs):
    """Every field that both know is equal; nothing is lost, nothing is made up."""
    assert (ours.identifier, ours.opcode) == (theirs.id, theirs.opcode())
    assert ours.is_response == bool(theirs.flags & dns.flags.QR)
    assert ours.truncated == bool(theirs.flags & dns.flags.TC)
    asked = [(labels_of(q.name), q.record_type, q.record_class) for q in ours.questions]
    assert asked == [(q.name.labels, q.rdtype, q.rdclass) for q in theirs.question]
    if ours.unread_records:
        return
    for mine, section in (
        (ours.answers, theirs.answer),
        (ours.authorities, theirs.authority),
        ([r for r in ours.additionals if r.record_type not in (41, 250)], theirs.additional),
    ):
        assert [(labels_of(r.name), r.record_type, r.time_to_live) for r in mine] == [
            (s.name.labels, s.rdtype, s.ttl) for s in section
        ]
        for record_, rrset in zip(mine, section, strict=True):
            if record_.record_class == 1:
                check_content(record_, rrset[0])


def check_content(ours, theirs):
    kind = dns.rdatatype.to_text(ours.record_type)
    if kind in ("A", "AAAA"):
        address = ipaddress.ip_address(theirs.address)
        assert ours.address[-len(address.packed) :] == address.packed
    elif kind in ("PTR", "CNAME", "NS", "DNAME", "SRV", "HTTPS", "SVCB"):
        assert labels_of(ours.target) == theirs.target.labels
    if kind == "SRV":
        assert ours.port == theirs.port
    if kind in ("HTTPS", "SVCB"):
        assert ours.has_encrypted_client_hello == any(int(key) == 5 for key in theirs.params)
    if kind == "TXT":
        keys = [string.partition(b"=")[0].decode("latin-1").lower() for string in theirs.strings]
        if all(key.isascii() and key.isprintable() and "\\" not in key for key in keys):
            assert [text.key.lower() for text in ours.text] == list(dict.fromkeys(key for key in keys if key))


@given(messages())
@settings(deadline=None)
def test_reads_what_another_library_wrote(theirs):
    octets = theirs.to_wire()
    read_back = dns.message.from_wire(octets, one_rr_per_rrset=True)

    ours = parse(octets)

    assert ours.unread_records == 0
    check_against_dnspython(octets, ours, read_back)


@given(messages().flatmap(lambda message: damaged(message.to_wire(), max_noise=40)))
@settings(deadline=None)
def test_reads_damaged_messages_as_another_library_does(octets):
    """Where dnspython reads a damaged message, we read the same or say what we do not read."""
    try:
        theirs = dns.message.from_wire(octets, one_rr_per_rrset=True, ignore_trailing=True)
    except (dns.exception.DNSException, ValueError, NotImplementedError):
        return
    if theirs.opcode() == 5:
        return  # an update has other sections there
    check_against_dnspython(octets, parse(octets), theirs)


@given(damaged(QUERY, RESPONSE, header(1, 1) + LAMP + b"\x00\xff\x00\x01" + ADDRESS_RECORD))
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_unicast, octets)
    looks_like_dns(octets[:64])


@given(messages())
@settings(deadline=None)
def test_every_message_looks_like_one(message):
    if message.question or message.answer or message.authority or message.additional:
        assert looks_like_dns(message.to_wire()[:64])


def test_names_are_text_that_a_terminal_cannot_obey():
    name = b"\x05a.b\\\x1b\x06l\xc3\xa4mp\x07\x03\xe2\x80\xae\x00"  # a dot, a backslash, ESC, BEL, U+202E
    message = parse(header(1) + name + b"\x00\x01\x00\x01")

    assert message.questions[0].name == "a\\.b\\\\\\027.lämp\\007.\\226\\128\\174"
    with pytest.raises(DecodeError):
        parse(header(1) + name[:-1])
