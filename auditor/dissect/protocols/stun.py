"""
STUN and TURN: asking a server outside what one's own address looks like, and having it relay.

Standards: RFC 8489 section 5 (message), 14 (attributes), RFC 8656 (TURN), RFC 8445 section 7.1 (ICE),
           RFC 7983 (what else stands beside it).
Reads:     UDP payload, and one direction of a TCP stream, on any port.
Keeps:     of addresses the kind and the family; that credentials are there, not which.

Messages of RFC 3489, which have no magic cookie, are not read: nothing tells
them from noise.
"""

from __future__ import annotations

from typing import Literal

from auditor.addresses import IPV4_MAPPED_PREFIX, Address, AddressKind, kind_of
from auditor.dissect.message import Message, PassedOver
from auditor.dissect.registry import Conversation, Dissector
from auditor.errors import LimitError, MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({3478})  # IANA service names: stun, turn (RFC 8489 section 18.6)

MAGIC_COOKIE = bytes.fromhex("2112a442")  # RFC 8489 section 5
HEADER_OCTETS = 20
MAX_ATTRIBUTES = 64  # of one message; agents send some ten
CHANNEL_DATA = range(0x4000, 0x5000)  # RFC 8656 12.4

MessageClass = Literal["request", "indication", "success", "error"]
_CLASSES: tuple[MessageClass, ...] = ("request", "indication", "success", "error")  # RFC 8489 section 5

METHODS = {  # RFC 8489 18.2, RFC 8656 section 17; RFC 6062 section 5 (TCP allocations, from memory)
    0x001: "binding",
    0x003: "allocate",
    0x004: "refresh",
    0x006: "send",
    0x007: "data",
    0x008: "create-permission",
    0x009: "channel-bind",
    0x00A: "connect",
    0x00B: "connection-bind",
    0x00C: "connection-attempt",
}

# RFC 8489 18.3, RFC 8656 section 18, RFC 8445 section 16
MAPPED_ADDRESS, XOR_MAPPED_ADDRESS, XOR_RELAYED_ADDRESS = 0x0001, 0x0020, 0x0016
USERNAME, MESSAGE_INTEGRITY, MESSAGE_INTEGRITY_SHA256, USERHASH = 0x0006, 0x0008, 0x001C, 0x001E
ERROR_CODE, LIFETIME, SOFTWARE = 0x0009, 0x000D, 0x8022
PRIORITY, USE_CANDIDATE, ICE_CONTROLLED, ICE_CONTROLLING = 0x0024, 0x0025, 0x8029, 0x802A

_CREDENTIALS = frozenset({USERNAME, MESSAGE_INTEGRITY, MESSAGE_INTEGRITY_SHA256, USERHASH})
_CHECKS = frozenset({PRIORITY, USE_CANDIDATE, ICE_CONTROLLED, ICE_CONTROLLING})


@value_class
class StunMessage(Message):
    """One message (RFC 8489 section 5)."""

    method: str
    """As ``METHODS`` name it; another one in hexadecimal."""
    message_class: MessageClass
    has_credentials: bool
    """A user name (or its hash) or a proof of knowing a password is in it."""
    has_software: bool
    """The sender names its software."""
    mapped_family: Literal["ipv4", "ipv6"] | None
    """Of an answer: the address that the server saw the client under."""
    mapped_kind: AddressKind | None
    relayed_kind: AddressKind | None
    """Of an answer to ``allocate``: where the relay listens for the client."""
    error_code: int | None
    """300 to 699: 401 unauthenticated, 403 forbidden, 437 allocation mismatch …"""
    lifetime_seconds: int | None
    """Of an allocation; 0 ends it."""
    is_connectivity_check: bool
    """One of two peers looks for a way to the other (RFC 8445): that peer may be inside the home."""


def looks_like(head: bytes) -> bool:
    """Whether a datagram or a stream begins with a header and its cookie."""
    return len(head) >= HEADER_OCTETS and head[4:8] == MAGIC_COOKIE and head[0] < 0x40 and not head[3] & 3


def client_speaks(head: bytes) -> bool | None:
    """Whether such a beginning is what a client says; servers send indications too."""
    kind = _class_of(int.from_bytes(head[:2], "big"))
    return None if kind == "indication" else kind == "request"


def parse_message(cursor: Cursor) -> StunMessage:
    """
    Parse a datagram, which is one message.

    Raises:
        DecodeError: another header, or attributes that pass its length.
    """
    message = _parse(cursor)
    cursor.finish("message")
    return message


