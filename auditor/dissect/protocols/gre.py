"""
GRE: packets carried inside packets, named and not unfolded.

Standards: RFC 2784 section 2, RFC 2890 section 2 (key and sequence number), RFC 2637 section 4.1 (version 1).
Reads:     the payload of IP protocol 47.
Keeps:     what kind of packets is inside.
"""

from __future__ import annotations

from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.errors import MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

CHECKSUM, KEY, SEQUENCE = 0x8000, 0x2000, 0x1000
VERSION, MAX_VERSION = 0x0007, 1  # 1: point-to-point tunnelling


@value_class
class GrePacket(Message):
    """The head of one packet."""

    version: int
    protocol_type: int
    """Ethertype of what is inside."""
    key: int | None
    """RFC 2890; of version 1 the low two octets are the call."""


def looks_like(head: bytes) -> bool:
    """Whether ``head`` has a version in use, something inside and no routing (2.3: to be discarded)."""
    return len(head) >= 4 and head[0] & 0x4C == 0 and head[1] & VERSION <= MAX_VERSION and any(head[2:4])


def parse_message(cursor: Cursor) -> GrePacket:
    """
    Parse the head; the rest is passed over.

    Raises:
        DecodeError: another version, or the packet ends inside the head.
    """
    length = cursor.remaining
    flags = cursor.uint(2, "flags")
    version = flags & VERSION
    if version > MAX_VERSION:
        raise MalformedError("version", 0, f"{version}")
    protocol_type = cursor.uint(2, "protocol_type")
    if flags & CHECKSUM:
        cursor.take(4, "checksum")
    key = cursor.uint(4, "key") if flags & KEY else None
    if flags & SEQUENCE:
        cursor.take(4, "sequence_number")
    cursor.take(cursor.remaining, "payload")
    return GrePacket(length=length, version=version, protocol_type=protocol_type, key=key)


DISSECTOR = Dissector(
    name="gre",
    transport="gre",
    ports=frozenset(),
    looks_like=looks_like,
    parse_datagram=parse_message,
)
