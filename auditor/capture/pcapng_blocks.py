"""
The blocks of a pcapng file that hold no packet: sections, interfaces, statistics, and the options in them.

Standard: draft-ietf-opsawg-pcapng (options section 3.5, Section Header Block 4.1,
          Interface Description Block 4.2, Interface Statistics Block 4.5).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from auditor.addresses import LinkAddress
from auditor.capture.record import Int64Column, InterfaceFacts, IssueKind
from auditor.capture.tally import Tally
from auditor.units import NS_PER_SECOND

OPTION_END = 0
OPTION_COMMENT = 1
# A block may hold options up to its own length; more than this in one block say nothing new.
MAX_OPTIONS = 256
MAX_TEXT_OCTETS = 1024  # names, descriptions and filters; longer ones are cut

IF_NAME, IF_DESCRIPTION, IF_LINK_ADDRESS, IF_TSRESOL, IF_FILTER, IF_OS = 2, 3, 6, 9, 11, 12
IF_TSOFFSET, IF_HARDWARE = 14, 15
ISB_RECEIVED, ISB_DROPPED, ISB_SYSTEM_DROPPED = 4, 5, 7
FILTER_IS_TEXT = 0  # first octet of if_filter

# Times are kept in 64 bits of nanoseconds; the lower bound leaves room for differences.
LEAST_NS, GREATEST_NS = -(1 << 62), (1 << 63) - 1

FILTERED_BY = "a filter chose what was recorded: "
"""Stands before a filter's text, which may name anybody."""


def read_options(block: memoryview, start: int, end: int, order: str) -> Iterator[tuple[int, bytes]]:
    """Yield code and value of each option between ``start`` and ``end``; ends quietly where they break."""
    head = struct.Struct(order + "HH")
    at = start
    for _ in range(MAX_OPTIONS):
        if at + 4 > end:
            return
        code, length = head.unpack_from(block, at)
        if code == OPTION_END or at + 4 + length > end:
            return
        yield code, bytes(block[at + 4 : at + 4 + length])
        at += 4 + (length + 3 & ~3)


class Clock:
    """How one interface counts time: if_tsresol and if_tsoffset."""

    def __init__(self, resolution: int = 6, offset_seconds: int = 0) -> None:
        """``resolution`` is the octet of if_tsresol: units are 10^-n, or 2^-n where the top bit is set."""
        exponent = resolution & 0x7F
        self._units_per_second = 2**exponent if resolution & 0x80 else 10**exponent
        self._offset_ns = offset_seconds * NS_PER_SECOND
        self.multiplier: int | None = None
        """Nanoseconds a unit, where that and a plain product are all there is to it."""
        if self._offset_ns == 0 and NS_PER_SECOND % self._units_per_second == 0:
            self.multiplier = NS_PER_SECOND // self._units_per_second

    def to_ns(self, raw: npt.NDArray[np.uint64]) -> tuple[Int64Column, int]:
        """Nanoseconds since 1970, and how many of them had to be clipped to 64 bits."""
        if self.multiplier is not None and (not len(raw) or int(raw.max()) <= GREATEST_NS // self.multiplier):
            return (raw * np.uint64(self.multiplier)).astype(np.int64), 0
        # Exact whatever the resolution; only unusual files come here.
        units = self._units_per_second
        exact = [value * NS_PER_SECOND // units + self._offset_ns for value in raw.tolist()]
        clipped = sum(not LEAST_NS <= value <= GREATEST_NS for value in exact)
        bounded = [min(max(value, LEAST_NS), GREATEST_NS) for value in exact]
        return np.array(bounded, np.int64), clipped


class Interface:
    """One interface while its section is read."""

    def __init__(self, link_type: int, snap_length: int) -> None:
        self.link_type = link_type
        self.snap_length = snap_length
        self.clock = Clock()
        self.received: int | None = None
        self.dropped: int | None = None
        self.counted_drops = 0
        """Sum of what packet blocks say was lost before them."""
        self._text: dict[int, str] = {}
        self.capture_filter: str | None = None
        self.link_address: LinkAddress | None = None

    def facts(self) -> InterfaceFacts:
        """What is known of it by now."""
        return InterfaceFacts(
            link_type=self.link_type,
            snap_length=self.snap_length,
            name=self._text.get(IF_NAME),
            description=self._text.get(IF_DESCRIPTION),
            capture_filter=self.capture_filter,
            hardware=self._text.get(IF_HARDWARE),
            operating_system=self._text.get(IF_OS),
            received=self.received,
            dropped=self.lost,
            link_address=self.link_address,
        )

    @property
    def lost(self) -> int | None:
        """Packets lost, by the statistics where there are any, else by the packet blocks."""
        if self.dropped is None:
            return self.counted_drops or None
        return max(self.dropped, self.counted_drops)

    def set_text(self, code: int, value: bytes) -> None:
        """Keep the first text of each kind."""
        self._text.setdefault(code, decode_text(value))


def parse_interface(block: memoryview, order: str, tally: Tally) -> Interface:
    """Read a whole Interface Description Block of at least 20 octets."""
    link_type, _, snap_length = struct.unpack_from(order + "HHI", block, 8)
    interface = Interface(link_type, snap_length)
    resolution, offset_seconds = 6, 0
    for code, value in read_options(block, 16, len(block) - 4, order):
        if code in (IF_NAME, IF_DESCRIPTION, IF_OS, IF_HARDWARE):
            interface.set_text(code, value)
        elif code == IF_LINK_ADDRESS and len(value) == 6:
            interface.link_address = LinkAddress(value)
        elif code == IF_TSRESOL and value:
            resolution = value[0]
        elif code == IF_TSOFFSET and len(value) == 8:
            (offset_seconds,) = struct.unpack(order + "q", value)
        elif code == IF_FILTER and value:
            text = decode_text(value[1:]) if value[0] == FILTER_IS_TEXT else "(compiled)"
            interface.capture_filter = text
            tally.add_issue(IssueKind.FILTERED, 1, f"{FILTERED_BY}{text}")
        elif code == OPTION_COMMENT:
            tally.add_comment(value, None, None)
    interface.clock = Clock(resolution, offset_seconds)
    return interface


def read_statistics(block: memoryview, order: str, interface: Interface, tally: Tally) -> None:
    """Read a whole Interface Statistics Block of at least 24 octets; the last one of an interface holds."""
    drops: dict[int, int] = {}
    for code, value in read_options(block, 20, len(block) - 4, order):
        if code == OPTION_COMMENT:
            tally.add_comment(value, None, None)
        elif len(value) == 8:
            (count,) = struct.unpack(order + "Q", value)
            if code == ISB_RECEIVED:
                interface.received = count
            elif code in (ISB_DROPPED, ISB_SYSTEM_DROPPED):
                drops[code] = count
    if drops:
        interface.dropped = sum(drops.values())


def decode_text(value: bytes) -> str:
    """UTF-8 by the standard; what is not is replaced, what is too long is cut, a closing zero is left off."""
    return value[:MAX_TEXT_OCTETS].rstrip(b"\0").decode("utf-8", "replace")
