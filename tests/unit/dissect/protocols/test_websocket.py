"""
Vectors: RFC 6455 sections 1.2, 1.3 and 5.7 (tests/vectors/websocket), RFC 7692 section 7.2.3.1.
Oracle: wsproto (MIT), a general-purpose WebSocket library, which writes the frames that are read here.
"""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from wsproto.connection import Connection as Peer
from wsproto.connection import ConnectionType
from wsproto.events import BytesMessage, CloseConnection, Ping, TextMessage
from wsproto.extensions import PerMessageDeflate

from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.message import Issue, PassedOver
from auditor.dissect.protocols.http import HttpRequest, HttpResponse
from auditor.dissect.protocols.websocket import (
    MAX_MESSAGE_KEPT,
    WebSocketMessage,
    client_speaks,
    continues,
    looks_like,
    parse_stream,
    unmasked,
)
from auditor.dissect.registry import Conversation
from auditor.dissect.table import DISSECTORS
from auditor.errors import MalformedError, TruncatedError
from auditor.secret import Secret
from auditor.wire import Cursor
from tests.dissector_checks import damaged, vector
from tests.unit.dissect.packets import Connection, dispatch
from tests.unit.dissect.protocols.streams import assert_messages_or_error

UPGRADE = vector("websocket/websocket-upgrade-request")
# RFC 6455 1.2 and 1.3: the answer to that request
SWITCH = (
    b"HTTP/1.1 101 Switching Protocols\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    b"Sec-WebSocket-Accept: s3pPLMBiTxaQ9kYGzzhZRbK+xOo=\r\nSec-WebSocket-Protocol: chat\r\n\r\n"
)
HELLO, MASKED_HELLO = (
    vector("websocket/websocket-unmasked-text"),
    vector("websocket/websocket-masked-text"),
)
# RFC 7692 7.2.3.1: "Hello" compressed
COMPRESSED_HELLO = bytes.fromhex("c107f248cdc9c90700")


def read(octets, from_client=False, conversation=None, ended=True):
    conversation = conversation or Conversation()
    conversation.ended = ended
    found, position = [], 0
    while position < len(octets):
        message = parse_stream(Cursor(octets[position:]), from_client, conversation)
        position += message.length
        if not isinstance(message, PassedOver):
            found.append(message)
    return found


def test_messages_of_the_standard():
    (plain,) = read(HELLO)
    (masked,) = read(MASKED_HELLO, from_client=True)

    assert (plain.opcode, plain.payload_octets, plain.is_masked, plain.length) == (1, 5, False, 7)
    assert (masked.opcode, masked.payload_octets, masked.is_masked, masked.length) == (1, 5, True, 11)
    assert unmasked(bytes.fromhex("7f9f4d5158"), bytes.fromhex("37fa213d")) == b"Hello"


def test_fragments_and_a_ping_between_them():  # RFC 6455 5.7: "Hel", "lo"
    ping = vector("websocket/websocket-ping")
    pinged, message = read(bytes.fromhex("010348656c") + ping + bytes.fromhex("80026c6f"))

    assert (pinged.opcode, pinged.payload_octets) == (9, 5)
    assert (message.opcode, message.payload_octets, message.frames) == (1, 5, 2)


def test_a_compressed_message_is_said_to_be_unread():
    (message,) = read(COMPRESSED_HELLO)

    assert (message.is_compressed, message.opcode, message.payload_octets, message.keys) == (True, 1, 7, ())


def test_what_a_text_message_holds():
    text = json.dumps(
        {
            "jsonrpc": "2.0",
            "id": 1,
            "method": "light.set",
            "params": {"on": True, "token": "abcdef0123456789"},
        }
    )
    (message,) = read(Peer(ConnectionType.CLIENT).send(TextMessage(data=text)), from_client=True)

    assert message.keys == ("jsonrpc", "id", "method", "params", "params.on", "params.token")
    assert (message.rpc.method, message.rpc.has_id, message.rpc.has_result) == ("light.set", True, False)
    (secret,) = message.secrets
    assert (secret.kind, secret.place, secret.field) == ("token", "websocket-json", "token")
    assert secret.secret.fingerprint(b"k") == Secret(b"abcdef0123456789").fingerprint(b"k")
    assert "abcdef" not in repr(message)


MESSAGES = st.one_of(
    st.builds(TextMessage, data=st.text(st.characters(codec="utf-8"), max_size=70_000)),
    st.builds(BytesMessage, data=st.binary(max_size=300)),
    st.builds(Ping, payload=st.binary(max_size=125)),
    st.builds(CloseConnection, code=st.integers(1000, 1003), reason=st.just("done")),
)


@given(message=MESSAGES, is_client=st.booleans(), is_final=st.booleans())
def test_reads_what_another_library_wrote(message, is_client, is_final):
    peer = Peer(ConnectionType.CLIENT if is_client else ConnectionType.SERVER)
    if not is_final and isinstance(message, TextMessage | BytesMessage):
        rest = type(message)(data=message.data)
        first = type(message)(data=message.data, message_finished=False)
        octets, expected = peer.send(first) + peer.send(rest), 2
    else:
        octets, expected = peer.send(message), 1

    (read_back,) = read(octets, from_client=is_client)

    payload = getattr(message, "data", None)
    if isinstance(payload, str):
        payload = payload.encode()
    if payload is not None:
        assert read_back.payload_octets == expected * len(payload)
        assert read_back.opcode == (1 if isinstance(message, TextMessage) else 2)
    elif isinstance(message, CloseConnection):
        assert (read_back.opcode, read_back.close_code) == (8, message.code)
    else:
        assert (read_back.opcode, read_back.payload_octets) == (9, len(message.payload))
    assert read_back.is_masked == is_client == bool(client_speaks(octets[:64]))


