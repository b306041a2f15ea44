"""
MQTT control packets.

Standards: MQTT Version 3.1.1 and Version 5.0 (OASIS Standards, 29 October 2014
           and 7 March 2019); section numbers are those of 3.1.1 unless marked.
Reads:     one direction of a TCP stream.
Keeps:     user name and password as ``Secret``; of the will its topic; of a payload its keys.
"""

from __future__ import annotations

from auditor.dissect.message import Message
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.dissect.syntax.json_shape import json_keys
from auditor.dissect.syntax.mqtt_beginning import (
    begins_as_acknowledgement,
    begins_as_connect,
    begins_as_publish,
)
from auditor.dissect.syntax.mqtt_fields import (
    AUTHENTICATION_METHOD,
    binary,
    properties,
    string,
    variable_integer,
)
from auditor.dissect.syntax.printable import printable
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.secret import Secret
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({1883})  # IANA service name: mqtt

# 2.2.1 control packet types
CONNECT = 1
CONNACK = 2
PUBLISH = 3
PUBREL = 6
SUBSCRIBE = 8
SUBACK = 9
UNSUBSCRIBE = 10
UNSUBACK = 11
PINGREQ = 12
PINGRESP = 13
DISCONNECT = 14
AUTH = 15  # 5.0 section 3.15
READ = frozenset({CONNECT, CONNACK, PUBLISH, SUBSCRIBE, SUBACK, DISCONNECT, AUTH})  # others are passed by
FROM_CLIENT = frozenset({CONNECT, SUBSCRIBE, UNSUBSCRIBE, PINGREQ})
FROM_SERVER = frozenset({CONNACK, SUBACK, UNSUBACK, PINGRESP})
FLAGS = {PUBREL: 2, SUBSCRIBE: 2, UNSUBSCRIBE: 2}  # 2.2.2: all others but PUBLISH have none

# 3.1.2.1 and 3.1.2.2: the name that goes with each protocol level.  Level 3 is
# the version before the standard, still sent by small controllers.
NAMES = {3: "MQIsdp", 4: "MQTT", 5: "MQTT"}
LEVEL_ASSUMED = 4
LEVEL_WITH_PROPERTIES = 5

# 3.1.2.3 Connect Flags
USER_NAME = 0x80
PASSWORD = 0x40
WILL = 0x04
RESERVED = 0x01

SESSION_PRESENT = 0x01  # 3.2.2.2
# 3.2.2.3: 4, 5; 5.0 section 3.2.2.2: bad user name or password, not authorized, banned, bad method
LOGIN_REFUSALS = frozenset({4, 5, 0x86, 0x87, 0x8A, 0x8C})
RETAIN = 0x01  # 3.3.1.3

# The standard allows 268 435 455.  No CONNECT needs more than five strings of
# 65 535 octets and two lists of properties, so a larger claim is not one.
MAX_REMAINING_LENGTH = 8 * (2 + 65_535)  # octets

MAX_PUBLISH_READ = 16_384  # octets of a payload: a state of a light has some hundred; the rest is passed over
MAX_TOPIC_CHARACTERS = 256  # kept; a longer one is data, not a name
MAX_TOPICS = 256  # kept of one SUBSCRIBE


@value_class
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

    authentication_method: str | None = None
    """5.0, 3.1.2.11.9: a login in further packets, with or without user name and password."""

    will_topic: str | None = None
    """What the server publishes when the client is gone (3.1.3.2); at most 256 characters."""


@value_class
class ConnectAcknowledgement(Message):
    """The server's answer (3.2)."""

    code: int
    """0 accepted; 3.1.1: 5 not authorised, 4 bad user name or password; 5.0: reason codes from 0x80 on."""
    session_present: bool
    authentication_method: str | None = None
    """5.0, 3.2.2.3.17."""

    @property
    def is_login_refused(self) -> bool:
        """Whether the login, or its absence, was the reason (3.1.1 table 3.1; 5.0 section 3.2.2.2)."""
        return self.code in LOGIN_REFUSALS


@value_class
class Publish(Message):
    """An application message (3.3); its payload is kept as its shape only."""

    topic: str
    """At most 256 characters."""
    payload_octets: int
    retain: bool
    payload_keys: tuple[str, ...]
    """Keys of a JSON object, as for HTTP bodies."""
    secrets: tuple[SightedSecret, ...] = ()
    """Values in the JSON payload under names of secrets."""


@value_class
class Subscribe(Message):
    """A subscription (3.8)."""

    topics: tuple[str, ...]
    """Each at most 256 characters; at most 256 of them."""
    has_more_topics: bool = False


@value_class
class OtherPacket(Message):
    """Any other control packet; kept so that a stream stays in step."""

    packet_type: int


