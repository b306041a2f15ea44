"""Source: RFC 1035 section 5.1, read backwards by the test itself."""

from hypothesis import given
from hypothesis import strategies as st

from auditor.dissect.syntax.printable import to_printable


def octets_of(text):
    octets, rest = b"", text
    while rest:
        if rest[0] == "\\" and rest[1:4].isdigit():
            octets, rest = octets + bytes([int(rest[1:4])]), rest[4:]
        elif rest[0] == "\\":
            octets, rest = octets + rest[1].encode(), rest[2:]
        else:
            octets, rest = octets + rest[0].encode(), rest[1:]
    return octets


@given(st.binary(max_size=40) | st.text(max_size=20).map(lambda text: text.encode("utf-8", "ignore")))
def test_text_is_printable_and_tells_its_octets(octets):
    text = to_printable(octets, ".")

    assert text.isprintable()
    assert octets_of(text) == octets


def test_dot_is_escaped_where_asked_for():
    assert to_printable(b"a.b\\") == "a.b\\\\"
    assert to_printable(b"a.b", ".") == "a\\.b"


def test_controls_of_terminal_and_direction_do_not_pass():
    assert to_printable("\x1b[31m\u202eab\u2066".encode()) == "\\027[31m\\226\\128\\174ab\\226\\129\\166"
