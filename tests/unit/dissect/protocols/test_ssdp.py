"""
Heads: UPnP Device Architecture 2.0, 1.2.2, 1.3.2 and 1.3.3 (from memory), RFC 9112 section 5, RFC 9111 section 5.2.

Oracle: h11, which reads the same heads.
"""

import h11
import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.dissect.protocols.ssdp import MAX_FIELDS, MAX_HEAD_OCTETS, looks_like, parse_message
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import assert_message_or_decode_error, damaged

UUID = "2fac1234-31f8-11b4-a222-08002b34c003"


def head(*lines):
    return "".join(line + "\r\n" for line in (*lines, "")).encode()


SEARCH = head(
    "M-SEARCH * HTTP/1.1",
    "HOST: 239.255.255.250:1900",
    'MAN: "ssdp:discover"',
    "MX: 1",
    "ST: upnp:rootdevice",
)
ALIVE = head(
    "NOTIFY * HTTP/1.1",
    "HOST: 239.255.255.250:1900",
    "CACHE-CONTROL: max-age = 1800",
    "LOCATION: http://user:pw@192.0.2.10:80/description.xml?token=abc#top",
    "NT: upnp:rootdevice",
    "NTS: ssdp:alive",
    "SERVER: os/1.0 UPnP/1.1 lamp/2.3",
    f"USN: uuid:{UUID}::upnp:rootdevice",
)
RESPONSE = head(
    "HTTP/1.1 200 OK",
    "CACHE-CONTROL: no-cache, MAX-AGE=100",
    "EXT:",
    "LOCATION: http://[2001:db8::10]:80/d.xml",
    "SERVER: os/1.0 UPnP/1.1 lamp/2.3",
    "ST: urn:schemas-upnp-org:device:Basic:1",
    f"USN: uuid:{UUID}",
)


def parse(octets):
    return parse_message(Cursor(octets))


def test_search():
    found = parse(SEARCH)

    assert (found.kind, found.target, found.location) == ("search", "upnp:rootdevice", None)
    assert found.length == len(SEARCH)


def test_announcement_keeps_no_user_info_and_no_query():
    found = parse(ALIVE)

    assert (found.kind, found.target, found.max_age_seconds) == ("alive", "upnp:rootdevice", 1800)
    assert found.location == "http://192.0.2.10:80/description.xml"
    assert found.server == "os/1.0 UPnP/1.1 lamp/2.3"
    assert found.unique_name == f"uuid:{UUID}::upnp:rootdevice"
    assert "pw" not in repr(found)
    assert "abc" not in repr(found)


def test_response():
    found = parse(RESPONSE)

    assert (found.kind, found.max_age_seconds, found.location) == (
        "response",
        100,
        "http://[2001:db8::10]:80/d.xml",
    )
    assert found.unique_name == f"uuid:{UUID}"


@pytest.mark.parametrize("kind", ["byebye", "update"])
def test_other_notifications(kind):
    assert parse(ALIVE.replace(b"ssdp:alive", b"ssdp:" + kind.encode())).kind == kind


@pytest.mark.parametrize(
    "location", ["http://a@b@192.0.2.1/x", "http://a:b@192.0.2.1/x?q=1@2", "http://192.0.2.1/x#a@b"]
)
def test_location_loses_what_may_be_secret(location):
    found = parse(head("HTTP/1.1 200 OK", f"LOCATION: {location}"))

    assert found.location == "http://192.0.2.1/x"


@pytest.mark.parametrize(
    "name", ["uuid:serial-00-11", "serial", "uuid:", f"uuid:{UUID}0", "urn:x::upnp:rootdevice"]
)
def test_unique_name_that_is_no_uuid_is_not_kept(name):
    assert parse(head("HTTP/1.1 200 OK", f"USN: {name}")).unique_name is None


def test_lines_may_end_with_line_feed_alone():
    assert parse(SEARCH.replace(b"\r\n", b"\n")).target == "upnp:rootdevice"


def test_last_empty_line_may_be_missing():
    """Common practice of small devices: the datagram ends behind the last field."""
    assert parse(ALIVE[:-2]).unique_name == f"uuid:{UUID}::upnp:rootdevice"


@pytest.mark.parametrize("octets", [SEARCH, ALIVE, RESPONSE])
def test_truncation_inside_a_line_is_reported(octets):
    for length in range(len(octets)):
        if length and octets[length - 1 : length] in (b"\n", b"\r"):
            continue
        with pytest.raises(TruncatedError):
            parse(octets[:length])


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(head("GET / HTTP/1.1"), MalformedError, "start_line", id="another-method"),
        pytest.param(head("HTTP/1.1 2000 OK"), MalformedError, "start_line", id="status-of-four-digits"),
        pytest.param(
            head("NOTIFY * HTTP/1.1", "NTS: ssdp:other"), MalformedError, "nts", id="unknown-notification"
        ),
        pytest.param(
            head("M-SEARCH * HTTP/1.1", "no colon"), MalformedError, "fields", id="line-without-name"
        ),
        pytest.param(head("M-SEARCH * HTTP/1.1", *["A: b"] * 70), LimitError, "fields", id="flood-of-fields"),
        pytest.param(
            b"M-SEARCH * HTTP/1.1\r\nA: " + b"b" * 9000, LimitError, "head", id="head-of-9000-octets"
        ),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parse(octets)

    assert info.value.field == field


def test_bounds_themselves_are_reached():
    assert parse(head("M-SEARCH * HTTP/1.1", *["A: b"] * (MAX_FIELDS - 1), "ST: x")).target == "x"
    line = b"M-SEARCH * HTTP/1.1\r\nST: "
    assert len(parse(line + b"b" * (MAX_HEAD_OCTETS - len(line) - 4) + b"\r\n\r\n").target) > 8000


def test_value_that_a_terminal_would_obey_is_escaped():
    assert parse(head("M-SEARCH * HTTP/1.1", "ST: \x1b[31mred")).target == "\\027[31mred"


TOKEN = st.text("abcdefgXYZ-", min_size=1, max_size=10)
VALUE = st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E, exclude_characters="\\"), max_size=30)


@given(st.dictionaries(TOKEN.map(str.lower), VALUE, max_size=8), VALUE)
def test_reads_heads_as_another_library_does(fields, target):
    octets = head(
        "M-SEARCH * HTTP/1.1", "Host: a", *(f"{k}:  {v} " for k, v in fields.items()), f"ST:{target}"
    )
    connection = h11.Connection(h11.SERVER)
    connection.receive_data(octets)
    event = connection.next_event()
    assert isinstance(event, h11.Request)

    found = parse(octets)

    theirs = dict(event.headers)
    assert found.target == theirs[b"st"].decode()
    assert (found.server or "") == theirs.get(b"user-agent", b"").decode()


def test_beginnings():
    assert all(map(looks_like, (SEARCH[:64], ALIVE[:64], RESPONSE[:64])))
    assert not looks_like(b"GET / HTTP/1.1\r\n")
    assert not looks_like(b"")


@given(damaged(SEARCH, ALIVE, RESPONSE))
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)
