"""
WebSocket frames and messages behind an HTTP upgrade.

Standards: RFC 6455 section 5 (framing), 7.4 (status codes), RFC 7692 section 6 (compressed messages: RSV1).
Reads:     both directions of a TCP stream, from the upgrade on, or where a text frame of JSON stands.
Keeps:     of a text message the shape of its JSON and sighted secrets; of any other its length.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from auditor.dissect.message import Message, PassedOver
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.dissect.syntax.json_rpc import RpcShape, begins_as_json, message_shape
from auditor.errors import MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

# RFC 6455 section 5.2
FINAL, COMPRESSED, RESERVED, OPCODE = 0x80, 0x40, 0x30, 0x0F
MASKED, LENGTH = 0x80, 0x7F
LENGTH_16, LENGTH_64 = 126, 127
CONTINUATION, TEXT, BINARY, CLOSE, PING, PONG = 0, 1, 2, 8, 9, 10
OPCODES = frozenset({CONTINUATION, TEXT, BINARY, CLOSE, PING, PONG})
CONTROL = 0x08
MASK_OCTETS = 4
MAX_CONTROL_OCTETS = 125  # section 5.5

MAX_MESSAGE_KEPT = 16_384  # octets of a text message whose names are asked for, as of an HTTP body
MAX_HEAD = 64  # octets that ``looks_like`` is given at most


@value_class
class WebSocketMessage(Message):
    """A message, handed on with its last frame, or a control frame."""

    opcode: int
    """1 text, 2 binary, 8 close, 9 ping, 10 pong; 0 where the first frame was not recorded."""
    from_client: bool
    payload_octets: int
    """Of all frames; on the wire, where it is compressed."""
    frames: int
    keys: tuple[str, ...]
    """Names in a JSON text as for HTTP bodies; none where it is compressed or no JSON."""
    secrets: tuple[SightedSecret, ...]
    rpc: RpcShape | None
    is_compressed: bool
    """RFC 7692: its content was not read."""
    is_masked: bool
    """As RFC 6455 5.1 demands of clients and forbids servers."""
    close_code: int | None
    """Status code of a close frame (7.4)."""


@dataclass(slots=True)
class _Fragments:
    """The message of one direction that is not whole yet."""

    opcode: int = CONTINUATION
    is_compressed: bool = False
    frames: int = 0
    octets: int = 0
    kept: bytearray = field(default_factory=bytearray)


def looks_like(head: bytes) -> bool:
    """
    Whether a stream whose upgrade was not recorded is worth parsing.

    Only a whole text message that begins like JSON tells enough about itself.
    """
    if len(head) < 2 or head[0] != FINAL | TEXT:
        return False
    start, length = 2, head[1] & LENGTH
    if length == LENGTH_16:
        start, length = 4, int.from_bytes(head[2:4], "big")
        if length < LENGTH_16:
            return False
    elif length == LENGTH_64:
        return False
    mask = b""
    if head[1] & MASKED:
        mask = head[start : start + MASK_OCTETS]
        start += MASK_OCTETS
    shown = head[start : start + length]
    if len(shown) < length and len(head) < MAX_HEAD:
        return False
    return begins_as_json(unmasked(shown, mask))


def continues(head: bytes) -> bool:
    """Whether a frame can begin so: reading goes on here behind a loss."""
    if len(head) < 2 or head[0] & (RESERVED | COMPRESSED) or head[0] & OPCODE not in OPCODES:
        return False
    if looks_like(head):
        return True
    length = (head[1] & LENGTH) + 2 + (MASK_OCTETS if head[1] & MASKED else 0)
    return head[1] & LENGTH < LENGTH_16 and length == len(head) < MAX_HEAD


def client_speaks(head: bytes) -> bool | None:
    """Clients mask their frames, servers do not (RFC 6455 5.1)."""
    return bool(head[1] & MASKED) if len(head) > 1 else None


def unmasked(octets: bytes, mask: bytes) -> bytes:
    """Take the mask of a frame off (RFC 6455 5.3); an empty mask changes nothing."""
    if not octets or len(mask) < MASK_OCTETS:
        return octets
    repeated = (mask * (len(octets) // MASK_OCTETS + 1))[: len(octets)]
    return (int.from_bytes(octets, "big") ^ int.from_bytes(repeated, "big")).to_bytes(len(octets), "big")


def parse_stream(cursor: Cursor, from_client: bool, conversation: Conversation) -> Message:
    """
    Parse the next frame of one direction.

    Raises:
        TruncatedError: the frame is not there as far as it is read.
        DecodeError: a reserved bit, an unknown opcode or a length that the standard forbids.
    """
    if not isinstance(conversation.memory, dict):
        conversation.memory = {True: _Fragments(), False: _Fragments()}
    if conversation.is_resumed:
        conversation.memory[from_client] = _Fragments()
    start = cursor.offset
    first, second = cursor.uint(1, "frame_header"), cursor.uint(1, "frame_length")
    opcode, is_final = first & OPCODE, bool(first & FINAL)
    if first & RESERVED or opcode not in OPCODES:
        raise MalformedError("frame_header", start, f"0x{first:02x}: a reserved bit or opcode")
    size = _payload_length(cursor, second)
    mask = cursor.take(MASK_OCTETS, "masking_key") if second & MASKED else b""
    length = cursor.offset - start + size
    if opcode & CONTROL:
        if not is_final or size > MAX_CONTROL_OCTETS or first & COMPRESSED:
            raise MalformedError("frame_header", start, "a control frame in parts, or longer than 125 octets")
        payload = unmasked(cursor.take(size, "payload"), mask)
        return _control(opcode, payload, length, from_client, bool(mask), conversation)
    fragments = _begun(conversation.memory, from_client, opcode, first, start)
    wanted = size
    if fragments.opcode != TEXT or fragments.is_compressed:
        wanted = 0
    wanted = min(wanted, MAX_MESSAGE_KEPT - len(fragments.kept))
    there = min(wanted, cursor.remaining) if conversation.ended else wanted
    payload = unmasked(cursor.take(there, "payload"), mask)
    fragments.frames += 1
    fragments.octets += size
    fragments.kept += payload
    if not is_final:
        return PassedOver(length=length)
    conversation.memory[from_client] = _Fragments()
    keys, secrets, rpc = message_shape(bytes(fragments.kept), "websocket-json")
    return WebSocketMessage(
        length=length,
        opcode=fragments.opcode,
        from_client=from_client,
        payload_octets=fragments.octets,
        frames=fragments.frames,
        keys=keys,
        secrets=secrets,
        rpc=rpc,
        is_compressed=fragments.is_compressed,
        is_masked=bool(mask),
        close_code=None,
    )


def _payload_length(cursor: Cursor, second: int) -> int:
    """Read the extended length, which must be the shortest form (RFC 6455 5.2)."""
    at, size = cursor.offset, second & LENGTH
    if size == LENGTH_16:
        size = cursor.uint(2, "extended_length")
        if size < LENGTH_16:
            raise MalformedError("extended_length", at, f"{size} in two octets")
    elif size == LENGTH_64:
        size = cursor.uint(8, "extended_length")
        if not 1 << 16 <= size < 1 << 63:
            raise MalformedError("extended_length", at, f"{size} in eight octets")
    return size


def _begun(
    memory: dict[bool, _Fragments], from_client: bool, opcode: int, first: int, start: int
) -> _Fragments:
    """The message that a data frame begins or goes on with (RFC 6455 5.4)."""
    fragments = memory[from_client]
    if opcode == CONTINUATION:
        if first & COMPRESSED:
            raise MalformedError("frame_header", start, "RSV1 on a continuation")  # RFC 7692 6.1
        return fragments
    if fragments.frames:
        raise MalformedError("frame_header", start, "a new message inside another")
    fragments.opcode = opcode
    fragments.is_compressed = bool(first & COMPRESSED)
    return fragments


def _control(
    opcode: int, payload: bytes, length: int, from_client: bool, is_masked: bool, conversation: Conversation
) -> WebSocketMessage:
    """Close, ping or pong; nothing of a payload is kept but the status code."""
    code = int.from_bytes(payload[:2], "big") if opcode == CLOSE and len(payload) > 1 else None
    if opcode == CLOSE:  # section 5.5.1: nothing follows in this direction
        if from_client:
            conversation.client_finished = True
        else:
            conversation.server_finished = True
    return WebSocketMessage(
        length=length,
        opcode=opcode,
        from_client=from_client,
        payload_octets=len(payload),
        frames=1,
        keys=(),
        secrets=(),
        rpc=None,
        is_compressed=False,
        is_masked=is_masked,
        close_code=code,
    )


DISSECTOR = Dissector(
    name="websocket",
    transport="tcp",
    ports=frozenset(),
    looks_like=looks_like,
    continues=continues,
    parse_stream=parse_stream,
    client_speaks=client_speaks,
    # A whole text frame of at most 65 535 octets, masked or not.
    beginnings=tuple(
        bytes([FINAL | TEXT, size | masked]) for masked in (0, MASKED) for size in range(2, LENGTH_64)
    ),
)
