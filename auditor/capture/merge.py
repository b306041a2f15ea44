"""
Several recordings as one run of chunks, in the order of time.

Files that follow one another are chained: their chunks pass through untouched.
Where files overlap, rows are interleaved by time, window by window; memory is
bounded by the windows of the files that overlap.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from auditor.capture.compression import BinarySource
from auditor.capture.reader import BATCH_OCTETS, CaptureReader, open_capture
from auditor.capture.record import SLACK, CaptureFacts, CaptureIssue, Int64Column, IssueKind, RecordChunk
from auditor.errors import CaptureError, CaptureFormatError, CaptureReadError

CaptureSource = str | os.PathLike[str] | BinarySource

# One window is held for each file that overlaps others; ring files and a few recorders do not come near.
MAX_OVERLAPPING = 32
OVERLAP_BATCH_OCTETS = 1 << 20
# A folder is listed as a whole.
MAX_FOLDER_ENTRIES = 100_000
PEEK_OCTETS = 1 << 16
_NEVER = np.iinfo(np.int64).max


def open_captures(sources: Iterable[CaptureSource], *, batch_octets: int = BATCH_OCTETS) -> CaptureSet:
    """
    Open files, folders and binary file objects as one recording.

    Of a folder all captures in it are taken, told by content, in the order of
    their names; what is no capture there becomes an issue of the set.

    Raises:
        CaptureFormatError: a file named is no capture, or a folder holds none.
        CaptureReadError: the operating system would not give the octets.
    """
    members: list[_Member] = []
    issues: list[CaptureIssue] = []
    try:
        for source in sources:
            if isinstance(source, (str, os.PathLike)) and Path(source).is_dir():
                _add_folder(Path(source), members, issues, batch_octets)
            else:
                members.append(_Member(source, len(members), batch_octets))
    except BaseException:
        for member in members:
            member.close()
        raise
    return CaptureSet(members, tuple(issues))


def _add_folder(folder: Path, members: list[_Member], issues: list[CaptureIssue], batch_octets: int) -> None:
    try:
        paths = sorted(path for path in folder.iterdir() if not path.is_dir())
    except OSError as error:
        raise CaptureReadError(folder.name, f"cannot be listed: {error.strerror or error}") from None
    if len(paths) > MAX_FOLDER_ENTRIES:
        raise CaptureReadError(folder.name, f"holds more than {MAX_FOLDER_ENTRIES} files")
    before = len(members)
    for path in paths:
        if not path.is_file():  # reading a pipe or a device that nobody named could wait for ever
            issues.append(
                CaptureIssue(kind=IssueKind.UNSUPPORTED, count=1, detail=f"{path.name}: is no plain file")
            )
            continue
        try:
            members.append(_Member(path, len(members), batch_octets))
        except CaptureError as error:
            issues.append(CaptureIssue(kind=IssueKind.UNSUPPORTED, count=1, detail=str(error)))
    if len(members) == before:
        raise CaptureFormatError(folder.name or str(folder), "is a folder without a capture file")


class _Member:
    """One file of the set: known by its first time, opened when its turn comes."""

    def __init__(self, source: CaptureSource, index: int, batch_octets: int) -> None:
        self._source = source
        self._index = index
        self._batch_octets = batch_octets
        self.reader: CaptureReader | None = None
        self.chunk: RecordChunk | None = None
        self.keys: Int64Column = np.zeros(0, np.int64)
        self.row = 0
        self.facts: CaptureFacts | None = None
        self.first_ns = self._peek()

    @property
    def name(self) -> str:
        """How messages call it."""
        if self.reader is not None:
            return self.reader.name
        return Path(self._source).name if isinstance(self._source, (str, os.PathLike)) else "-"

    def _peek(self) -> int:
        """Time of the first record.  A path is opened for this alone; a pipe opens once and stays open."""
        if not isinstance(self._source, (str, os.PathLike)):
            self.open(overlapping=False)
            self.advance()
            return int(self.chunk.timestamp_ns[0]) if self.chunk is not None else _NEVER
        with open_capture(self._source, batch_octets=PEEK_OCTETS, digest=False) as reader:
            chunk = next(iter(reader), None)
            return _NEVER if chunk is None else int(chunk.timestamp_ns[0])

    def open(self, *, overlapping: bool) -> None:
        if self.reader is None:
            octets = min(self._batch_octets, OVERLAP_BATCH_OCTETS) if overlapping else self._batch_octets
            self.reader = open_capture(self._source, capture_index=self._index, batch_octets=octets)

    def advance(self) -> bool:
        """Take the next chunk; False at the end, where the facts are complete and the file is closed."""
        self.chunk = None
        if self.reader is None:
            return False
        chunk = next(iter(self.reader), None)
        if chunk is None:
            self.facts = self.reader.facts
            self.close()
            return False
        self.chunk, self.row = chunk, 0
        # The order within a file is kept: a packet dated later than one behind it goes with that one.
        self.keys = np.minimum.accumulate(chunk.timestamp_ns[::-1])[::-1]
        return True

    def close(self) -> None:
        if self.reader is not None:
            self.reader.close()
            self.reader = None


class CaptureSet:
    """
    Iterate once for the chunks of all files in the order of time, then ask for ``facts``.

    A chunk is valid until the next is asked for; chunks of overlapping files
    hold rows of several captures.
    """

    def __init__(self, members: list[_Member], issues: tuple[CaptureIssue, ...]) -> None:
        self._members = members
        self.issues = issues
        """What was found in the folders and is no capture; after the end, also what came out of order."""
        self._told_ns = np.iinfo(np.int64).min
        self._chunks = self._read()

    def __iter__(self) -> Iterator[RecordChunk]:
        return self._chunks

    @property
    def octets_read(self) -> int:
        """Stored octets read so far, of all files."""
        done = sum(member.facts.octets for member in self._members if member.facts is not None)
        return done + sum(member.reader.octets_read for member in self._members if member.reader is not None)

    @property
    def facts(self) -> tuple[CaptureFacts, ...]:
        """In the order of ``capture_index``; reads on to the end where that has not been done."""
        for _ in self._chunks:
            pass
        known = tuple(member.facts for member in self._members if member.facts is not None)
        if len(known) != len(self._members):
            raise CaptureReadError("the recording", "was closed before it had been read to its end")
        return known

    def _read(self) -> Iterator[RecordChunk]:
        waiting = sorted(self._members, key=lambda member: member.first_ns)
        waiting.reverse()
        active: list[_Member] = []
        while waiting or active:
            if not active:
                self._start(waiting.pop(), active, waiting)
                continue
            bound = min(int(member.keys[-1]) for member in active)
            if waiting and waiting[-1].first_ns <= bound and len(active) < MAX_OVERLAPPING:
                self._start(waiting.pop(), active, waiting)
                continue
            yield self._take(active, bound)
            self._told_ns = max(bound, self._told_ns)
            for member in list(active):
                if member.chunk is not None and member.row == len(member.chunk) and not member.advance():
                    active.remove(member)

    def _start(self, member: _Member, active: list[_Member], waiting: list[_Member]) -> None:
        if member.facts is not None:  # a pipe without a record has been read to its end already
            return
        if member.first_ns < self._told_ns:
            detail = f"recording {member.name} comes late: more than {MAX_OVERLAPPING} overlap"
            self.issues += (CaptureIssue(kind=IssueKind.CLOCK, count=1, detail=detail),)
        # Many files that begin together would each hold a large window.
        overlapping = bool(active) or (bool(waiting) and waiting[-1].first_ns <= member.first_ns)
        member.open(overlapping=overlapping)
        if member.chunk is not None or member.advance():
            active.append(member)

    @staticmethod
    def _take(active: list[_Member], bound: int) -> RecordChunk:
        """The rows up to ``bound`` of every active file."""
        parts: list[tuple[RecordChunk, int, int, Int64Column]] = []
        for member in active:
            chunk = member.chunk
            if chunk is None:
                continue
            stop = int(np.searchsorted(member.keys, bound, side="right"))
            if stop > member.row:
                parts.append((chunk, member.row, stop, member.keys))
                member.row = stop
        if len(parts) == 1:
            chunk, start, stop, _ = parts[0]
            return chunk if stop - start == len(chunk) else _rows(chunk, slice(start, stop))
        return _interleave(parts)

    def close(self) -> None:
        """Give back all files."""
        for member in self._members:
            member.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _rows(chunk: RecordChunk, rows: slice) -> RecordChunk:
    return RecordChunk(
        buffer=chunk.buffer,
        offsets=chunk.offsets[rows],
        captured_length=chunk.captured_length[rows],
        original_length=chunk.original_length[rows],
        timestamp_ns=chunk.timestamp_ns[rows],
        link_type=chunk.link_type[rows],
        interface_id=chunk.interface_id[rows],
        packet_number=chunk.packet_number[rows],
        capture_index=chunk.capture_index[rows],
    )


def _interleave(parts: list[tuple[RecordChunk, int, int, Int64Column]]) -> RecordChunk:
    """One chunk of the rows of several: their stretches of octets side by side, their rows by time."""
    buffer = bytearray()
    chunks: list[RecordChunk] = []
    offsets: list[Int64Column] = []
    for chunk, start, stop, _ in parts:
        piece = _rows(chunk, slice(start, stop))
        # Frames stand in the buffer in the order of their rows.
        first = int(piece.offsets[0])
        last = int(piece.offsets[-1] + piece.captured_length[-1])
        offsets.append(piece.offsets + (len(buffer) - first))
        buffer += memoryview(piece.buffer)[first:last]
        chunks.append(piece)
    buffer += bytes(SLACK)
    keys = np.concatenate([keys[start:stop] for _, start, stop, keys in parts])
    order = np.argsort(keys, kind="stable")
    return RecordChunk(
        buffer=buffer,
        offsets=np.concatenate(offsets)[order],
        captured_length=np.concatenate([piece.captured_length for piece in chunks])[order],
        original_length=np.concatenate([piece.original_length for piece in chunks])[order],
        timestamp_ns=np.concatenate([piece.timestamp_ns for piece in chunks])[order],
        link_type=np.concatenate([piece.link_type for piece in chunks])[order],
        interface_id=np.concatenate([piece.interface_id for piece in chunks])[order],
        packet_number=np.concatenate([piece.packet_number for piece in chunks])[order],
        capture_index=np.concatenate([piece.capture_index for piece in chunks])[order],
    )
