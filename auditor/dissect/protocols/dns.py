"""
DNS over UDP and TCP.

Standards: RFC 1035, RFC 7766 (TCP length prefix); the message itself is
           ``auditor.dissect.syntax.dns_message``.
Reads:     UDP payload; one direction of a TCP stream.
Keeps:     questions and records.
"""

from __future__ import annotations

from auditor.dissect.message import Message
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.syntax.dns_beginning import looks_like_dns
from auditor.dissect.syntax.dns_message import (
    HEADER_OCTETS,
    DnsMessage,
    parse_dns_message,
    renumbered,
)
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor

NAME = "domain"  # IANA service name
PORTS = frozenset({53})

LENGTH_OCTETS = 2  # RFC 1035 4.2.2
RESPONSE = 0x80  # RFC 1035 4.1.1: bit QR, in the third octet of the header


def parse_message(cursor: Cursor) -> DnsMessage:
    """Parse one datagram."""
    return parse_dns_message(cursor, is_multicast=False)


def parse_stream(cursor: Cursor, _from_client: bool, _conversation: Conversation) -> Message:
    """Parse the next message with its length before it (RFC 1035 4.2.2)."""
    start = cursor.offset
    length = cursor.uint(LENGTH_OCTETS, "length")
    if length < HEADER_OCTETS:
        raise MalformedError("length", start, f"{length} < {HEADER_OCTETS}")
    message = cursor.block(length, "message")
    try:
        return parse_dns_message(message, is_multicast=False, prefix_octets=LENGTH_OCTETS)
    except TruncatedError as error:
        # All octets that the length promised are here: waiting for more would not help.
        raise MalformedError(error.field, error.offset, error.problem) from None


def looks_like_stream(head: bytes) -> bool:
    """Whether a stream that begins with ``head`` is worth parsing."""
    length = int.from_bytes(head[:LENGTH_OCTETS], "big")
    message = head[LENGTH_OCTETS : LENGTH_OCTETS + length]
    # The first message of a stream has exactly one question (RFC 9619, from memory).
    return length >= HEADER_OCTETS and message[4:6] == b"\x00\x01" and looks_like_dns(message)


def client_speaks(head: bytes) -> bool:
    """Whether the stream's beginning is a query."""
    return len(head) > LENGTH_OCTETS + 2 and not head[LENGTH_OCTETS + 2] & RESPONSE


DISSECTORS = (
    Dissector(
        name=NAME,
        transport="udp",
        ports=PORTS,
        looks_like=looks_like_dns,
        parse_datagram=parse_message,
        renumber=renumbered,
    ),
    Dissector(
        name=NAME,
        transport="tcp",
        ports=PORTS,
        looks_like=looks_like_stream,
        parse_stream=parse_stream,
        client_speaks=client_speaks,
    ),
)
