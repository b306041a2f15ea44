"""
PCP: asking a router to let calls from outside in, through its IPv4 translator or its IPv6 firewall.

Standards: RFC 6887 section 7 (header, options), 11 (MAP), 12 (PEER), 13 (options), 14.1 (ANNOUNCE).
Reads:     UDP payload; requests to port 5351, answers from it, announcements to port 5350.
Keeps:     ports, protocol, lifetime and result, for whom a mapping is; of the outside address its kind.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from auditor.addresses import Address, AddressKind, kind_of
from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.errors import LimitError, MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({5350, 5351})  # IANA service names: pcp-multicast, pcp

VERSION = 2
RESPONSE = 0x80
HEADER_OCTETS = 24
ANNOUNCE, MAP, PEER = 0, 1, 2  # 19.2
THIRD_PARTY, PREFER_FAILURE, FILTER = 1, 2, 3  # 19.4

MAX_MESSAGE_OCTETS = 1_100  # the protocol allows no longer ones (section 7)
MAX_OPTIONS = 32  # of one message; three kinds are defined, of which filters may repeat
MAX_RESULT = 13  # the highest code that is defined (7.4)
UNREADABLE = (1, 3, 4, 6)  # version, malformed request, opcode, malformed option (7.4)

Kind = Literal["announce", "map", "peer", "unknown"]
_KINDS: dict[int, Kind] = {ANNOUNCE: "announce", MAP: "map", PEER: "peer"}
_PROTOCOLS = {6: "tcp", 17: "udp", 0: "any"}  # IANA protocol numbers; 0 with MAP: all (11.1)


@value_class
class PcpMessage(Message):
    """A request or an answer."""

    is_response: bool
    kind: Kind
    """``map`` lets calls in, ``peer`` keeps an outgoing conversation open, ``announce``: a new start."""
    lifetime_seconds: int
    """Asked for, or granted; in a refusal how long it holds; 0 in a request takes a mapping back."""
    result_code: int | None
    """Of an answer: 0 success, 2 not authorized, 4 opcode, 8 no resources, 11 external port … (7.4)."""
    protocol: str | None
    """``tcp``, ``udp``, ``any``, else the number."""
    internal_port: int | None
    """0: every port."""
    external_port: int | None
    """Suggested by a request (0: any), granted by an answer; what a refusal repeats is not one."""
    external_kind: AddressKind | None
    """Kind of the outside address that an answer grants."""
    internal_address: Address | None
    """Of a request: for whom, the sender as it names itself or a third party (13.1); of an answer only the
    latter."""
    is_for_third_party: bool
    has_filter: bool
    """Only some hosts outside may call (13.3)."""

    @property
    def is_granted(self) -> bool:
        """Whether an answer says that calls from outside now reach the internal host."""
        return self.kind == "map" and self.result_code == 0 and self.lifetime_seconds > 0


@dataclass(slots=True)
class _Mapping:
    """What stands behind the header of MAP and PEER."""

    protocol: str | None = None
    internal_port: int | None = None
    external_port: int | None = None
    external: Address | None = None


@dataclass(slots=True)
class _Options:
    """What options say."""

    third_party: Address | None = None
    kinds: set[int] = field(default_factory=set)


def looks_like(head: bytes) -> bool:
    """Whether a datagram on the ports begins as a message does."""
    return (
        len(head) >= HEADER_OCTETS
        and head[0] == VERSION
        and head[1] & ~RESPONSE <= PEER
        and head[2] == 0
        and (head[3] <= MAX_RESULT if head[1] & RESPONSE else head[3] == 0)
    )


def parse_message(cursor: Cursor) -> PcpMessage:
    """
    Parse one message.

    Raises:
        DecodeError: another version, a length no message has, or an option that passes the end.
    """
    start, whole = cursor.offset, cursor.remaining
    if whole > MAX_MESSAGE_OCTETS:
        raise LimitError("message", start, f"{whole} > {MAX_MESSAGE_OCTETS} octets")
    version = cursor.uint(1, "version")
    if version != VERSION:
        raise MalformedError("version", start, f"{version}")
    opcode = cursor.uint(1, "opcode")
    is_response = bool(opcode & RESPONSE)
    opcode &= ~RESPONSE
    cursor.uint(1, "reserved")
    code = cursor.uint(1, "result_code")
    result = code if is_response else None
    lifetime = cursor.uint(4, "lifetime")
    sender = cursor.take(16, "client_address")  # in an answer: time and reserved octets (7.2)
    kind = _KINDS.get(opcode, "unknown")
    # An answer to what could not be read repeats it (8.2), and may end behind its header.
    is_read = kind != "unknown" and result not in UNREADABLE and not (result and not cursor.remaining)
    mapping, options = _Mapping(), _Options()
    if is_read:
        if opcode in (MAP, PEER):
            mapping = _mapping(cursor, is_peer=opcode == PEER)
        options = _options(cursor)
    cursor.take(cursor.remaining, "message")
    return PcpMessage(
        length=whole,
        is_response=is_response,
        kind=kind,
        lifetime_seconds=lifetime,
        result_code=result,
        protocol=mapping.protocol,
        internal_port=mapping.internal_port,
        external_port=mapping.external_port if not result else None,
        external_kind=kind_of(mapping.external) if mapping.external and result == 0 else None,
        internal_address=options.third_party or (None if is_response else Address(sender)),
        is_for_third_party=options.third_party is not None,
        has_filter=FILTER in options.kinds,
    )


def _mapping(cursor: Cursor, *, is_peer: bool) -> _Mapping:
    """RFC 6887 11.1 and 12.1."""
    cursor.take(12, "nonce")
    number = cursor.uint(1, "protocol")
    cursor.take(3, "reserved")
    internal = cursor.uint(2, "internal_port")
    external = cursor.uint(2, "external_port")
    address = Address(cursor.take(16, "external_address"))
    if is_peer:
        cursor.take(20, "remote_peer")
    return _Mapping(_PROTOCOLS.get(number, str(number)), internal, external, address)


def _options(cursor: Cursor) -> _Options:
    """RFC 6887 7.3: each padded to four octets."""
    found = _Options()
    for _ in range(MAX_OPTIONS):
        if not cursor.remaining:
            return found
        at = cursor.offset
        code = cursor.uint(1, "option_code")
        cursor.uint(1, "option_reserved")
        length = cursor.uint(2, "option_length")
        data = cursor.take(length, "option_data")
        cursor.take(-length % 4, "option_padding")
        found.kinds.add(code)
        if code == THIRD_PARTY:
            if length != 16:
                raise MalformedError("option_length", at + 2, f"{length} octets of a third party")
            found.third_party = found.third_party or Address(data)
    if cursor.remaining:
        raise LimitError("option", cursor.offset, f"more than {MAX_OPTIONS}")
    return found


DISSECTOR = Dissector(
    name="pcp",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    parse_datagram=parse_message,
    any_port=False,
)
