"""
Art-Net.

Standard: Art-Net 4 as published by its owner (field tables from memory and from open-source libraries).
Reads:    UDP payload.
Keeps:    header fields and names; no levels.
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.addresses import IPV4_MAPPED_PREFIX, Address
from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.printable import to_printable
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor

PORTS = frozenset({6454})  # not registered with IANA

IDENTIFIER = b"Art-Net\0"

# Operation codes
POLL = 0x2000
POLL_REPLY = 0x2100
DATA_REQUEST = 0x2700
DMX = 0x5000
NON_ZERO_START = 0x5100
SYNCHRONIZE = 0x5200
ADDRESS = 0x6000
INPUT = 0x7000
FIRMWARE = 0xF200
IP_PROGRAM = 0xF800

EFFECTS = {
    POLL: "read",
    POLL_REPLY: "announce",
    DATA_REQUEST: "read",
    DMX: "light",
    NON_ZERO_START: "light",
    SYNCHRONIZE: "light",
    ADDRESS: "configuration",
    INPUT: "configuration",
    FIRMWARE: "firmware",
}

# Command of the IP programming packet: the first bit permits, the others say what.
PROGRAMMING_ENABLED = 0x80
PROGRAMMED = 0x40 | 0x10 | 0x08 | 0x04 | 0x02 | 0x01  # DHCP, gateway, defaults, address, mask, port

MAX_SLOTS = 512  # values of one universe (ANSI E1.11)
_SHORT_NAME = slice(26, 44)
_LONG_NAME = slice(44, 108)
_LINK = slice(201, 207)

# Where each field ends that must be there, by what the packet is.
_COMMON = ((8, "identifier"), (10, "operation"))
_DMX = (*_COMMON, (12, "version"), (13, "sequence"), (14, "physical"), (16, "port_address"), (18, "length"))
_POLL_REPLY = (
    *_COMMON,
    (14, "address"),
    (16, "port"),
    (18, "firmware_version"),
    (20, "switches"),
    (26, "identification"),
    (44, "short_name"),
    (108, "long_name"),
)
_IP_PROGRAM = (*_COMMON, (12, "version"), (14, "filler"), (15, "command"))
_OTHER = (*_COMMON, (12, "version"))


@dataclass(frozen=True, slots=True, kw_only=True)
class ArtNetMessage(Message):
    """Any Art-Net packet; the fields of its operation are filled."""

    operation: int
    """OpCode: 0x2000 poll, 0x2100 poll reply, 0x5000 data, 0x6000 address, 0xf200 firmware,
    0xf800 IP settings …"""
    effect: str
    """``read`` (poll), ``announce`` (poll reply), ``light`` (data, sync), ``configuration`` (address, input,
    IP settings that program something, time code excluded), ``firmware``, ``other``."""
    universe: int | None = None
    """15-bit port-address of data."""
    slots: int | None = None
    sequence: int | None = None
    short_name: str | None = None
    """Poll reply."""
    long_name: str | None = None
    node_address: Address | None = None
    """Poll reply."""
    node_link: bytes | None = None
    """Poll reply: six octets where sent."""
    firmware_version: int | None = None


def looks_like(head: bytes) -> bool:
    """Whether a datagram that begins with ``head`` is worth parsing."""
    return head.startswith(IDENTIFIER)


def parse_message(cursor: Cursor) -> ArtNetMessage:
    """
    Parse one packet.

    Raises:
        DecodeError: not a packet of this protocol, or one that ends before a field
            that we keep does.
    """
    data = cursor.take(cursor.remaining, "packet")
    _require(data, _COMMON)
    if not data.startswith(IDENTIFIER):
        raise MalformedError("identifier", 0, "another protocol")
    operation = int.from_bytes(data[8:10], "little")
    if operation in (DMX, NON_ZERO_START):
        return _levels(data, operation)
    if operation == POLL_REPLY:
        return _poll_reply(data)
    if operation == IP_PROGRAM:
        _require(data, _IP_PROGRAM)
        programs = data[14] & PROGRAMMING_ENABLED and data[14] & PROGRAMMED
        effect = "configuration" if programs else "read"
    else:
        _require(data, _OTHER)
        effect = EFFECTS.get(operation, "other")
    return ArtNetMessage(length=len(data), operation=operation, effect=effect)


def _levels(data: bytes, operation: int) -> ArtNetMessage:
    """Read the head of a packet of levels; octet 13 is an input or a start code, by operation."""
    _require(data, _DMX)
    slots = int.from_bytes(data[16:18], "big")
    if slots > MAX_SLOTS:
        raise MalformedError("length", 16, f"{slots} > {MAX_SLOTS}")
    if 18 + slots > len(data):
        raise TruncatedError("data", 18, f"needs {slots} octets, {len(data) - 18} remain")
    return ArtNetMessage(
        length=len(data),
        operation=operation,
        effect=EFFECTS[operation],
        universe=(data[15] & 0x7F) << 8 | data[14],
        slots=slots,
        sequence=data[12],
    )


def _poll_reply(data: bytes) -> ArtNetMessage:
    """Read an answer to a poll; it has no version, and older ones end before the link address."""
    _require(data, _POLL_REPLY)
    address = data[10:14]
    return ArtNetMessage(
        length=len(data),
        operation=POLL_REPLY,
        effect=EFFECTS[POLL_REPLY],
        short_name=_name(data[_SHORT_NAME]),
        long_name=_name(data[_LONG_NAME]),
        node_address=Address(IPV4_MAPPED_PREFIX + address) if any(address) else None,
        node_link=data[_LINK] if len(data) >= _LINK.stop else None,
        firmware_version=int.from_bytes(data[16:18], "big"),
    )


def _require(data: bytes, fields: tuple[tuple[int, str], ...]) -> None:
    """Require that all ``fields``, each given with where it ends, are there."""
    if len(data) < fields[-1][0]:
        field = next(field for end, field in fields if end > len(data))
        raise TruncatedError(field, len(data), "the packet ends here")


def _name(octets: bytes) -> str:
    return to_printable(octets.partition(b"\0")[0])


DISSECTOR = Dissector(
    name="artnet",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    parse_datagram=parse_message,
)