@pytest.mark.parametrize(
    ("octets", "field"),
    [
        pytest.param(b"\xb1\x00", "frame_header", id="reserved-bits"),
        pytest.param(b"\x83\x00", "frame_header", id="unknown-opcode"),
        pytest.param(b"\x09\x00", "frame_header", id="ping-in-parts"),
        pytest.param(b"\x89\x7e\x00\x7e" + bytes(126), "frame_header", id="long-ping"),
        pytest.param(b"\x81\x7e\x00\x05Hello", "extended_length", id="not-the-shortest-length"),
        pytest.param(b"\x82\x7f" + b"\xff" * 8, "extended_length", id="length-with-the-highest-bit"),
        pytest.param(b"\x01\x01a\x81\x01b", "frame_header", id="a-message-inside-another"),
        pytest.param(b"\x01\x01a\xc0\x01b", "frame_header", id="compressed-continuation"),
    ],
)
def test_error_names_the_field(octets, field):
    with pytest.raises(MalformedError) as info:
        read(octets)

    assert info.value.field == field


@pytest.mark.parametrize(
    "octets", [HELLO, MASKED_HELLO, COMPRESSED_HELLO[:2], b"\x81\x7e\x01\x00" + bytes(256)]
)
def test_every_truncation_is_reported(octets):
    shortest = 1 if octets == COMPRESSED_HELLO[:2] else len(octets)
    for length in range(shortest):
        with pytest.raises(TruncatedError):
            parse_stream(Cursor(octets[:length]), False, Conversation())


def test_a_long_message_is_read_as_far_as_its_bound():
    text = b'{"on":true,' + b" " * 100_000 + b'"late":1}'
    frame = b"\x81\x7f" + len(text).to_bytes(8, "big") + text
    message = parse_stream(Cursor(frame[: MAX_MESSAGE_KEPT + 10]), False, Conversation())

    assert (message.keys, message.payload_octets, message.length) == (("on",), len(text), len(frame))


@given(octets=damaged(HELLO, MASKED_HELLO, COMPRESSED_HELLO, b'\x81\x0b{"on":true}'))
def test_any_octets_give_a_message_or_an_error(octets):
    assert_messages_or_error(parse_stream, octets)


def run(connection):
    return dispatch(connection.packets, Dispatcher(DISSECTORS, strict=True))


def test_an_upgrade_hands_the_stream_over():
    client, server = Peer(ConnectionType.CLIENT), Peer(ConnectionType.SERVER)
    connection = Connection(server_port=8765).open().client(UPGRADE).server(SWITCH)
    connection.client(client.send(TextMessage(data='{"on": true}')))
    connection.server(server.send(TextMessage(data='{"state": {"on": true}}')))
    connection.server(server.send(CloseConnection(code=1000)))
    items = run(connection.client(client.send(CloseConnection(code=1000))).close())

    assert [item.protocol for item in items] == ["http"] * 2 + ["websocket"] * 4
    request, response, order, state, *closes = [item.message for item in items]
    assert (request.upgrade, request.is_cross_origin) == ("websocket", True)
    assert request.subprotocols == ("chat", "superchat")
    assert (response.upgrade, response.accepts_websocket, response.subprotocol) == ("websocket", True, "chat")
    assert (order.keys, order.from_client) == (("on",), True)
    assert (state.keys, state.from_client) == (("state", "state.on"), False)
    assert [close.close_code for close in closes] == [1000, 1000]
    assert all(
        isinstance(one, HttpRequest | HttpResponse | WebSocketMessage) for one in (request, response, order)
    )


def test_frames_in_the_segment_of_the_answer():
    items = run(Connection().open().client(UPGRADE).server(SWITCH + HELLO + HELLO).close())

    assert [item.protocol for item in items] == ["http", "http", "websocket", "websocket"]


def test_compression_that_was_agreed_upon():
    deflate = PerMessageDeflate()
    deflate._enabled = True
    peer = Peer(ConnectionType.SERVER, extensions=[deflate])
    (message,) = read(peer.send(TextMessage(data='{"on": true}' * 20)))

    assert message.is_compressed
    assert message.keys == ()


def test_reading_goes_on_behind_a_loss():
    connection = Connection().open().client(UPGRADE).server(SWITCH).server(HELLO)
    connection.server(b"\x82\x05abcde")
    lost = connection.packets.pop()
    connection.client(MASKED_HELLO).server(b'\x81\x0b{"on":true}').server(HELLO)
    items = run(connection.close())

    messages = [item.message for item in items if not isinstance(item, Issue)]
    assert lost.payload
    assert [message.payload_octets for message in messages[2:]] == [5, 5, 11, 5]


def test_a_standing_conversation_is_found_by_a_text_of_json():
    client = Peer(ConnectionType.CLIENT)
    connection = Connection(server_port=9000)
    connection.server(b'\x81\x0b{"on":true}').client(client.send(TextMessage(data='{"on": false}')))
    items = run(connection)

    assert [(item.protocol, item.message.from_client) for item in items] == [
        ("websocket", False),
        ("websocket", True),
    ]
    assert items[0].destination.port == 49_152


def test_beginnings():
    assert looks_like(b'\x81\x0b{"on":true}')
    assert looks_like(b'\x81\x7e\x01\x00{"on":true, "text": "' + b"x" * 80)
    assert not looks_like(HELLO)  # any text: too little to claim a conversation
    assert continues(HELLO)
    assert not continues(HELLO + b"more")
