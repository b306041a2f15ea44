"""Open one capture file, whatever its format and compression, and deliver its records in chunks."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Self

from auditor.capture.compression import BinarySource, OctetSource
from auditor.capture.pcap import MAGICS, PcapFile
from auditor.capture.pcapng import BLOCK_SECTION_HEADER, PcapngFile
from auditor.capture.record import CaptureFacts, IssueKind, RecordChunk
from auditor.capture.rolling import RollingBuffer
from auditor.capture.tally import Tally
from auditor.errors import CaptureFormatError, CaptureReadError

BATCH_OCTETS = 8 << 20
"""Octets read at once.  Some hundred column operations run once a window, whatever it holds: 4 MiB cost a
tenth more.  From 16 MiB on the octets have left the processor's cache before they are looked at."""


def open_capture(
    source: str | os.PathLike[str] | BinarySource,
    *,
    name: str | None = None,
    capture_index: int = 0,
    batch_octets: int = BATCH_OCTETS,
    digest: bool = True,
) -> CaptureReader:
    """
    Open a capture by path, or read it from an open binary file object (a pipe will do).

    Args:
        source: path, or object with ``readinto``; the latter is not closed.
        name: how the capture is called in messages; the file's name, or ``-``.
        capture_index: goes into every chunk, from 0.
        batch_octets: size of the window; a longer record makes it grow.
        digest: whether to work out the SHA-256 of the stored octets.

    Raises:
        CaptureFormatError: the first octets are those of no capture format.
        CaptureReadError: the operating system would not give the octets.
    """
    if not isinstance(source, (str, os.PathLike)):
        return CaptureReader(source, name or "-", capture_index, batch_octets, digest=digest, owned=False)
    path = Path(source)
    shown = name or path.name or str(path)
    try:
        if path.is_dir():
            raise CaptureReadError(shown, "is a folder, not a capture file")
        stream = path.open("rb", buffering=0)
    except OSError as error:
        raise CaptureReadError(shown, f"cannot be opened: {error.strerror or error}") from None
    except ValueError as error:  # a path with an octet of zero
        raise CaptureReadError(shown, f"cannot be opened: {error}") from None
    try:
        return CaptureReader(stream, shown, capture_index, batch_octets, digest=digest, owned=True)
    except BaseException:
        stream.close()
        raise


class CaptureReader:
    """
    One open capture: iterate over it once, then ask for its ``facts``.

    The buffer of a chunk is reused: a chunk is valid until the next is asked for.
    """

    def __init__(
        self,
        stream: BinarySource,
        name: str,
        capture_index: int,
        batch_octets: int,
        *,
        digest: bool,
        owned: bool,
    ) -> None:
        self.name = name
        self.capture_index = capture_index
        self._owned = stream if owned else None
        self._tally = Tally()
        self._source = OctetSource(stream, name, digest=digest)
        self._facts: CaptureFacts | None = None
        self._closed = False
        try:
            self._window = RollingBuffer(self._source, batch_octets, ahead=owned and _is_plain_file(stream))
            self._file = self._open_format()
        except BaseException:
            self._source.close()
            raise
        self._chunks = self._read()

    def _open_format(self) -> PcapFile | PcapngFile:
        window = self._window
        window.need(4)
        head = bytes(window.buffer[: min(window.end, 4)])
        if head in MAGICS:
            return PcapFile(window, self._tally, self.capture_index)
        if head == BLOCK_SECTION_HEADER:
            return PcapngFile(window, self._tally, self.capture_index, self.name)
        inside = f" inside the {self._source.compression} data" if self._source.compression else ""
        if self._source.problem:
            raise CaptureFormatError(self.name, f"is not a capture file: {self._source.problem}")
        if not head:
            raise CaptureFormatError(self.name, f"is empty{inside}; expected a pcap or pcapng file")
        problem = f"is not a capture file: expected pcap or pcapng, found octets {head.hex(' ')}{inside}"
        raise CaptureFormatError(self.name, problem)

    @property
    def octets_read(self) -> int:
        """Stored octets read so far, for showing progress."""
        return self._source.octets_read

    @property
    def facts(self) -> CaptureFacts:
        """What the file says of itself; reads it to its end first where that has not been done."""
        if self._facts is None and not self._closed:
            for _ in self._chunks:
                pass
        if self._facts is None:
            raise CaptureReadError(self.name, "was closed before it had been read to its end")
        return self._facts

    def __iter__(self) -> Iterator[RecordChunk]:
        return self._chunks

    def _read(self) -> Iterator[RecordChunk]:
        yield from self._file.chunks()
        self._window.stop_ahead()
        self._source.drain()
        if self._source.problem:
            kind = IssueKind.CUT_SHORT if "end before" in self._source.problem else IssueKind.DAMAGED
            self._tally.add_issue(kind, 1, f"{self._source.problem}; what stands before was read")
        self._facts = self._gather_facts()
        self.close()

    def _gather_facts(self) -> CaptureFacts:
        source, tally, file = self._source, self._tally, self._file
        return CaptureFacts(
            name=self.name,
            sha256=source.sha256(),
            octets=source.octets_read,
            format=file.format + (f"+{source.compression}" if source.compression else ""),
            packets=tally.packets,
            first_ns=tally.first_ns,
            last_ns=tally.last_ns,
            interfaces=tuple(file.interfaces),
            issues=tally.issues(),
            comments=tuple(sorted(tally.comments, key=lambda comment: comment.packet_number or 0)),
            clipped_packets=tally.clipped,
        )

    def close(self) -> None:
        """Give back the file; the facts stay."""
        self._closed = True
        self._window.stop_ahead()
        self._source.close()
        if self._owned is not None:
            self._owned.close()  # type: ignore[attr-defined]
            self._owned = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _is_plain_file(stream: BinarySource) -> bool:
    """Whether the next octets come without waiting for somebody."""
    try:
        return stat.S_ISREG(os.fstat(stream.fileno()).st_mode)  # type: ignore[attr-defined]
    except OSError:
        return False
