"""
Capture files: classic pcap and pcapng.

Standards: draft-ietf-opsawg-pcap (header, records) and draft-ietf-opsawg-pcapng (section header, interface description,
           enhanced packet, interface statistics blocks).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

ETHERNET = 1  # LINKTYPE_ETHERNET


@dataclass(frozen=True, slots=True, kw_only=True)
class Captured:
    """One packet as a file holds it."""

    time_ns: int
    octets: bytes
    original_octets: int
    comment: str | None = None
    link_type: int = ETHERNET


def pcap(packets: Iterable[Captured], *, snap_octets: int = 262_144, nanoseconds: bool = False,
         link_type: int = ETHERNET) -> bytes:  # fmt: skip
    """Little-endian file with micro- or nanoseconds."""
    magic, unit = (0xA1B23C4D, 1) if nanoseconds else (0xA1B2C3D4, 1000)
    parts = [struct.pack("<IHHiIII", magic, 2, 4, 0, 0, snap_octets, link_type)]
    for packet in packets:
        seconds, rest = divmod(packet.time_ns, 1_000_000_000)
        parts.append(struct.pack("<IIII", seconds, rest // unit, len(packet.octets), packet.original_octets))
        parts.append(packet.octets)
    return b"".join(parts)


def pcapng(packets: Iterable[Captured], *, snap_octets: int = 0, link_type: int = ETHERNET, filter_text: str | None = None,
           dropped: int | None = None, interface: str = "eth0", comment: str | None = None) -> bytes:  # fmt: skip
    """
    One little-endian section with nanoseconds; ``dropped`` adds statistics of the first interface.

    Packets of another link type than ``link_type`` get an interface of their own, behind it.
    """
    packets = list(packets)
    described = [(2, interface.encode()), (9, b"\x09")]  # if_name, if_tsresol
    if filter_text is not None:
        described.append((11, b"\0" + filter_text.encode()))  # if_filter, code 0: a text
    head = [(1, comment.encode())] if comment else []
    parts = [
        _block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1) + _options(head)),
        _block(1, struct.pack("<HHI", link_type, 0, snap_octets) + _options(described)),
    ]
    numbers = {link_type: 0, ETHERNET: 0}
    for other in sorted({packet.link_type for packet in packets} - set(numbers)):
        numbers[other] = len(parts) - 1
        further = _options([(2, b"air0"), (9, b"\x09")])
        parts.append(_block(1, struct.pack("<HHI", other, 0, snap_octets) + further))
    received, last_ns = 0, 0
    for packet in packets:
        options = [(1, packet.comment.encode())] if packet.comment else []
        body = struct.pack(
            "<IIIII",
            numbers[packet.link_type],
            packet.time_ns >> 32,
            packet.time_ns & 0xFFFFFFFF,
            len(packet.octets),
            packet.original_octets,
        )
        parts.append(_block(6, body + _padded(packet.octets) + _options(options)))
        received, last_ns = received + 1, packet.time_ns
    if dropped is not None:
        counters = [
            (4, struct.pack("<Q", received)),
            (5, struct.pack("<Q", dropped)),
        ]  # isb_ifrecv, isb_ifdrop
        body = struct.pack("<III", 0, last_ns >> 32, last_ns & 0xFFFFFFFF)
        parts.append(_block(5, body + _options(counters)))
    return b"".join(parts)


def _padded(octets: bytes) -> bytes:
    return octets + bytes(-len(octets) % 4)


def _options(options: Sequence[tuple[int, bytes]]) -> bytes:
    if not options:
        return b""
    body = b"".join(struct.pack("<HH", code, len(value)) + _padded(value) for code, value in options)
    return body + struct.pack("<HH", 0, 0)


def _block(kind: int, body: bytes) -> bytes:
    length = struct.pack("<I", len(body) + 12)
    return struct.pack("<I", kind) + length + body + length
