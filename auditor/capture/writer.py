"""
Write capture files: classic and block-structured, times in nanoseconds.

Standards: draft-ietf-opsawg-pcap sections 4 and 5; draft-ietf-opsawg-pcapng
           sections 3.5, 4.1, 4.2, 4.3, 4.5.
For demonstrations, tests, the recorder, and copies that hold only what was
chosen.  Always little-endian.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import BinaryIO

from auditor.capture.record import InterfaceFacts
from auditor.units import NS_PER_SECOND

PCAP_MAGIC_NANOSECONDS, PCAP_MAGIC_MICROSECONDS = 0xA1B23C4D, 0xA1B2C3D4
SNAP_LENGTH = 262_144
BYTE_ORDER_MAGIC = 0x1A2B3C4D
SECTION_LENGTH_UNKNOWN = -1
NANOSECONDS = 9  # if_tsresol: units of 10^-9 s
SECTION, INTERFACE, STATISTICS, ENHANCED = 0x0A0D0D0A, 1, 5, 6
COMMENT, SECTION_HARDWARE, SECTION_OS, SECTION_APPLICATION = 1, 2, 3, 4
IF_NAME, IF_DESCRIPTION, IF_LINK_ADDRESS, IF_TSRESOL, IF_FILTER, IF_OS, IF_HARDWARE = 2, 3, 6, 9, 11, 12, 15
ISB_START, ISB_END, ISB_RECEIVED, ISB_DROPPED, ISB_SYSTEM_DROPPED, ISB_DELIVERED = 2, 3, 4, 5, 7, 8
EPB_DROPCOUNT = 4
MAX_OPTION_OCTETS = 65_535  # the length field has 16 bits


@dataclass(frozen=True, slots=True, kw_only=True)
class PacketRecord:
    """One packet to be written."""

    timestamp_ns: int
    """Nanoseconds since 1970-01-01T00:00:00Z; not negative."""
    octets: bytes
    original_length: int | None = None
    """Octets on the wire; None: as many as are here."""
    interface_id: int = 0
    comments: tuple[str, ...] = ()
    dropped: int | None = None
    """Packets lost on this interface since the one before; None: not said."""

    @property
    def wire_length(self) -> int:
        """Octets on the wire."""
        return len(self.octets) if self.original_length is None else self.original_length


def write_pcap(
    file: BinaryIO,
    records: Iterable[PacketRecord],
    *,
    link_type: int = 1,
    snap_length: int = SNAP_LENGTH,
    nanoseconds: bool = True,
) -> int:
    """
    Write a classic capture file; returns the number of records.

    Without ``nanoseconds`` times are cut to microseconds.  Comments and drop
    counts have no place in this format.
    """
    magic, unit_ns = (PCAP_MAGIC_NANOSECONDS, 1) if nanoseconds else (PCAP_MAGIC_MICROSECONDS, 1000)
    file.write(struct.pack("<IHHiIII", magic, 2, 4, 0, 0, snap_length, link_type))
    head = struct.Struct("<IIII")
    count = 0
    for record in records:
        seconds, rest = divmod(record.timestamp_ns, NS_PER_SECOND)
        file.write(
            head.pack(seconds, rest // unit_ns, len(record.octets), record.wire_length) + record.octets
        )
        count += 1
    return count


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedSpan:
    """What a recorder knows of one interface at the end of a file."""

    start_ns: int
    end_ns: int
    received: int
    """Frames that came: written and lost."""
    delivered: int
    """Frames written."""
    lost: int | None
    """Frames that the system dropped for want of room; None: it does not tell."""


_PACKET_HEAD = struct.Struct("<IIIIIII")
_LENGTH = struct.Struct("<I")


def pack_packet(timestamp_ns: int, octets: bytes, wire_octets: int, options: bytes = b"") -> bytes:
    """One Enhanced Packet Block of interface 0; a function, because a recorder calls it for every frame."""
    size = len(octets)
    padding = -size & 3
    length = 32 + size + padding + len(options)
    head = _PACKET_HEAD.pack(
        ENHANCED, length, 0, timestamp_ns >> 32, timestamp_ns & 0xFFFFFFFF, size, wire_octets
    )
    return b"".join((head, octets, bytes(padding), options, _LENGTH.pack(length)))


def pack_span(interface_id: int, span: RecordedSpan, *, comments: Iterable[str] = ()) -> bytes:
    """One Interface Statistics Block with all that a recorder knows."""
    lost = b"" if span.lost is None else _option(ISB_SYSTEM_DROPPED, struct.pack("<Q", span.lost))
    options = b"".join(
        (
            *(_text_option(COMMENT, comment) for comment in comments),
            _option(ISB_START, _time(span.start_ns)),
            _option(ISB_END, _time(span.end_ns)),
            _option(ISB_RECEIVED, struct.pack("<Q", span.received)),
            lost,
            _option(ISB_DELIVERED, struct.pack("<Q", span.delivered)),
        )
    )
    return _block(STATISTICS, struct.pack("<I", interface_id) + _time(span.end_ns), options)


def pack_comments(comments: Iterable[str]) -> bytes:
    """Options of a block that are comments alone, with their end."""
    options = b"".join(_text_option(COMMENT, comment) for comment in comments)
    return options + bytes(4) if options else b""


class PcapngWriter:
    """Writes one section; interfaces first, then packets as they come."""

    def __init__(
        self,
        file: BinaryIO,
        interfaces: Sequence[InterfaceFacts],
        *,
        application: str = "",
        comment: str = "",
        operating_system: str = "",
        hardware: str = "",
    ) -> None:
        self._file = file
        options = b"".join(
            (
                *(_text_option(COMMENT, line) for line in comment.splitlines()),
                _text_option(SECTION_HARDWARE, hardware),
                _text_option(SECTION_OS, operating_system),
                _text_option(SECTION_APPLICATION, application),
            )
        )
        self._write_block(
            SECTION, struct.pack("<IHHq", BYTE_ORDER_MAGIC, 1, 0, SECTION_LENGTH_UNKNOWN), options
        )
        for interface in interfaces:
            self._write_interface(interface)

    def _write_interface(self, interface: InterfaceFacts) -> None:
        options = b"".join(
            (
                _text_option(IF_NAME, interface.name),
                _text_option(IF_DESCRIPTION, interface.description),
                _option(IF_LINK_ADDRESS, interface.link_address) if interface.link_address else b"",
                _option(IF_TSRESOL, bytes([NANOSECONDS])),
                _option(IF_FILTER, b"\0" + interface.capture_filter.encode())
                if interface.capture_filter
                else b"",
                _text_option(IF_OS, interface.operating_system),
                _text_option(IF_HARDWARE, interface.hardware),
            )
        )
        self._write_block(
            INTERFACE, struct.pack("<HHI", interface.link_type, 0, interface.snap_length), options
        )

    def write_packet(self, record: PacketRecord) -> None:
        """Append one Enhanced Packet Block."""
        high, low = divmod(record.timestamp_ns, 1 << 32)
        head = struct.pack("<IIIII", record.interface_id, high, low, len(record.octets), record.wire_length)
        options = b"".join(_text_option(COMMENT, comment) for comment in record.comments)
        if record.dropped is not None:
            options += _option(EPB_DROPCOUNT, struct.pack("<Q", record.dropped))
        self._write_block(ENHANCED, head + _padded(record.octets), options)

    def write_statistics(self, interface_id: int, timestamp_ns: int, *, received: int, dropped: int) -> None:
        """Append an Interface Statistics Block."""
        high, low = divmod(timestamp_ns, 1 << 32)
        options = _option(ISB_RECEIVED, struct.pack("<Q", received)) + _option(
            ISB_DROPPED, struct.pack("<Q", dropped)
        )
        self._write_block(STATISTICS, struct.pack("<III", interface_id, high, low), options)

    def _write_block(self, kind: int, body: bytes, options: bytes) -> None:
        self._file.write(_block(kind, body, options))


def write_pcapng(
    file: BinaryIO,
    records: Iterable[PacketRecord],
    interfaces: Sequence[InterfaceFacts],
    *,
    comment: str = "",
) -> int:
    """Write a whole section: interfaces, packets, and statistics where the interfaces tell any."""
    writer = PcapngWriter(file, interfaces, comment=comment)
    count, last_ns = 0, 0
    for record in records:
        writer.write_packet(record)
        count += 1
        last_ns = record.timestamp_ns
    for number, interface in enumerate(interfaces):
        if interface.received is not None:
            writer.write_statistics(
                number, last_ns, received=interface.received, dropped=interface.dropped or 0
            )
    return count


def _block(kind: int, body: bytes, options: bytes) -> bytes:
    if options:
        body += options + bytes(4)  # opt_endofopt
    length = 12 + len(body)
    return struct.pack("<II", kind, length) + body + struct.pack("<I", length)


def _time(timestamp_ns: int) -> bytes:
    high, low = divmod(timestamp_ns, 1 << 32)
    return struct.pack("<II", high, low)


def _padded(octets: bytes) -> bytes:
    return octets + bytes(-len(octets) % 4)


def _option(code: int, value: bytes) -> bytes:
    value = value[:MAX_OPTION_OCTETS]
    return struct.pack("<HH", code, len(value)) + _padded(value)


def _text_option(code: int, text: str | None) -> bytes:
    return _option(code, text.encode()) if text else b""
