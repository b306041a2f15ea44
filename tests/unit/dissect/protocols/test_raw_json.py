"""
Objects are those of RFC 8259 section 13 and JSON-RPC 2.0 section 7; the standard library's json is the oracle of
where a text ends.
"""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.protocols.raw_json import JsonMessage, looks_like, parse_datagram, parse_stream
from auditor.dissect.syntax.json_frame import MAX_NESTING, MAX_TEXT_OCTETS, end_of_text
from auditor.dissect.table import DISSECTORS
from auditor.errors import DecodeError, LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import assert_message_or_decode_error, damaged
from tests.unit.dissect.packets import LAMP, PHONE, datagram, dispatch
from tests.unit.dissect.protocols.streams import assert_messages_or_error, read, talk

# JSON-RPC 2.0 section 7: a call with positional parameters and its answer, a notification, an error
CALL = b'{"jsonrpc": "2.0", "method": "subtract", "params": [42, 23], "id": 1}'
RESULT = b'{"jsonrpc": "2.0", "result": 19, "id": 1}'
NOTICE = b'{"jsonrpc": "2.0", "method": "update", "params": [1,2,3,4,5]}'
ERROR = b'{"jsonrpc": "2.0", "error": {"code": -32601, "message": "Method not found"}, "id": "1"}'
# RFC 8259 section 13
PICTURE = b'{ "Image": { "Width": 800, "Title": "View from 15th Floor", "IDs": [116, 943, 234, 38793] } }'


def test_calls_and_answers_of_the_standard():
    call, result, notice, error = (
        parse_datagram(Cursor(octets)).rpc for octets in (CALL, RESULT, NOTICE, ERROR)
    )

    assert (call.method, call.has_id, call.is_version_2) == ("subtract", True, True)
    assert (result.has_result, result.has_method, result.method) == (True, False, None)
    assert (notice.method, notice.has_id) == ("update", False)
    assert (error.has_error, error.has_result) == (True, False)
    picture = parse_datagram(Cursor(PICTURE))
    assert picture.rpc is None
    assert picture.keys == ("Image", "Image.Width", "Image.Title", "Image.IDs")


@pytest.mark.parametrize("separator", [b"", b"\n", b"\r\n", b"\0", b"\x1e"])
def test_texts_one_after_the_other(separator):
    messages = read(parse_stream, separator.join([CALL, PICTURE, NOTICE]) + separator)

    assert [message.rpc and message.rpc.method for message in messages] == ["subtract", None, "update"]


def test_secrets_are_sighted_and_not_kept():
    message = parse_datagram(Cursor(b'{"user": "anna", "password": "open sesame"}'))

    assert [(one.kind, one.place) for one in message.secrets] == [("password", "json"), ("user-name", "json")]
    assert "sesame" not in repr(message)
    assert "anna" not in repr(message)


def test_a_value_that_is_no_name_is_not_kept():
    for value in (b"c2VjcmV0VG9rZW4xMjM0NTY3ODkw", b"a b", b"<b>", b"x" * 65):
        assert parse_datagram(Cursor(b'{"method": "' + value + b'"}')).rpc.method is None


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(
    value=st.dictionaries(st.text(max_size=5), VALUES, max_size=4),
    behind=st.sampled_from([b"", b"{}", b"\n x"]),
)
def test_ends_where_the_standard_library_ends(value, behind):
    octets = json.dumps(value, ensure_ascii=False).encode("utf-8", "replace")
    _, end = json.JSONDecoder().raw_decode((octets + behind).decode())

    assert end_of_text(octets + behind) == len((octets + behind).decode()[:end].encode())


@pytest.mark.parametrize(
    ("octets", "error"),
    [
        (b"on", MalformedError),
        (b'{"a": ]}', MalformedError),
        (b'{"a": 1', TruncatedError),
        (b'{"a": "}', TruncatedError),
        (b"[" * (MAX_NESTING + 1), LimitError),
        (b'{"a": "' + b"x" * MAX_TEXT_OCTETS, LimitError),
    ],
)
def test_where_no_text_ends(octets, error):
    with pytest.raises(error):
        end_of_text(octets)


@given(octets=damaged(CALL, RESULT, ERROR, PICTURE + b"\n" + CALL))
def test_any_octets_give_messages_or_an_error(octets):
    assert_messages_or_error(parse_stream, octets)
    assert_message_or_decode_error(parse_datagram, octets)


def test_a_stream_is_claimed_at_its_opening_alone():
    said = ((True, CALL + b"\n"), (False, RESULT + b"\n"))

    assert [(item.protocol, item.from_initiator) for item in talk(*said)] == [("json", True), ("json", False)]
    assert talk(*said, is_open=False) == []
    assert [item.protocol for item in talk(*said, parts=3)] == ["json", "json"]


def test_a_body_of_another_protocol_is_not_claimed():
    """The head came in a segment of its own, before the recording began."""
    head = b"HTTP/1.1 200 OK\r\nContent-Length: 11\r\n\r\n"
    items = talk((False, b'{"on":true}'), (True, b"GET / HTTP/1.1\r\n\r\n"), (False, head), is_open=False)

    assert {item.protocol for item in items} == {"http"}


def test_datagrams_on_any_port():
    packets = [datagram(PHONE, LAMP, 50_000, 38_899, CALL), datagram(LAMP, PHONE, 38_899, 50_000, RESULT)]
    items = dispatch(packets, Dispatcher(DISSECTORS, strict=True))

    assert [(item.protocol, item.from_initiator) for item in items] == [("json", True), ("json", False)]
    assert all(isinstance(item.message, JsonMessage) for item in items)


def test_beginnings():
    assert looks_like(b'{"on":true}')
    assert looks_like(b'[{"on":true}]')
    assert looks_like(b"{}\n")
    assert not looks_like(b"{\x00\x01")
    assert not looks_like(b"[1, 2]")
    assert not looks_like(b"{GET}")
    assert not looks_like(b'{"a": \x01')
    with pytest.raises(DecodeError):
        parse_datagram(Cursor(b"[1, 2]"))
