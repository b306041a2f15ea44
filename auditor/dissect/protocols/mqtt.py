"""
MQTT control packets: CONNECT.

Standards: MQTT Version 3.1.1 and Version 5.0 (OASIS Standards, 29 October 2014
           and 7 March 2019); section numbers are those of 3.1.1 unless marked.
Reads:     one direction of a TCP stream, from its first octet.
Keeps:     user name and password as ``Secret``; of the will only that there was one.
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.dissect.message import Message
from auditor.errors import LimitError, MalformedError
from auditor.secret import Secret
from auditor.wire import Cursor

TRANSPORT = "tcp"
PORTS = frozenset({1883})  # IANA service name: mqtt

CONNECT = 1  # 2.2.1 control packet type

# 3.1.2.1 and 3.1.2.2: the name that goes with each protocol level.  Level 3 is
# the version before the standard, still sent by small controllers.
NAMES = {3: "MQIsdp", 4: "MQTT", 5: "MQTT"}
LEVEL_WITH_PROPERTIES = 5

# 3.1.2.3 Connect Flags
USER_NAME = 0x80
PASSWORD = 0x40
WILL = 0x04
RESERVED = 0x01

# The standard allows 268 435 455.  No CONNECT needs more than five strings of
# 65 535 octets and two lists of properties, so a larger claim is not one.
MAX_REMAINING_LENGTH = 8 * (2 + 65_535)  # octets


@dataclass(frozen=True, slots=True, kw_only=True)
class Connect(Message):
    """A client asks to open a session (3.1)."""

    protocol_level: int
    """3 before the standard, 4 for version 3.1.1, 5 for version 5.0 (3.1.2.2)."""

    keep_alive: int
    """Seconds; 0 turns the mechanism off (3.1.2.10)."""

    client_identifier: str
    has_will: bool

    user_name: Secret | None
    """None: the packet carries no user name."""

    password: Secret | None
    """None: the packet carries no password."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConnectAcknowledgement(Message):
    """The server's answer (3.2)."""

    code: int
    """0 accepted; 3.1.1: 5 not authorised, 4 bad user name or password; 5.0: reason codes from 0x80 on."""
    session_present: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Publish(Message):
    """An application message (3.3); its payload is kept as its shape only."""

    topic: str
    """At most 256 characters."""
    payload_octets: int
    retain: bool
    payload_keys: tuple[str, ...]
    """Keys of a JSON object, as for HTTP bodies."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Subscribe(Message):
    """A subscription (3.8)."""

    topics: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherPacket(Message):
    """Any other control packet; kept so that a stream stays in step."""

    packet_type: int


def looks_like(head: bytes) -> bool:
    """Whether a stream that begins with ``head`` is worth parsing."""
    return len(head) >= 1 and head[0] == CONNECT << 4


def parse_connect(cursor: Cursor) -> Connect:
    """
    Parse one CONNECT packet.

    Raises:
        DecodeError: the octets are not a CONNECT packet of level 3, 4 or 5.
    """
    start = cursor.offset
    if cursor.uint(1, "fixed_header") != CONNECT << 4:
        raise MalformedError("fixed_header", start, "not a CONNECT packet")
    length_at = cursor.offset
    length = _variable_integer(cursor, "remaining_length")
    if length > MAX_REMAINING_LENGTH:
        raise LimitError("remaining_length", length_at, f"{length} > {MAX_REMAINING_LENGTH}")
    body = cursor.block(length, "connect")

    level = _protocol_level(body)
    flags_at = body.offset
    flags = body.uint(1, "connect_flags")
    if flags & RESERVED:
        raise MalformedError("connect_flags", flags_at, "reserved bit is set [MQTT-3.1.2-3]")
    keep_alive = body.uint(2, "keep_alive")
    if level == LEVEL_WITH_PROPERTIES:
        _skip_properties(body, "properties")

    client_identifier = _string(body, "client_identifier")
    if flags & WILL:
        if level == LEVEL_WITH_PROPERTIES:
            _skip_properties(body, "will_properties")
        _string(body, "will_topic")
        _binary(body, "will_payload")
    user_name = Secret(_binary(body, "user_name")) if flags & USER_NAME else None
    password = Secret(_binary(body, "password")) if flags & PASSWORD else None
    body.finish("connect")

    return Connect(
        length=cursor.offset - start,
        protocol_level=level,
        keep_alive=keep_alive,
        client_identifier=client_identifier,
        has_will=bool(flags & WILL),
        user_name=user_name,
        password=password,
    )


def _protocol_level(cursor: Cursor) -> int:
    """Read the protocol name and the level, which must belong together."""
    name_at = cursor.offset
    name = _string(cursor, "protocol_name")
    if name not in NAMES.values():
        raise MalformedError("protocol_name", name_at, f"{name!r}")
    level_at = cursor.offset
    level = cursor.uint(1, "protocol_level")
    if NAMES.get(level) != name:
        raise MalformedError("protocol_level", level_at, f"{level} with {name!r}")
    return level


def _skip_properties(cursor: Cursor, field: str) -> None:
    """Pass over a property list (version 5.0, 2.2.2): none says who may do what."""
    cursor.block(_variable_integer(cursor, field), field)


def _variable_integer(cursor: Cursor, field: str) -> int:
    """Read a length of one to four octets (2.2.3)."""
    start, value = cursor.offset, 0
    for shift in (0, 7, 14, 21):
        octet = cursor.uint(1, field)
        value |= (octet & 0x7F) << shift
        if not octet & 0x80:
            return value
    raise MalformedError(field, start, "more than four octets")


def _binary(cursor: Cursor, field: str) -> bytes:
    """Read octets with a two-octet length (3.1.3.5)."""
    return cursor.take(cursor.uint(2, field), field)


def _string(cursor: Cursor, field: str) -> str:
    """Read a UTF-8 string with a two-octet length (1.5.3)."""
    start = cursor.offset
    try:
        return _binary(cursor, field).decode("utf-8")
    except UnicodeDecodeError:
        raise MalformedError(field, start, "not UTF-8 [MQTT-1.5.3-1]") from None
