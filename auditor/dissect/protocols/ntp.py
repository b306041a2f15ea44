"""
NTP and SNTP, versions 1 to 4.

Standards: RFC 5905 section 7.3, RFC 4330.
Reads:     UDP payload.
Keeps:     header fields; no timestamps but the presence of a transmit time.
"""

from __future__ import annotations

from struct import Struct

from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.errors import MalformedError, TruncatedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({123})  # IANA service name: ntp

HEADER_OCTETS = 48  # RFC 5905 figure 8
CONTROL_OCTETS = 12  # RFC 9327 section 2
MAX_VERSION = 4  # the highest version (RFC 5905)
# RFC 5905 figure 10
RESERVED = 0
CLIENT = 3
CONTROL = 6
PRIVATE = 7
BY_HEADER = frozenset({1, 2, 3, 4, 5})  # modes whose messages have the header of figure 8

MAX_OPERATION = 12  # RFC 9327 table 1
UNSET_TRAP = 31
MAX_COUNT = 468  # data octets of one control message (RFC 9327 section 2)
MAX_FRAGMENTS = 16  # answers longer than that are not worth to be told by their beginning

MIN_EXTRA_OCTETS = 4  # a key identifier alone: crypto-NAK (RFC 5905 7.3)
MAX_STRATUM = 16  # RFC 5905 figure 11: above is reserved

_HEADER = Struct(">BBbb").unpack_from
_CONTROL = Struct(">HH").unpack_from


@value_class
class NtpMessage(Message):
    """One message (RFC 5905 figure 8)."""

    version: int
    mode: int
    """1 symmetric active, 2 symmetric passive, 3 client, 4 server, 5 broadcast, 6 control (7.3 figure 10)."""
    leap: int
    stratum: int
    poll_exponent: int
    """log2 seconds, signed."""
    looks_simple: bool
    """A client message whose fields but the transmit time are zero, as SNTP sends (RFC 4330 section 5)."""
    is_authenticated: bool
    """A MAC or extension follows the header."""


def looks_like(head: bytes) -> bool:
    """Whether ``head`` begins as a message does; only its port makes it a likely one."""
    if len(head) < CONTROL_OCTETS:
        return False
    version, mode = head[0] >> 3 & 7, head[0] & 7
    if not 1 <= version <= MAX_VERSION:
        return False
    if mode == CONTROL:
        return version >= 2 and not head[0] & 0xC0 and _looks_like_control(head)
    if mode == RESERVED and version != 1:
        return False
    if mode == PRIVATE or len(head) < HEADER_OCTETS or head[1] > MAX_STRATUM:
        return False
    _, _, poll, precision = _HEADER(head)
    # RFC 5905 7.3: polls run to 2**17 s; no clock has a precision of more than a second, and
    # root delay and dispersion stay far below 2**8 s.
    return -6 <= poll <= 17 and -32 <= precision <= 0 and head[4] in (0, 0xFF) and head[8] == 0


def _looks_like_control(head: bytes) -> bool:
    """Whether operation, offset and count are ones that RFC 9327 section 2 and table 1 know."""
    operation = head[1] & 0x1F
    offset, count = _CONTROL(head, 8)
    return (
        (operation <= MAX_OPERATION or operation == UNSET_TRAP)
        and offset < MAX_FRAGMENTS * MAX_COUNT
        and count <= MAX_COUNT
    )


def parse_message(cursor: Cursor) -> NtpMessage:
    """
    Parse one message; of a control message only the first octet has the same meaning.

    Raises:
        DecodeError: another version or mode, or a length that the mode does not allow.
    """
    start = cursor.offset
    data = cursor.take(cursor.remaining, "message")
    if not data:
        raise TruncatedError("leap_version_mode", start, "needs 1 octet, 0 remain")
    version, mode = data[0] >> 3 & 7, data[0] & 7
    if not 1 <= version <= MAX_VERSION:
        raise MalformedError("version", start, f"{version}")
    if mode not in BY_HEADER and mode != CONTROL and not (mode == RESERVED and version == 1):
        # Version 1 had no modes (RFC 1305 appendix D).
        raise MalformedError("mode", start, f"{mode}")
    needed = CONTROL_OCTETS if mode == CONTROL else HEADER_OCTETS
    if len(data) < needed:
        raise TruncatedError("header", start + len(data), f"needs {needed} octets, {len(data)} are there")
    if mode == CONTROL:
        return NtpMessage(
            length=len(data),
            version=version,
            mode=mode,
            leap=0,
            stratum=0,
            poll_exponent=0,
            looks_simple=False,
            is_authenticated=False,
        )
    extra = len(data) - HEADER_OCTETS
    if 0 < extra < MIN_EXTRA_OCTETS:
        raise MalformedError("extension", start + HEADER_OCTETS, f"{extra} octets left over")
    _, stratum, poll, _ = _HEADER(data)
    return NtpMessage(
        length=len(data),
        version=version,
        mode=mode,
        leap=data[0] >> 6,
        stratum=stratum,
        poll_exponent=poll,
        looks_simple=mode == CLIENT and not extra and not any(data[1:40]),
        is_authenticated=bool(extra),
    )


DISSECTOR = Dissector(
    name="ntp",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    parse_datagram=parse_message,
    any_port=False,
)