def parse_stream(cursor: Cursor, from_client: bool, conversation: Conversation) -> Message:  # noqa: ARG001 - StreamParser
    """Parse the next message of one direction; see ``StreamParser``."""
    start = cursor.offset
    kind = cursor.uint(2, "message_type")
    if kind not in CHANNEL_DATA:
        cursor.offset = start
        return _parse(cursor)
    # What is relayed is padded to four octets in a stream (RFC 8656 12.5).
    length = cursor.uint(2, "channel_data_length")
    return PassedOver(length=4 + length + -length % 4)


def _class_of(kind: int) -> MessageClass:
    return _CLASSES[kind >> 7 & 2 | kind >> 4 & 1]


def _method_of(kind: int) -> str:
    # RFC 8489 figure 3: the bits of the class stand between those of the method.
    number = (kind & 0x3E00) >> 2 | (kind & 0x00E0) >> 1 | kind & 0x000F
    return METHODS.get(number, f"0x{number:03x}")


def _parse(cursor: Cursor) -> StunMessage:
    start = cursor.offset
    kind = cursor.uint(2, "message_type")
    if kind >> 14:
        raise MalformedError("message_type", start, f"0x{kind:04x}")
    length = cursor.uint(2, "message_length")
    if length % 4:
        raise MalformedError("message_length", start + 2, f"{length} octets")
    cookie = cursor.take(4, "magic_cookie")
    if cookie != MAGIC_COOKIE:
        raise MalformedError("magic_cookie", start + 4, "another value")
    mask = cookie + cursor.take(12, "transaction_id")
    found = _attributes(cursor.block(length, "attributes"))
    mapped = _address(found.get(XOR_MAPPED_ADDRESS), mask) or _address(found.get(MAPPED_ADDRESS), bytes(16))
    relayed = _address(found.get(XOR_RELAYED_ADDRESS), mask)
    family: Literal["ipv4", "ipv6"] = "ipv4" if mapped and mapped.startswith(IPV4_MAPPED_PREFIX) else "ipv6"
    lifetime = found.get(LIFETIME)
    return StunMessage(
        length=HEADER_OCTETS + length,
        method=_method_of(kind),
        message_class=_class_of(kind),
        has_credentials=not _CREDENTIALS.isdisjoint(found),
        has_software=SOFTWARE in found,
        mapped_family=family if mapped else None,
        mapped_kind=kind_of(mapped) if mapped else None,
        relayed_kind=kind_of(relayed) if relayed else None,
        error_code=_error_code(found.get(ERROR_CODE)),
        lifetime_seconds=lifetime.uint(4, "lifetime") if lifetime is not None else None,
        is_connectivity_check=not _CHECKS.isdisjoint(found),
    )


def _attributes(block: Cursor) -> dict[int, Cursor]:
    """The attributes by type, the first of each (RFC 8489 section 14)."""
    found: dict[int, Cursor] = {}
    for _ in range(MAX_ATTRIBUTES):
        if not block.remaining:
            return found
        kind = block.uint(2, "attribute_type")
        length = block.uint(2, "attribute_length")
        found.setdefault(kind, block.block(length, "attribute_value"))
        block.take(-length % 4, "attribute_padding")
    if block.remaining:
        raise LimitError("attribute", block.offset, f"more than {MAX_ATTRIBUTES}")
    return found


def _address(value: Cursor | None, mask: bytes) -> Address | None:
    """An address, with its masking taken off (RFC 8489 14.1, 14.2)."""
    if value is None:
        return None
    value.take(1, "address_reserved")
    at = value.offset
    family = value.uint(1, "address_family")
    value.take(2, "address_port")
    sizes = {1: 4, 2: 16}
    if family not in sizes:
        raise MalformedError("address_family", at, f"{family}")
    octets = value.take(sizes[family], "address")
    plain = bytes(a ^ b for a, b in zip(octets, mask, strict=False))
    return Address(IPV4_MAPPED_PREFIX + plain if family == 1 else plain)


def _error_code(value: Cursor | None) -> int | None:
    """Hundreds and the rest apart (RFC 8489 14.8)."""
    if value is None:
        return None
    value.take(2, "error_reserved")
    at = value.offset
    hundreds, rest = value.uint(1, "error_class") & 7, value.uint(1, "error_number")
    if not 3 <= hundreds <= 6 or rest > 99:
        raise MalformedError("error_code", at, f"{hundreds} and {rest}")
    return 100 * hundreds + rest


DISSECTORS = (
    Dissector(
        name="stun",
        transport="udp",
        # No port: the cookie tells a message, and what is relayed on the port is not worth a look.
        ports=frozenset(),
        looks_like=looks_like,
        parse_datagram=parse_message,
    ),
    Dissector(
        name="stun",
        transport="tcp",
        ports=PORTS,
        looks_like=looks_like,
        parse_stream=parse_stream,
        client_speaks=client_speaks,
    ),
)
