"""
NAT-PMP: asking a home router to pass calls from outside on to the caller.

Standard: RFC 6886 section 3.
Reads:     UDP payload; requests to port 5351, answers from it, announcements to port 5350.
Keeps:     ports, lifetime and result; of the outside address its kind.
"""

from __future__ import annotations

from typing import Literal

from auditor.addresses import IPV4_MAPPED_PREFIX, Address, AddressKind, kind_of
from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.errors import MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

# IANA service names: pcp-multicast, pcp; nat-pmp before that protocol (from memory)
PORTS = frozenset({5350, 5351})

VERSION = 0
RESPONSE = 128
EXTERNAL_ADDRESS, MAP_UDP, MAP_TCP = 0, 1, 2  # 3.2, 3.3

_PROTOCOLS: dict[int, Literal["tcp", "udp"]] = {MAP_UDP: "udp", MAP_TCP: "tcp"}

# Octets of whole messages (3.2, 3.3)
_LENGTHS = {
    EXTERNAL_ADDRESS: 2,
    MAP_UDP: 12,
    MAP_TCP: 12,
    RESPONSE + EXTERNAL_ADDRESS: 12,
    RESPONSE + MAP_UDP: 16,
    RESPONSE + MAP_TCP: 16,
}
REFUSAL_OCTETS = 8
"""An answer to another version or opcode ends behind its time; one to another version has opcode 0 (3.5)."""
UNSUPPORTED_OPCODE = 5
MAX_RESULT = 5  # the highest code that is defined (3.5)


@value_class
class NatPmpMessage(Message):
    """A request, an answer, or the announcement of another outside address."""

    is_response: bool
    kind: Literal["external-address", "mapping", "unknown"]
    protocol: Literal["tcp", "udp"] | None
    """Of a mapping."""
    internal_port: int | None
    external_port: int | None
    """Suggested by a request (0: any), granted by an answer; what a refusal names is not one."""
    lifetime_seconds: int | None
    """Asked for or granted; 0 takes a mapping back (3.4)."""
    result_code: int | None
    """Of an answer: 0 success, 1 version, 2 not authorized, 3 network failure, 4 out of resources,
    5 opcode (3.5)."""
    external_kind: AddressKind | None
    """Kind of the router's outside address; anything but ``global`` says that another translator follows."""

    @property
    def is_granted(self) -> bool:
        """Whether an answer says that calls from outside now reach the caller."""
        return self.kind == "mapping" and self.result_code == 0 and bool(self.lifetime_seconds)


def looks_like(head: bytes) -> bool:
    """Whether a datagram on the ports begins as a message does; two octets tell, so that ports must too."""
    if len(head) < 2 or head[0] != VERSION:
        return False
    expected = _LENGTHS.get(head[1])
    if expected is not None and len(head) == expected:
        return True
    is_answer = head[1] >= RESPONSE or head[1] == EXTERNAL_ADDRESS
    return len(head) == REFUSAL_OCTETS and is_answer and head[2] == 0 and 1 <= head[3] <= MAX_RESULT


def parse_message(cursor: Cursor) -> NatPmpMessage:
    """
    Parse one message.

    Raises:
        DecodeError: another version, or a length that its opcode does not allow.
    """
    whole = cursor.remaining
    start = cursor.offset
    version = cursor.uint(1, "version")
    if version != VERSION:
        raise MalformedError("version", start, f"{version}")
    opcode = cursor.uint(1, "opcode")
    is_response = opcode >= RESPONSE or (opcode == EXTERNAL_ADDRESS and whole == REFUSAL_OCTETS)
    operation = opcode % RESPONSE
    protocol = _PROTOCOLS.get(operation)
    result: int | None = None
    if is_response:
        result = cursor.uint(2, "result_code")
        cursor.uint(4, "seconds_since_start")
    internal = external = lifetime = None
    outside: AddressKind | None = None
    if result and (not cursor.remaining or (operation > MAP_TCP and result == UNSUPPORTED_OPCODE)):
        cursor.take(cursor.remaining, "message")
    elif protocol is not None:
        if not is_response:
            cursor.uint(2, "reserved")
        internal = cursor.uint(2, "internal_port")
        external = cursor.uint(2, "external_port")
        lifetime = cursor.uint(4, "lifetime")
    elif operation == EXTERNAL_ADDRESS and is_response:
        address = cursor.take(4, "external_address")
        outside = kind_of(Address(IPV4_MAPPED_PREFIX + address)) if not result else None
    elif operation != EXTERNAL_ADDRESS:
        raise MalformedError("opcode", start + 1, f"{opcode}")
    cursor.finish("message")
    kind: Literal["external-address", "mapping", "unknown"] = "mapping" if protocol else "external-address"
    if operation > MAP_TCP or (opcode == EXTERNAL_ADDRESS and is_response):
        kind = "unknown"
    return NatPmpMessage(
        length=whole,
        is_response=is_response,
        kind=kind,
        protocol=protocol,
        internal_port=internal,
        external_port=external if not result else None,
        lifetime_seconds=lifetime,
        result_code=result,
        external_kind=outside,
    )


DISSECTOR = Dissector(
    name="nat-pmp",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    parse_datagram=parse_message,
    any_port=False,
)
