"""
Rules from RFC 9112 sections 2.2, 5 and 5.2.  Oracle: h11 (MIT), a general-purpose HTTP/1 library.
"""

import h11
import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.dissect.syntax.http_head import MAX_FIELDS, MAX_HEAD_OCTETS, parse_head
from auditor.errors import DecodeError, LimitError, MalformedError, TruncatedError


def test_fields_keep_order_and_lose_the_space_around_values():  # RFC 9112 5
    head = parse_head(b"GET / HTTP/1.1\r\nHost:  lamp.example \r\nX-A:\t1\r\nx-a: 2\r\n\r\nrest")

    assert head.start_line == b"GET / HTTP/1.1"
    assert head.fields == ((b"host", b"lamp.example"), (b"x-a", b"1"), (b"x-a", b"2"))
    assert head.get(b"x-a") == b"1"
    assert head.get_all(b"x-a") == [b"1", b"2"]
    assert head.length == len(b"GET / HTTP/1.1\r\nHost:  lamp.example \r\nX-A:\t1\r\nx-a: 2\r\n\r\n")


def test_bare_line_feeds_end_lines():  # RFC 9112 2.2: a recipient MAY recognize a single LF
    assert parse_head(b"GET / HTTP/1.0\nHost: a\n\n").fields == ((b"host", b"a"),)


def test_empty_lines_before_the_start_line_are_passed_over():  # RFC 9112 2.2
    head = parse_head(b"\r\n\r\nGET / HTTP/1.1\r\n\r\n")

    assert (head.start_line, head.length) == (b"GET / HTTP/1.1", 22)


def test_folded_lines_are_joined():  # RFC 9112 5.2 obs-fold
    assert parse_head(b"A / HTTP/1.1\r\nX: one\r\n two\r\n\tthree\r\n\r\n").get(b"x") == b"one two three"


def test_a_line_without_a_colon_does_not_hide_the_next():
    assert parse_head(b"A / HTTP/1.1\r\nbroken\r\nHost: a\r\n\r\n").fields == ((b"host", b"a"),)


@pytest.mark.parametrize("cut", range(1, 37))
def test_every_truncation_is_reported(cut):
    octets = b"GET / HTTP/1.1\r\nHost: lamp.example\r\n\r\n"

    with pytest.raises(TruncatedError):
        parse_head(octets[:-cut])


def test_a_head_without_end_is_refused_at_the_bound():
    with pytest.raises(LimitError):
        parse_head(b"GET / HTTP/1.1\r\nX: " + b"a" * MAX_HEAD_OCTETS)


def test_too_many_fields_are_refused():
    with pytest.raises(LimitError):
        parse_head(b"GET / HTTP/1.1\r\n" + b"a: b\r\n" * (MAX_FIELDS + 1) + b"\r\n")


def test_nothing_but_empty_lines_is_no_head():
    with pytest.raises(MalformedError):
        parse_head(b"\r\n" * 12)


TOKENS = st.text("abcdefXYZ-09", min_size=1, max_size=12)
VALUES = st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E), max_size=20)


@given(st.lists(st.tuples(TOKENS, VALUES), max_size=8), st.sampled_from(["", " ", "\t "]))
def test_reads_the_same_fields_as_another_library(fields, space):
    lines = "".join(f"{name}:{space}{value}{space}\r\n" for name, value in fields)
    octets = f"GET /a HTTP/1.1\r\nHost: a\r\n{lines}\r\n".encode()
    connection = h11.Connection(h11.SERVER)
    connection.receive_data(octets)
    try:
        event = connection.next_event()
    except h11.RemoteProtocolError:
        return  # lengths and codings that h11 refuses; ours are judged elsewhere

    assert [tuple(pair) for pair in event.headers] == list(parse_head(octets).fields)


@given(st.binary(max_size=300))
def test_any_octets_give_a_head_or_a_decode_error(octets):
    try:
        head = parse_head(octets)
    except DecodeError as error:
        offset = error.offset
    else:
        offset = head.length
    assert 0 <= offset <= len(octets)
