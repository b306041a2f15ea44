"""
The classic capture file: one header, then records of a fixed header and the octets of a frame.

Standard: draft-ietf-opsawg-pcap (file header section 4, packet record section 5).
Reads:    both byte orders, times in microseconds and nanoseconds.  Of the link
          type field only the low 16 bits are the link type.
Where a record's length is damaged, reading goes on at the next place that
proves itself: a run of headers with plausible times and lengths.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from auditor.capture.record import Int64Column, InterfaceFacts, IssueKind, RecordChunk
from auditor.capture.rolling import MAX_RECORD_OCTETS, RollingBuffer
from auditor.capture.tally import Tally
from auditor.units import NS_PER_SECOND

MAGICS = {
    b"\xd4\xc3\xb2\xa1": ("<", 1000),
    b"\xa1\xb2\xc3\xd4": (">", 1000),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
    b"\xa1\xb2\x3c\x4d": (">", 1),
}
"""Byte order and nanoseconds a unit of the second time field, by the first four octets (section 4)."""

FILE_HEADER_OCTETS = 24
RECORD_HEADER_OCTETS = 16
LENGTH_AT = 8  # in the record header: captured length (section 5)
VERSION = (2, 4)

# A file with more damaged places than this is not worth following further.
MAX_RESYNCHRONISATIONS = 32
# Headers in a row that prove a place; a chain that ends exactly with the file proves itself too.
PROOF_HEADERS = 4
PROOF_RECORD_OCTETS = 262_144  # greatest snap length that recorders offer (common practice)
# Records that follow one another are not further apart; a longer pause only makes a place unprovable.
PROOF_SECONDS = 86_400
# Places that begin a proof must leave room for the whole of it.
OVERLAP_OCTETS = PROOF_HEADERS * (PROOF_RECORD_OCTETS + RECORD_HEADER_OCTETS)
SEARCH_OCTETS = OVERLAP_OCTETS + MAX_RECORD_OCTETS
# Places looked at one by one in each window; hostile octets could make every octet look like a header.
MAX_CANDIDATES = 4096


@dataclass(frozen=True, slots=True)
class _Run:
    """Records that follow one another in the window."""

    offsets: Int64Column
    """Of the record headers."""
    heads: npt.NDArray[Any]
    stop: int
    """Where the run ends: an incomplete record, or a damaged one."""
    damaged: bool


class PcapFile:
    """The records of one classic capture file."""

    format = "pcap"

    def __init__(self, window: RollingBuffer, tally: Tally, capture_index: int) -> None:
        self._window = window
        self._tally = tally
        self._capture_index = capture_index
        self._last_seconds: int | None = None
        self.interfaces: list[InterfaceFacts] = []
        self._read_file_header()

    def _read_file_header(self) -> None:
        window = self._window
        order, self._unit_ns = MAGICS[bytes(window.buffer[window.start : window.start + 4])]
        self._units = NS_PER_SECOND // self._unit_ns
        self._length_at = struct.Struct(order + "I").unpack_from
        self._fields = struct.Struct(order + "IIII")
        self._header = np.dtype(
            [(name, order + "u4") for name in ("seconds", "part", "captured", "original")]
        )
        self._link_type = 0
        if not window.need(FILE_HEADER_OCTETS):
            held = window.end - window.start
            detail = f"the file ends inside its header: {held} of {FILE_HEADER_OCTETS} octets"
            self._tally.add_issue(IssueKind.CUT_SHORT, 1, detail)
            window.start = window.end
            return
        major, minor, _, _, snap_length, link_field = struct.unpack_from(
            order + "HHiIII", window.buffer, window.start + 4
        )
        if (major, minor) != VERSION:
            detail = f"file format version {major}.{minor}, read as if it were 2.4"
            self._tally.add_issue(IssueKind.UNSUPPORTED, 1, detail)
        self._link_type = link_field & 0xFFFF
        self.interfaces.append(InterfaceFacts(link_type=self._link_type, snap_length=snap_length))
        window.start += FILE_HEADER_OCTETS

    def chunks(self) -> Iterator[RecordChunk]:
        """Deliver every record that can be read, a window at a time."""
        window = self._window
        searches = 0
        while window.need(RECORD_HEADER_OCTETS):
            run = self._run()
            if not run.damaged:
                if len(run.offsets):
                    yield from self._deliver(run.offsets, run.heads)
                window.start = run.stop
                claimed = self._claimed(run.stop)
                if claimed is None or window.need(RECORD_HEADER_OCTETS + claimed):
                    continue
            searches += 1
            if searches > MAX_RESYNCHRONISATIONS:
                position = window.base + run.stop if run.damaged else window.position
                self._report_lost(position, f"more than {MAX_RESYNCHRONISATIONS} places are damaged")
                return
            yield from self._recover(run)
        if window.end > window.start:
            self._report_cut(window.position)

    def _run(self) -> _Run:
        """Walk over the records in the window; the only loop that runs once a packet."""
        window = self._window
        buffer, length_at = window.buffer, self._length_at
        found: list[int] = []
        add = found.append
        # What is added are places of the length field: a record costs one call and one sum.
        at, last = window.start + LENGTH_AT, window.end - RECORD_HEADER_OCTETS + LENGTH_AT
        while at <= last:
            add(at)
            at += length_at(buffer, at)[0] + RECORD_HEADER_OCTETS
        if at - LENGTH_AT > window.end:  # the last one is not whole
            at = found.pop()
        at -= LENGTH_AT
        offsets = np.array(found, np.int64)
        offsets -= LENGTH_AT
        heads = window.gather(offsets, self._header)
        claimed = self._claimed(at)
        too_long = claimed is not None and claimed > MAX_RECORD_OCTETS
        row = self._first_astray(heads, too_long=too_long)
        if row is not None:
            return _Run(offsets[:row], heads[:row], int(offsets[row]), damaged=True)
        return _Run(offsets, heads, at, too_long)

    def _claimed(self, at: int) -> int | None:
        """The length in the record header at ``at``; None where the window holds no whole header."""
        if at + RECORD_HEADER_OCTETS > self._window.end:
            return None
        return int(self._length_at(self._window.buffer, at + LENGTH_AT)[0])

    def _first_astray(self, heads: npt.NDArray[Any], *, too_long: bool) -> int | None:
        """
        The first of the headers that are none.

        A time that no clock shows is believed as long as the lengths lead on:
        some recorders and converters write such times.
        """
        if not too_long:
            return None
        sound = np.flatnonzero(heads["part"] < self._units)
        first = int(sound[-1]) + 1 if len(sound) else 0
        return first if first < len(heads) else None

    def _deliver(self, offsets: Int64Column, heads: npt.NDArray[Any]) -> Iterator[RecordChunk]:
        """
        Deliver records, less those that were never written.

        A file system leaves zeros where a crash cut the writing off; they read
        as empty records of the year 1970.  One may be true, two in a row are
        not: they keep their numbers, as packet viewers count them, and are not
        delivered, or the recording would seem to last for decades.
        """
        numbers = np.arange(self._tally.packets + 1, self._tally.packets + 1 + len(offsets), dtype=np.int64)
        if not heads["captured"].all():
            empty = (heads["seconds"] == 0) & (heads["captured"] == 0) & (heads["original"] == 0)
            unwritten = np.zeros(len(empty), np.bool_)
            unwritten[:-1] = empty[:-1] & empty[1:]
            unwritten[1:] |= unwritten[:-1].copy()
            if unwritten.any():
                count, first = int(unwritten.sum()), int(numbers[int(np.argmax(unwritten))])
                what = "are zeros that were never written"
                self._tally.count_packets(IssueKind.DAMAGED, what, count, first)
                self._tally.packets += count
                offsets, heads, numbers = offsets[~unwritten], heads[~unwritten], numbers[~unwritten]
        if len(offsets):
            yield self._chunk(offsets, heads, numbers)

    def _chunk(self, offsets: Int64Column, heads: npt.NDArray[Any], numbers: Int64Column) -> RecordChunk:
        count = len(offsets)
        seconds = heads["seconds"].astype(np.int64)
        captured = heads["captured"].astype(np.int64)
        original = heads["original"].astype(np.int64)
        odd = heads["part"] >= self._units
        if odd.any():
            first = int(numbers[int(np.argmax(odd))])
            self._tally.count_packets(
                IssueKind.DAMAGED, "carry a fraction of more than a second", int(odd.sum()), first
            )
        short = original < captured
        if short.any():
            first = int(numbers[int(np.argmax(short))])
            what = "claim fewer octets on the wire than were recorded"
            self._tally.count_packets(IssueKind.DAMAGED, what, int(short.sum()), first)
            original = np.maximum(original, captured)
        times = seconds * NS_PER_SECOND
        times += heads["part"].astype(np.int64) * self._unit_ns
        self._last_seconds = int(seconds[-1])
        zero = np.broadcast_to(np.int64(0), (count,))
        chunk = RecordChunk(
            buffer=self._window.buffer,
            offsets=offsets + RECORD_HEADER_OCTETS,
            captured_length=captured,
            original_length=original,
            timestamp_ns=times,
            link_type=np.broadcast_to(np.int64(self._link_type), (count,)),
            interface_id=zero,
            packet_number=numbers,
            capture_index=np.broadcast_to(np.int64(self._capture_index), (count,)),
        )
        self._tally.add_records(chunk)
        return chunk

    def _recover(self, run: _Run) -> Iterator[RecordChunk]:
        """Find the next place that proves itself, and say what was passed over."""
        window = self._window
        held = 0
        # A run that is not damaged has been delivered; the window has moved on since and starts behind it.
        damaged_at = window.base + run.stop if run.damaged else window.position
        if run.damaged and len(run.offsets):
            # The last record's own length may be the damaged one: it is held back until the search has ended.
            if len(run.offsets) > 1:
                yield from self._deliver(run.offsets[:-1], run.heads[:-1])
            window.start = int(run.offsets[-1])
            held = run.stop - window.start
        elif run.damaged:
            window.start = run.stop
        window.need(SEARCH_OCTETS)
        found = self._search(window.start + 1)
        if held:
            if found is None or found >= window.start + held:
                offsets = np.array([window.start], np.int64)
                yield from self._deliver(offsets, window.gather(offsets, self._header))
                window.start += held
            else:
                damaged_at = window.position
        while found is None and not window.at_end:
            window.start = max(window.start, window.end - OVERLAP_OCTETS)
            window.need(SEARCH_OCTETS)
            found = self._search(window.start)
        if found is not None:
            window.start = found
            lost = window.position - damaged_at
            detail = f"a record header is damaged at octet {damaged_at}; {lost} octets were not read"
            self._tally.add_issue(IssueKind.DAMAGED, lost, detail)
        elif run.damaged:
            self._report_lost(damaged_at, "a record header is damaged and no later record proves itself")
        else:
            self._report_cut(damaged_at)

    def _search(self, start: int) -> int | None:
        """The first offset from ``start`` on at which a run of records proves itself."""
        window = self._window
        count = window.end - RECORD_HEADER_OCTETS + 1 - start
        if count <= 0:
            return None
        shape = (count,)
        heads = np.ndarray(shape, self._header, window.buffer, start, strides=(1,))
        likely = heads["captured"] - np.uint32(1) < PROOF_RECORD_OCTETS  # 0 wraps round and falls out
        likely &= heads["part"] < self._units
        places = np.flatnonzero(likely)
        heads = heads[places]
        keep = heads["captured"] <= heads["original"]
        keep &= heads["original"] <= MAX_RECORD_OCTETS
        if self._last_seconds is not None:
            keep &= np.abs(heads["seconds"].astype(np.int64) - self._last_seconds) <= PROOF_SECONDS
        for place in places[keep][:MAX_CANDIDATES].tolist():
            if self._proves_itself(start + place):
                return int(start + place)
        return None

    def _proves_itself(self, at: int) -> bool:
        window = self._window
        previous: int | None = None
        for _ in range(PROOF_HEADERS):
            if at == window.end and window.at_end:
                return True
            if at + RECORD_HEADER_OCTETS > window.end:
                return False
            seconds, part, captured, original = self._fields.unpack_from(window.buffer, at)
            if part >= self._units or not 0 < captured <= min(original, PROOF_RECORD_OCTETS):
                return False
            if previous is not None and abs(seconds - previous) > PROOF_SECONDS:
                return False
            previous = seconds
            at += RECORD_HEADER_OCTETS + captured
        return at <= window.end

    def _report_cut(self, position: int) -> None:
        window = self._window
        rest = window.base + window.end - position
        number = self._tally.packets + 1
        detail = f"the file ends inside record {number} at octet {position}; {rest} octets were not read"
        self._tally.add_issue(IssueKind.CUT_SHORT, 1, detail)
        window.start = window.end

    def _report_lost(self, position: int, why: str) -> None:
        """Nothing past ``position`` is read."""
        self._tally.add_issue(IssueKind.DAMAGED, 1, f"{why}; nothing past octet {position} was read")
        self._window.start = self._window.end
