"""
DDP: pixel data, and JSON texts that read and change a display.

Standard: DDP as published by its owner (field table read in a saved copy; what each reserved
          destination is for agrees with an open-source library; the storage bit is from memory).
Reads:    UDP payload.
Keeps:    header fields, keys of JSON texts, secrets sighted in them; no levels.
"""

from __future__ import annotations

from struct import Struct

from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.dissect.syntax.json_shape import json_keys
from auditor.errors import MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({4048})  # not registered with IANA

# Octet 0: VVxTSRQP
VERSION_MASK = 0xC0
VERSION = 0x40
RESERVED = 0x20
TIMECODE = 0x10
STORAGE = 0x08
REPLY = 0x04
QUERY = 0x02
PUSH = 0x01
# Octet 1: the high half is reserved, the low half is the sequence number (0: not used)
SEQUENCE_MASK = 0x0F
# Octet 3: who is meant
RESERVED_DESTINATION = 0
DISPLAY = 1
CONTROL = 246
CONFIGURATION = 250
STATUS = 251
DMX = 254
ALL = 255
JSON_DESTINATIONS = frozenset({CONTROL, CONFIGURATION, STATUS})

HEADER_OCTETS = 10
TIMECODE_OCTETS = 4
MAX_OFFSET = 1 << 24
"""Of pixel data worth a look: 5.6 million pixels, far beyond a home; tells a header from random octets."""
MAX_DATA_OCTETS = 1_500
"""Worth a look: the specification keeps to one frame of an Ethernet (1,440 octets of pixels)."""
HEAD_OCTETS = 64  # contract of Dissector.looks_like

_read = Struct(">BBBBIH").unpack_from


@value_class
class DdpMessage(Message):
    """One packet."""

    effect: str
    """``light`` (pixels, DMX, control), ``configuration``, ``read`` (a query), ``announce`` (a reply,
    or status)."""
    destination: int
    """1 display, 246 JSON control, 250 JSON configuration, 251 JSON status, 254 DMX, 255 all; others are the
    maker's own displays."""
    data_type: int
    sequence: int
    """1 to 15; 0: not used."""
    offset_octets: int
    """Where in the display's data the data begins."""
    data_octets: int
    """Data in this packet; of a query without data what is asked for, 0: everything."""
    is_push: bool
    is_query: bool
    is_reply: bool
    is_storage: bool
    timecode: int | None
    """The middle 32 bits of an NTP time stamp (RFC 5905 section 6)."""
    keys: tuple[str, ...] = ()
    """Of a JSON text, nested ones joined by ``.``; as far as this packet holds it."""
    secrets: tuple[SightedSecret, ...] = ()


def looks_like(head: bytes) -> bool:
    """Whether a datagram that begins with ``head`` is worth parsing: the header, and its length."""
    if len(head) < HEADER_OCTETS or head[0] & (VERSION_MASK | RESERVED) != VERSION:
        return False
    flags, sequence, data_type, destination, offset, length = _read(head)
    if sequence > SEQUENCE_MASK or data_type & 0x40 or not destination or offset >= MAX_OFFSET:
        return False
    beyond = len(head) - HEADER_OCTETS - (TIMECODE_OCTETS if flags & TIMECODE else 0)
    if beyond < 0:
        return False
    if flags & QUERY and not beyond:
        return True
    # What is handed over may be the first octets of more.
    return bool(length == beyond if len(head) < HEAD_OCTETS else beyond <= length <= MAX_DATA_OCTETS)


def parse_message(cursor: Cursor) -> DdpMessage:
    """
    Parse one packet.

    Raises:
        DecodeError: another version, a reserved destination, or a length that is
            not that of the datagram.
    """
    whole = cursor.remaining
    flags = cursor.uint(1, "flags")
    if flags & VERSION_MASK != VERSION:
        raise MalformedError("flags", 0, f"version {flags >> 6}, not 1")
    sequence = cursor.uint(1, "sequence")
    data_type = cursor.uint(1, "data_type")
    destination = cursor.uint(1, "destination")
    if destination == RESERVED_DESTINATION:
        raise MalformedError("destination", 3, "0 is reserved")
    offset = cursor.uint(4, "offset")
    length = cursor.uint(2, "length")
    timecode = cursor.uint(TIMECODE_OCTETS, "timecode") if flags & TIMECODE else None
    is_query, is_reply = bool(flags & QUERY), bool(flags & REPLY)
    data = b""
    if cursor.remaining or not is_query:
        data = cursor.take(length, "data")
        cursor.finish("data")
    keys: tuple[str, ...] = ()
    secrets: tuple[SightedSecret, ...] = ()
    if destination in JSON_DESTINATIONS and data:
        keys, secrets = json_keys(data, place="ddp-json")
    return DdpMessage(
        length=whole,
        effect=_effect(destination, is_query=is_query, is_reply=is_reply),
        destination=destination,
        data_type=data_type,
        sequence=sequence & SEQUENCE_MASK,
        offset_octets=offset,
        data_octets=length,
        is_push=bool(flags & PUSH),
        is_query=is_query,
        is_reply=is_reply,
        is_storage=bool(flags & STORAGE),
        timecode=timecode,
        keys=keys,
        secrets=secrets,
    )


def _effect(destination: int, *, is_query: bool, is_reply: bool) -> str:
    """
    What a packet does to who receives it.

    A reply comes first: displays may leave the query bit set in it.  Status
    cannot be written, so status that nobody asked for tells about the sender.
    """
    if is_reply:
        return "announce"
    if is_query:
        return "read"
    if destination == CONFIGURATION:
        return "configuration"
    return "announce" if destination == STATUS else "light"


DISSECTOR = Dissector(
    name="ddp",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    parse_datagram=parse_message,
)