@value_class
class SubscribeAcknowledgement(Message):
    """The server's answer to a subscription (3.9)."""

    codes: tuple[int, ...]
    """One for each topic: 0 to 2 granted, from 0x80 on refused (5.0: 0x87 not authorised)."""


@value_class
class Disconnect(Message):
    """One side ends the session (3.14)."""

    code: int
    """5.0 reason code; 0 where there is none."""


@value_class
class Authentication(Message):
    """A step of a login in several packets (5.0, 3.15)."""

    code: int
    """0 success, 0x18 continue, 0x19 again."""
    method: str | None


def looks_like(head: bytes) -> bool:
    """
    Whether a stream that begins with ``head`` is worth parsing.

    A conversation begins with CONNECT, and its answer with CONNACK; one whose
    opening was not recorded is told by a PUBLISH that fits its length, or by a
    PINGREQ or PINGRESP alone in its segment.
    """
    if len(head) < 2:
        return False
    first = head[0]
    if first == CONNECT << 4:
        return begins_as_connect(head)
    if first == CONNACK << 4:
        return begins_as_acknowledgement(head)
    if first >> 4 == PUBLISH:
        return begins_as_publish(head)
    return head in (bytes([PINGREQ << 4, 0]), bytes([PINGRESP << 4, 0]))


def client_speaks(head: bytes) -> bool | None:
    """Whether such a beginning comes from a client; either side may publish."""
    packet_type = head[0] >> 4 if head else PUBLISH
    if packet_type in FROM_CLIENT:
        return True
    return False if packet_type in FROM_SERVER else None


def parse_stream(cursor: Cursor, _from_client: bool, conversation: Conversation) -> Message:
    """
    Parse the next control packet; ``conversation`` remembers the protocol level.

    Of a stream whose CONNECT was not recorded, version 3.1.1 is assumed.

    Raises:
        TruncatedError: the packet is not there as far as it is read.
        DecodeError: it is no packet of a version that we know.
    """
    start = cursor.offset
    first = cursor.uint(1, "fixed_header")
    packet_type, flags = first >> 4, first & 0x0F
    if packet_type == 0 or (packet_type != PUBLISH and flags != FLAGS.get(packet_type, 0)):
        raise MalformedError("fixed_header", start, f"type {packet_type} with flags {flags} [MQTT-2.2.2-2]")
    length_at = cursor.offset
    remaining = variable_integer(cursor, "remaining_length")
    length = cursor.offset - start + remaining
    level = conversation.memory or LEVEL_ASSUMED
    if packet_type == PUBLISH:
        if remaining > MAX_PUBLISH_READ or conversation.ended:
            return _publish(cursor, flags, level, length, cursor.offset + remaining)
    elif remaining > MAX_REMAINING_LENGTH:
        raise LimitError("remaining_length", length_at, f"{remaining} > {MAX_REMAINING_LENGTH}")
    if packet_type not in READ:
        return OtherPacket(length=length, packet_type=packet_type)
    body = cursor.block(remaining, "packet")
    try:
        if packet_type == PUBLISH:
            return _publish(body, flags, level, length, body.offset + remaining)
        if packet_type == SUBSCRIBE:
            return _subscribe(body, level, length)
        if packet_type == CONNACK:
            return _connect_acknowledgement(body, length)
        if packet_type == SUBACK:
            return _subscribe_acknowledgement(body, level, length)
        if packet_type in (DISCONNECT, AUTH):
            return _reason(body, packet_type, length)
        connect = _connect(body, length)
    except TruncatedError as error:
        # The whole packet is here: waiting for more octets would not help.
        raise MalformedError(error.field, error.offset, "runs past its packet") from None
    conversation.memory = connect.protocol_level
    return connect


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
    length = variable_integer(cursor, "remaining_length")
    if length > MAX_REMAINING_LENGTH:
        raise LimitError("remaining_length", length_at, f"{length} > {MAX_REMAINING_LENGTH}")
    return _connect(cursor.block(length, "connect"), cursor.offset - start)


def _connect(body: Cursor, length: int) -> Connect:
    level = _protocol_level(body)
    flags_at = body.offset
    flags = body.uint(1, "connect_flags")
    if flags & RESERVED:
        raise MalformedError("connect_flags", flags_at, "reserved bit is set [MQTT-3.1.2-3]")
    keep_alive = body.uint(2, "keep_alive")
    held = properties(body, "properties") if level == LEVEL_WITH_PROPERTIES else {}

    client_identifier = string(body, "client_identifier")
    will_topic = None
    if flags & WILL:
        if level == LEVEL_WITH_PROPERTIES:
            properties(body, "will_properties")
        will_topic = string(body, "will_topic")[:MAX_TOPIC_CHARACTERS]
        binary(body, "will_payload")
    user_name = Secret(binary(body, "user_name")) if flags & USER_NAME else None
    password = Secret(binary(body, "password")) if flags & PASSWORD else None
    body.finish("connect")

    return Connect(
        length=length,
        protocol_level=level,
        keep_alive=keep_alive,
        client_identifier=client_identifier,
        has_will=bool(flags & WILL),
        user_name=user_name,
        password=password,
        authentication_method=_method(held),
        will_topic=will_topic,
    )


