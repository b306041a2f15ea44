"""
SMB: which versions are negotiated for file sharing; nothing behind the negotiation is read.

Standards: RFC 1002 section 4.3.1 (session packets); the published documents of SMB version 2, sections
           2.1, 2.2.1, 2.2.3 and 2.2.4, and of version 1, section 2.2.3.1 (both from memory).
Reads:     the first messages of a TCP stream whose opening was recorded.
Keeps:     versions offered and chosen, whether messages must be signed.
"""

from __future__ import annotations

from auditor.dissect.message import Message, PassedOver
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.syntax.printable import printable
from auditor.errors import LimitError, MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({139, 445})  # IANA service names: netbios-ssn, microsoft-ds
SESSION_MESSAGE, SESSION_REQUEST, SESSION_POSITIVE = 0x00, 0x81, 0x82  # RFC 1002 4.3.1
VERSION_1, VERSION_2, ENCRYPTED, COMPRESSED = b"\xffSMB", b"\xfeSMB", b"\xfdSMB", b"\xfcSMB"
NEGOTIATE_1, NEGOTIATE_2 = 0x72, 0
IS_RESPONSE_1, IS_RESPONSE_2 = 0x80, 1
SIGNING_REQUIRED = 2
HEADER_1_OCTETS, HEADER_2_OCTETS = 32, 64
MAX_NEGOTIATION_OCTETS = 16_384  # an offer with its contexts has some 300, an answer with a token some 2 000
MAX_DIALECTS = 32  # version 1 knows about 10, version 2 and 3 five


@value_class
class SmbNegotiation(Message):
    """A request or a response of the negotiation."""

    is_response: bool
    version: int
    """Of the header: 1, or 2 for versions 2 and 3."""
    dialects: tuple[str, ...]
    """Offered (request) or chosen (response): ``0x0311`` is 3.1.1; names of version 1 as sent."""
    requires_signing: bool | None
    """None: version 1, or not told."""


def looks_like(head: bytes) -> bool:
    """Whether a stream begins with a message of any version, or a session request of RFC 1002."""
    if head[:1] == bytes([SESSION_MESSAGE]):
        return head[4:8] in (VERSION_1, VERSION_2, ENCRYPTED, COMPRESSED)
    return head[:2] == bytes([SESSION_REQUEST, 0]) and head[2:5] == b"\x00\x44\x20"  # two names of 34 octets


def client_speaks(head: bytes) -> bool | None:
    """Whether the flag of responses is not set."""
    if head[4:8] == VERSION_2 and len(head) > 20:
        return not head[20] & IS_RESPONSE_2
    if head[4:8] == VERSION_1 and len(head) > 13:
        return not head[13] & IS_RESPONSE_1
    return True if head[:1] == bytes([SESSION_REQUEST]) else None


def parse_stream(cursor: Cursor, _from_client: bool, conversation: Conversation) -> Message:
    """
    Parse the next session packet; the response to the negotiation ends the reading.

    Raises:
        TruncatedError: it is not there yet.
        DecodeError: no session packet, or no message of SMB inside.
    """
    start = cursor.offset
    kind = cursor.uint(1, "session_packet_type")
    size = cursor.uint(3, "session_packet_length")
    if kind in (SESSION_REQUEST, SESSION_POSITIVE):
        return PassedOver(length=4 + (size & 0x1FFFF))  # RFC 1002: 17 bits
    if kind != SESSION_MESSAGE:
        raise MalformedError("session_packet_type", start, f"0x{kind:02x}")
    mark = cursor.take(4, "protocol_identifier")
    if mark in (ENCRYPTED, COMPRESSED):
        conversation.finished = True
        return PassedOver(length=4 + size)
    if mark not in (VERSION_1, VERSION_2):
        raise MalformedError("protocol_identifier", start + 4, "neither version 1 nor 2")
    if size > MAX_NEGOTIATION_OCTETS:
        raise LimitError("session_packet_length", start + 1, f"{size} > {MAX_NEGOTIATION_OCTETS}")
    if size < 4:
        raise MalformedError("session_packet_length", start + 1, f"{size}")
    body = cursor.block(size - 4, "message")
    read = _version_1 if mark == VERSION_1 else _version_2
    message = read(body, 4 + size)
    if message is None or message.is_response:
        conversation.finished = True
    return message if message is not None else PassedOver(length=4 + size)


def _version_1(body: Cursor, length: int) -> SmbNegotiation | None:
    if body.uint(1, "command") != NEGOTIATE_1:
        return None
    body.uint(4, "status")
    is_response = bool(body.uint(1, "flags") & IS_RESPONSE_1)
    body.take(HEADER_1_OCTETS - 10, "header")
    words = body.block(body.uint(1, "word_count") * 2, "words")
    if is_response:
        chosen = words.take(2, "dialect_index")[::-1] if words.remaining else b""
        dialects = (f"index {int.from_bytes(chosen, 'big')}",) if chosen else ()
        return SmbNegotiation(
            length=length, is_response=True, version=1, dialects=dialects, requires_signing=None
        )
    octets = body.take(body.remaining, "dialects")[2:]
    names = tuple(
        printable(name.removeprefix(b"\x02"))
        for name in octets.split(b"\0", MAX_DIALECTS)[:MAX_DIALECTS]
        if name
    )
    return SmbNegotiation(length=length, is_response=False, version=1, dialects=names, requires_signing=None)


def _version_2(body: Cursor, length: int) -> SmbNegotiation | None:
    body.take(8, "header")  # size of the header, credit charge, status
    command = _little(body, 2, "command")
    body.uint(2, "credits")
    is_response = bool(_little(body, 4, "flags") & IS_RESPONSE_2)
    body.take(HEADER_2_OCTETS - 20, "header")
    if command != NEGOTIATE_2:
        return None
    body.uint(2, "structure_size")
    if is_response:
        required = bool(_little(body, 2, "security_mode") & SIGNING_REQUIRED)
        dialects: tuple[str, ...] = (f"0x{_little(body, 2, 'dialect_revision'):04x}",)
    else:
        count = min(_little(body, 2, "dialect_count"), MAX_DIALECTS)
        required = bool(_little(body, 2, "security_mode") & SIGNING_REQUIRED)
        body.take(30, "client_identifier")  # reserved, capabilities, GUID, contexts
        dialects = tuple(f"0x{_little(body, 2, 'dialects'):04x}" for _ in range(count))
    return SmbNegotiation(
        length=length, is_response=is_response, version=2, dialects=dialects, requires_signing=required
    )


def _little(body: Cursor, size: int, field: str) -> int:
    return int.from_bytes(body.take(size, field), "little")


DISSECTOR = Dissector(
    name="smb",
    transport="tcp",
    ports=PORTS,
    looks_like=looks_like,
    parse_stream=parse_stream,
    client_speaks=client_speaks,
    needs_opening=True,
)
