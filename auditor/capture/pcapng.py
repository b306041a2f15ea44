"""
The block-structured capture file: sections, interfaces, packets.

Standard: draft-ietf-opsawg-pcapng (blocks section 3.1, Enhanced Packet Block 4.3,
          Simple Packet Block 4.4, obsolete Packet Block appendix A).
Reads:    every packet block; several sections, each in its own byte order;
          several interfaces, each with its own clock.
Skips:    name resolution, decryption secrets, journal, custom and unknown blocks.
A Simple Packet Block carries no time: it is given the time of the packet before
it in the file (0 where there is none), so that order and flows hold, and a
``clock`` issue counts such packets.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditor.capture.pcapng_blocks import (
    GREATEST_NS,
    OPTION_COMMENT,
    Clock,
    Interface,
    parse_interface,
    read_options,
    read_statistics,
)
from auditor.capture.pcapng_packets import ENHANCED, PACKET, SIMPLE, packet_columns, read_packet_options
from auditor.capture.record import Int64Column, InterfaceFacts, IssueKind, RecordChunk
from auditor.capture.rolling import MAX_BLOCK_OCTETS, RollingBuffer
from auditor.capture.tally import Tally
from auditor.errors import CaptureFormatError

BLOCK_SECTION_HEADER = b"\x0a\x0d\x0d\x0a"  # reads the same in both byte orders
SECTION, INTERFACE, STATISTICS = 0x0A0D0D0A, 1, 5
OTHER_PACKETS = (PACKET, SIMPLE)
KNOWN_KINDS = frozenset((SECTION, *range(1, 11), 0x00000BAD, 0x40000BAD))
BYTE_ORDERS = {b"\x4d\x3c\x2b\x1a": "<", b"\x1a\x2b\x3c\x4d": ">"}

SECTION_OCTETS = 28  # least length of a Section Header Block
LEAST_OCTETS = {INTERFACE: 20, PACKET: 32, SIMPLE: 16, STATISTICS: 24, ENHANCED: 32}
BLOCK_FRAME_OCTETS = 12  # type and length before, length after
VERSIONS = ((1, 0), (1, 2))  # 1.2 is read as 1.0 (section 4.1)

# Each interface is kept to the end for its facts; a recorder has a handful.
MAX_INTERFACES = 4096
MAX_RESYNCHRONISATIONS = 32  # as in a classic file
PROOF_BLOCKS = 3  # blocks in a row whose two lengths agree, or fewer that end exactly with the file
PROOF_BLOCK_OCTETS = 1 << 18
OVERLAP_OCTETS = PROOF_BLOCKS * PROOF_BLOCK_OCTETS
SEARCH_OCTETS = 2 * OVERLAP_OCTETS
MAX_CANDIDATES = 4096  # places tried after damage: keeps a search of random octets linear


@dataclass(frozen=True, slots=True)
class _Run:
    packets: Int64Column
    """Offsets of packet blocks."""
    others: list[int]
    """Offsets of the blocks between them that hold no packet."""
    stop: int
    damaged: bool


class PcapngFile:
    """The records of one pcapng file."""

    format = "pcapng"

    def __init__(self, window: RollingBuffer, tally: Tally, capture_index: int, name: str) -> None:
        self._window = window
        self._tally = tally
        self._capture_index = capture_index
        self._interfaces: list[Interface] = []
        self._section_base = 0  # interfaces of the sections before this one
        self._latest_ns = 0
        self._packet_blocks = 0
        self._set_order("<")
        if window.need(BLOCK_FRAME_OCTETS) and not self._order_at(0):
            found = bytes(window.buffer[8:12]).hex(" ")
            raise CaptureFormatError(
                name, f"is not a pcapng file: expected a byte-order magic, found octets {found}"
            )

    @property
    def interfaces(self) -> list[InterfaceFacts]:
        """Of all sections, in the order of the file."""
        return [interface.facts() for interface in self._interfaces]

    def _set_order(self, order: str) -> None:
        self._order = order
        self._pair = struct.Struct(order + "II").unpack_from
        self._word = struct.Struct(order + "I").unpack_from
        self._word_type = np.dtype(order + "u4")

    def chunks(self) -> Iterator[RecordChunk]:
        """Deliver every record that can be read, a window at a time."""
        window = self._window
        searches = 0
        while window.need(BLOCK_FRAME_OCTETS):
            run = self._run()
            for at in run.others:
                self._read_other(at)
            if len(run.packets):
                chunk = self._chunk(run.packets)
                if len(chunk):
                    yield chunk
            window.start = run.stop
            if not run.damaged and self._advance(run.stop):
                continue
            if window.start == window.end and window.at_end:
                break
            searches += 1
            if searches > MAX_RESYNCHRONISATIONS:
                why = f"more than {MAX_RESYNCHRONISATIONS} places are damaged"
                self._report_lost(window.position, why)
                break
            self._recover(damaged=run.damaged)
        if window.end > window.start:
            self._report_cut(window.position)
        self._report_drops()

    def _advance(self, stop: int) -> bool:
        """Make the block at ``stop`` whole, or open the section that begins there; False: neither can be."""
        window = self._window
        if stop + BLOCK_FRAME_OCTETS > window.end:
            return True
        kind, length = self._pair(window.buffer, stop)
        if kind == SECTION:
            return self._open_section()
        return window.need(length)

    def _run(self) -> _Run:
        """Walk over the blocks in the window; the only loop that runs once a packet."""
        window = self._window
        buffer, end, pair = window.buffer, window.end, self._pair
        found: list[int] = []
        others: list[int] = []
        add = found.append
        at, last = window.start, window.end - BLOCK_FRAME_OCTETS
        damaged = False
        while at <= last:
            kind, length = pair(buffer, at)
            following = at + length
            if following > end or length < BLOCK_FRAME_OCTETS:
                damaged = kind != SECTION and not self._plausible_length(length)
                break
            if kind == ENHANCED or kind in OTHER_PACKETS:
                add(at)
            elif kind == SECTION:
                break
            else:
                others.append(at)
            at = following
        packets = np.array(found, np.int64)
        astray = self._first_astray(packets, others)
        if astray is not None:
            packets = packets[packets < astray]
            others = [other for other in others if other < astray]
            return _Run(packets, others, astray, damaged=True)
        return _Run(packets, others, at, damaged)

    @staticmethod
    def _plausible_length(length: int) -> bool:
        return BLOCK_FRAME_OCTETS <= length <= MAX_BLOCK_OCTETS and length % 4 == 0

    def _first_astray(self, packets: Int64Column, others: list[int]) -> int | None:
        """The first block whose two lengths disagree and that no likely block follows."""
        window = self._window
        doubtful = [other for other in others if self._is_astray(other)][:1]
        if len(packets):
            lengths = window.gather(packets + 4, self._word_type).astype(np.int64)
            after = window.gather(packets + lengths - 4, self._word_type)
            odd = (after != lengths) | (lengths & 3 != 0)
            if odd.any():
                numbers = np.flatnonzero(odd)
                doubtful += [at for at in packets[numbers].tolist() if self._is_astray(at)][:1]
                if not doubtful:
                    what = "stand in blocks whose two lengths differ"
                    first = self._packet_blocks + int(numbers[0]) + 1
                    self._tally.count_packets(IssueKind.DAMAGED, what, len(numbers), first)
        return min(doubtful, default=None)

    def _is_astray(self, at: int) -> bool:
        window = self._window
        kind, length = self._pair(window.buffer, at)
        if length % 4 or length < LEAST_OCTETS.get(kind, 0):
            return True
        following = at + length
        if self._word(window.buffer, following - 4)[0] == length:
            return False
        if following + 8 > window.end:
            return not (kind in KNOWN_KINDS and window.at_end)
        next_kind, next_length = self._pair(window.buffer, following)
        if next_kind == SECTION:
            return False
        return next_kind not in KNOWN_KINDS or not self._plausible_length(next_length)

    def _order_at(self, start: int) -> str:
        """Byte order of the section that begins at ``start``, empty where its magic is wrong."""
        return BYTE_ORDERS.get(bytes(self._window.buffer[start + 8 : start + 12]), "")

    def _open_section(self) -> bool:
        window = self._window
        order = self._order_at(window.start)
        if not order:
            return False
        self._set_order(order)
        (length,) = self._word(window.buffer, window.start + 4)
        if not self._plausible_length(length) or length < SECTION_OCTETS or not window.need(length):
            return False
        block = memoryview(window.buffer)[window.start : window.start + length]
        version = struct.unpack_from(order + "HH", block, 12)
        if version not in VERSIONS:
            number = f"{version[0]}.{version[1]}"
            detail = f"section version {number} at octet {window.position}, read as if it were 1.0"
            self._tally.add_issue(IssueKind.UNSUPPORTED, 1, detail)
        for code, value in read_options(block, 24, length - 4, order):
            if code == OPTION_COMMENT:
                self._tally.add_comment(value, None, None)
        self._section_base = len(self._interfaces)
        window.start += length
        return True

    def _read_other(self, at: int) -> None:
        window = self._window
        kind, length = self._pair(window.buffer, at)
        if kind not in (INTERFACE, STATISTICS):
            return
        block = memoryview(window.buffer)[at : at + length]
        if kind == INTERFACE:
            if len(self._interfaces) < MAX_INTERFACES:
                self._interfaces.append(parse_interface(block, self._order, self._tally))
            else:
                self._tally.add_issue(IssueKind.UNSUPPORTED, 1, f"more than {MAX_INTERFACES} interfaces")
            return
        number = self._section_base + self._word(block, 8)[0]
        if number < len(self._interfaces):
            read_statistics(block, self._order, self._interfaces[number], self._tally)

    def _chunk(self, offsets: Int64Column) -> RecordChunk:
        interfaces = self._interfaces[self._section_base :]
        columns = packet_columns(self._window, offsets, self._order, interfaces)
        numbers = np.arange(len(offsets), dtype=np.int64)
        numbers += self._packet_blocks + 1
        self._packet_blocks += len(offsets)
        for what, rows in columns.faults.items():
            first = int(numbers[int(np.argmax(rows))])
            self._tally.count_packets(IssueKind.DAMAGED, what, int(rows.sum()), first)
        if not columns.declared.all():
            keep = columns.declared
            columns, numbers = columns.select(keep), numbers[keep]
        count = len(numbers)
        times = self._times(columns.raw_time, columns.interface, columns.timed, numbers, interfaces)
        types = np.array([interface.link_type for interface in interfaces] or [0], np.int64)
        one_type = bool((types == types[0]).all())
        if len(interfaces) == 1 and self._section_base == 0:
            interface_id = np.broadcast_to(np.int64(0), (count,))
        else:
            interface_id = columns.interface + self._section_base
        chunk = RecordChunk(
            buffer=self._window.buffer,
            offsets=columns.frame,
            captured_length=columns.captured,
            original_length=columns.original,
            timestamp_ns=times,
            link_type=np.broadcast_to(types[0], (count,)) if one_type else types[columns.interface],
            interface_id=interface_id,
            packet_number=numbers,
            capture_index=np.broadcast_to(np.int64(self._capture_index), (count,)),
        )
        read_packet_options(self._window, columns, chunk, self._order, interfaces, self._tally)
        if count:
            self._tally.add_records(chunk, timed=None if columns.timed is None else times[columns.timed])
        return chunk

    def _times(
        self,
        raw: npt.NDArray[np.uint64],
        interface: Int64Column,
        timed: npt.NDArray[np.bool_] | None,
        numbers: Int64Column,
        interfaces: list[Interface],
    ) -> Int64Column:
        """Nanoseconds by each packet's interface clock; packets without a time take the one before."""
        if not len(raw):
            return np.zeros(0, np.int64)
        clocks = [item.clock for item in interfaces]
        times = _convert(raw, interface, clocks)
        if times is None:
            times = np.zeros(len(raw), np.int64)
            for number in np.flatnonzero(np.bincount(interface)).tolist():
                rows = np.flatnonzero(interface == number)
                times[rows], clipped = clocks[number].to_ns(raw[rows])
                if clipped:
                    what = "carry a time that does not fit into 64 bits of nanoseconds"
                    self._tally.count_packets(IssueKind.CLOCK, what, clipped, int(numbers[rows[0]]))
        if timed is not None:
            before = np.where(timed, np.arange(len(raw)), -1)
            before = np.maximum.accumulate(before)
            times = np.where(before >= 0, times[np.maximum(before, 0)], self._latest_ns)
            missing = int(np.count_nonzero(~timed))
            what = "carry no time of their own (simple packet blocks) and take that of the packet before"
            first = int(numbers[int(np.argmin(timed))])
            self._tally.count_packets(IssueKind.CLOCK, what, missing, first)
        self._latest_ns = int(times[-1])
        return times

    def _recover(self, *, damaged: bool) -> None:
        """Find the next block that proves itself, and say what was passed over."""
        window = self._window
        damaged_at = window.position
        window.need(SEARCH_OCTETS)
        found = self._search(window.start + 1)
        while found is None and not window.at_end:
            window.start = max(window.start, window.end - OVERLAP_OCTETS)
            window.need(SEARCH_OCTETS)
            found = self._search(window.start)
        if found is not None:
            window.start = found
            lost = window.position - damaged_at
            detail = f"a block is damaged at octet {damaged_at}; {lost} octets were not read"
            self._tally.add_issue(IssueKind.DAMAGED, lost, detail)
        elif damaged:
            self._report_lost(damaged_at, "a block is damaged and no later block proves itself")
        else:
            self._report_cut(damaged_at)

    def _search(self, start: int) -> int | None:
        window = self._window
        count = window.end - BLOCK_FRAME_OCTETS + 1 - start
        if count <= 0:
            return None
        layout = np.dtype([("kind", self._word_type), ("length", self._word_type)])
        heads = np.ndarray((count,), layout, window.buffer, start, strides=(1,))
        kinds, lengths = heads["kind"], heads["length"]
        likely = (kinds - np.uint32(1) < ENHANCED) & (lengths & 3 == 0)
        likely &= (lengths >= BLOCK_FRAME_OCTETS) & (lengths <= PROOF_BLOCK_OCTETS)
        likely |= kinds == SECTION
        for place in np.flatnonzero(likely)[:MAX_CANDIDATES].tolist():
            if self._proves_itself(start + place):
                return int(start + place)
        return None

    def _proves_itself(self, at: int) -> bool:
        window = self._window
        word = self._word
        for _ in range(PROOF_BLOCKS):
            if at == window.end and window.at_end:
                return True
            if at + BLOCK_FRAME_OCTETS > window.end:
                return False
            if window.buffer[at : at + 4] == BLOCK_SECTION_HEADER:
                order = self._order_at(at)
                if not order:
                    return False
                word = struct.Struct(order + "I").unpack_from
            (kind,), (length,) = word(window.buffer, at), word(window.buffer, at + 4)
            if kind not in KNOWN_KINDS or not self._plausible_length(length) or at + length > window.end:
                return False
            if word(window.buffer, at + length - 4)[0] != length:
                return False
            at += length
        return True

    def _report_cut(self, position: int) -> None:
        window = self._window
        rest = window.base + window.end - position
        detail = f"the file ends inside a block at octet {position}; {rest} octets were not read"
        self._tally.add_issue(IssueKind.CUT_SHORT, 1, detail)
        window.start = window.end

    def _report_lost(self, position: int, why: str) -> None:
        self._tally.add_issue(IssueKind.DAMAGED, 1, f"{why}; nothing past octet {position} was read")
        self._window.start = self._window.end

    def _report_drops(self) -> None:
        for number, interface in enumerate(self._interfaces):
            if interface.lost:
                detail = f"interface {number} lost {interface.lost} packets while recording"
                self._tally.add_issue(IssueKind.DROPPED, interface.lost, detail)


def _convert(raw: npt.NDArray[np.uint64], interface: Int64Column, clocks: list[Clock]) -> Int64Column | None:
    """Times where every clock is a plain multiplier, else None."""
    multipliers = [clock.multiplier for clock in clocks if clock.multiplier is not None]
    if len(multipliers) != len(clocks):
        return None
    factors = np.array(multipliers, np.uint64)
    limits = np.uint64(GREATEST_NS) // factors
    if len(set(multipliers)) == 1:
        return None if raw.max() > limits[0] else (raw * factors[0]).astype(np.int64)
    if (raw > limits[interface]).any():
        return None
    return (raw * factors[interface]).astype(np.int64)