def _connect_acknowledgement(body: Cursor, length: int) -> ConnectAcknowledgement:
    """Read 3.2; an answer longer than two octets has the properties of version 5.0."""
    flags = body.uint(1, "acknowledge_flags")
    code = body.uint(1, "return_code")
    held = properties(body, "properties") if body.remaining else {}
    return ConnectAcknowledgement(
        length=length,
        code=code,
        session_present=bool(flags & SESSION_PRESENT),
        authentication_method=_method(held),
    )


def _subscribe_acknowledgement(body: Cursor, level: int, length: int) -> SubscribeAcknowledgement:
    body.uint(2, "packet_identifier")
    if level == LEVEL_WITH_PROPERTIES:
        properties(body, "properties")
    return SubscribeAcknowledgement(
        length=length, codes=tuple(body.take(body.remaining, "codes")[:MAX_TOPICS])
    )


def _reason(body: Cursor, packet_type: int, length: int) -> Disconnect | Authentication:
    """Read 3.14 or 3.15 of version 5.0, where what is 0 at the end may be left out."""
    code = body.uint(1, "reason_code") if body.remaining else 0
    held = properties(body, "properties") if body.remaining else {}
    if packet_type == DISCONNECT:
        return Disconnect(length=length, code=code)
    return Authentication(length=length, code=code, method=_method(held))


def _method(held: dict[int, bytes]) -> str | None:
    method = held.get(AUTHENTICATION_METHOD)
    return printable(method) if method is not None else None


def _publish(body: Cursor, flags: int, level: int, length: int, end: int) -> Publish:
    """Read 3.3 up to the part of the payload whose keys are asked for; the packet ends at octet ``end``."""
    quality = flags >> 1 & 3
    if quality == 3:
        raise MalformedError("fixed_header", body.offset, "quality of service 3 [MQTT-3.3.1-4]")
    topic = string(body, "topic_name")
    if quality:
        body.uint(2, "packet_identifier")
    if level == LEVEL_WITH_PROPERTIES:
        properties(body, "properties")
    payload_octets = end - body.offset
    if payload_octets < 0:
        raise MalformedError("topic_name", body.offset, "runs past its packet")
    payload = body.take(min(payload_octets, MAX_PUBLISH_READ, body.remaining), "payload")
    keys, secrets = json_keys(payload, place="mqtt-publish")
    return Publish(
        length=length,
        topic=topic[:MAX_TOPIC_CHARACTERS],
        payload_octets=payload_octets,
        retain=bool(flags & RETAIN),
        payload_keys=keys,
        secrets=secrets,
    )


def _subscribe(body: Cursor, level: int, length: int) -> Subscribe:
    """Read 3.8 up to the filters that are kept."""
    body.uint(2, "packet_identifier")
    if level == LEVEL_WITH_PROPERTIES:
        properties(body, "properties")
    topics: list[str] = []
    while body.remaining and len(topics) < MAX_TOPICS:
        topic = string(body, "topic_filter")
        body.uint(1, "subscription_options")
        topics.append(topic[:MAX_TOPIC_CHARACTERS])
    if not topics:
        raise MalformedError("topic_filter", body.offset, "none [MQTT-3.8.3-3]")
    return Subscribe(length=length, topics=tuple(topics), has_more_topics=body.remaining > 0)


def _protocol_level(cursor: Cursor) -> int:
    """Read the protocol name and the level, which must belong together."""
    name_at = cursor.offset
    name = string(cursor, "protocol_name")
    if name not in NAMES.values():
        raise MalformedError("protocol_name", name_at, f"{name!r}")
    level_at = cursor.offset
    level = cursor.uint(1, "protocol_level")
    if NAMES.get(level) != name:
        raise MalformedError("protocol_level", level_at, f"{level} with {name!r}")
    return level


DISSECTOR = Dissector(
    name="mqtt",
    transport="tcp",
    ports=PORTS,
    looks_like=looks_like,
    parse_stream=parse_stream,
    client_speaks=client_speaks,
    beginnings=(bytes([CONNACK << 4, 2, 0, 0]),),
)
