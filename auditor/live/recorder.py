"""
Record what passes an interface into a ring of capture files.

Nothing here sends a packet.  The files are read by ``audit`` and by any program
that knows draft-ietf-opsawg-pcapng.
"""

from __future__ import annotations

import platform
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from auditor.capture.own_questions import section_comment
from auditor.capture.record import InterfaceFacts
from auditor.capture.writer import pack_comments, pack_packet
from auditor.errors import OutputError, UsageError
from auditor.home.model import Action
from auditor.live.clocks import ClockWatch
from auditor.live.model import SNAP_OCTETS as SNAP_OCTETS
from auditor.live.model import Frame, FrameSource, InterfaceGoneError, MarkSource
from auditor.live.model import RecordingOptions as RecordingOptions
from auditor.live.model import RecordingResult as RecordingResult
from auditor.live.opening import open_source
from auditor.live.own_flows import OwnFlows
from auditor.live.ring import STEM, RingFile, files_of, recover_parts
from auditor.units import format_time

WAIT_SECONDS = 0.2  # for frames; marks, clocks and limits are looked at in between
AWAY_SECONDS = 0.5  # between two looks for an interface that is gone
SYNC_SECONDS = 5.0  # what a loss of power costs at most
LAST_ROUNDS = 8  # reads after the end, for what had come before it; twice the rounds that a full ring takes
MIN_FILE_OCTETS = 4096  # a shorter file would hold little besides its own head
MIN_SNAP_OCTETS = 64  # headers of every layer still fit (IEEE 802.3: the shortest frame)

Tell = Callable[[str], None]


def record(
    options: RecordingOptions,
    *,
    marks: MarkSource | None = None,
    stop: threading.Event | None = None,
    tell: Tell,
    opened: Callable[[], None] | None = None,
    own: OwnFlows | None = None,
) -> RecordingResult:
    """
    Record until a limit of ``options`` is reached or ``stop`` is set.

    ``tell`` gets one line for everything worth knowing while it happens.
    ``opened`` is called once the interface is open and before anything is
    written: the place to give up rights.  ``own`` are questions of this computer:
    their packets are marked as such, and every file says who was asked.

    Raises:
        UsageError: an option cannot be used, or rights or drivers are missing;
            the text says what to type.
        JudgementError: a link that no capture file can hold.
        OutputError: the first file could not be begun.  A disk that fills up
            later ends the recording with ``stopped_by`` ``disk``.
    """
    _check(options)
    source = open_source(options)
    try:
        if own is not None and source.link_address is None:
            # The file could not say whose questions these are.
            raise UsageError("--ask", f"{options.interface} has no link address to tell the questions by")
        if opened is not None:
            opened()
        recover_parts(options.folder, tell)
        return _Recording(options, source, marks, stop or threading.Event(), tell, own).run()
    finally:
        source.close()


def _check(options: RecordingOptions) -> None:
    if not options.folder.is_dir():
        raise UsageError("--folder", f"expected a folder, found {options.folder}")
    if STEM.fullmatch(options.stem) is None:
        raise UsageError("--stem", f"expected letters, digits, - and _, found {options.stem!r}")
    if options.file_octets < MIN_FILE_OCTETS:
        raise UsageError("--size", f"expected at least {MIN_FILE_OCTETS} octets, found {options.file_octets}")
    if not MIN_SNAP_OCTETS <= options.snap_octets <= SNAP_OCTETS:
        limits = f"{MIN_SNAP_OCTETS} to {SNAP_OCTETS}"
        raise UsageError("--snap", f"expected {limits} octets, found {options.snap_octets}")
    if options.keep_files < 0:
        raise UsageError("--keep", "expected a number of files, or 0 for all")


@dataclass(slots=True)
class _Recording:
    options: RecordingOptions
    source: FrameSource
    marks: MarkSource | None
    stop: threading.Event
    tell: Tell
    own: OwnFlows | None
    _clocks: ClockWatch = field(default_factory=ClockWatch)
    _files: list[Path] = field(default_factory=list)
    _noted: list[Action] = field(default_factory=list)
    _waiting: list[tuple[int, str]] = field(default_factory=list)
    """Comments for the first packet at or after their time."""
    _packets: int = 0
    _octets: int = 0
    _lost: int = 0
    _lost_told: int = 0
    _lost_before: int = 0
    """Lost before the file in work."""
    _tells_losses: bool = True
    _gone_ns: int | None = None
    _file: RingFile | None = None
    _file_began: float = 0.0

    def run(self) -> RecordingResult:
        began, started_ns = time.monotonic(), time.time_ns()
        try:
            self._begin_file()
        except OSError as error:
            raise OutputError(f"{self.options.folder}: {error.strerror or error}") from error
        try:
            stopped_by = self._loop(began)
        except OSError as error:
            why = error.strerror or error
            self.tell(f"{self.options.folder}: {why}; the recording ends, what was written stays")
            stopped_by = "disk"
        ended_ns = time.time_ns()
        try:
            self._end_file(ended_ns)
            self._drop_old()
        except OSError as error:
            self.tell(
                f"{self.options.folder}: {error.strerror or error}; the next recording completes the file"
            )
            stopped_by = "disk"
        return RecordingResult(
            files=tuple(path for path in self._files if path.exists()),
            packets=self._packets,
            octets=self._octets,
            dropped=self._lost if self._tells_losses else None,
            started_ns=started_ns,
            ended_ns=ended_ns,
            marks=tuple(self._noted),
            stopped_by=stopped_by,
        )

    def _loop(self, began: float) -> str:
        options = self.options
        synced = began
        while True:
            if self.stop.is_set():
                return self._finish("asked")
            elapsed = time.monotonic() - began
            wait = WAIT_SECONDS
            if options.stop_seconds is not None:
                if elapsed >= options.stop_seconds:
                    return self._finish("time")
                wait = min(wait, options.stop_seconds - elapsed)
            self._take_marks()
            if not self._write(self._read(wait)):
                return "size"
            now = time.monotonic()
            if options.file_seconds is not None and now - self._file_began >= options.file_seconds:
                self._change_file()
            if now - synced >= SYNC_SECONDS and self._file is not None:
                self._file.sync()
                synced = time.monotonic()
                self._count_losses()
            for line in self._clocks.changes():
                self.tell(line)
                self._waiting.append((0, line))

    def _finish(self, why: str) -> str:
        """Take what had come before the end and still waits in the system."""
        end_ns = time.time_ns()
        self._take_marks()
        for _ in range(LAST_ROUNDS):
            frames = self._read(WAIT_SECONDS) if self._gone_ns is None else []
            if not self._write([frame for frame in frames if frame.timestamp_ns <= end_ns]):
                break
            if not frames or frames[-1].timestamp_ns > end_ns:
                break
        return why

    def _take_marks(self) -> None:
        if self.marks is None:
            return
        for mark in self.marks.take():
            self._noted.append(mark)
            self._waiting.append((mark.at_ns, f"action: {mark.what}"))

    def _read(self, seconds: float) -> list[Frame]:
        if self._gone_ns is not None:
            self.stop.wait(min(seconds, AWAY_SECONDS))
            if not self.source.is_back():
                return []
            away = f"{format_time(self._gone_ns)} to {format_time(time.time_ns())}"
            line = f"{self.options.interface}: back; nothing was recorded from {away}"
            self.tell(line)
            self._waiting.append((0, line))
            self._gone_ns = None
        try:
            return self.source.read(seconds)
        except InterfaceGoneError as error:
            self._gone_ns = time.time_ns()
            self.tell(f"{self.options.interface}: {error}; waiting for it to come back")
            return []

    def _write(self, frames: list[Frame]) -> bool:
        """Write frames, changing files as their size asks for; False once the whole is as long as wanted."""
        blocks: list[bytes] = []
        size = 0
        room, own = self._room(), self.own
        for timestamp_ns, wire_octets, octets in frames:
            options = b""
            if self._waiting or own is not None:
                options = pack_comments(self._comments_on(timestamp_ns, octets))
            block = pack_packet(timestamp_ns, octets, wire_octets, options)
            if size + len(block) > room:
                self._append(blocks, size)
                blocks, size = [], 0
                if self._is_long_enough(len(block)):
                    return False
                if self._file is not None and self._file.packets:
                    self._change_file()
                room = max(self._room(), len(block))
            blocks.append(block)
            size += len(block)
        self._append(blocks, size)
        return True

    def _room(self) -> int:
        used = self._file.octets if self._file is not None else 0
        room = self.options.file_octets - used
        if self.options.stop_octets is not None:
            room = min(room, self.options.stop_octets - self._octets - used)
        return room

    def _is_long_enough(self, octets: int) -> bool:
        wanted, used = self.options.stop_octets, self._file.octets if self._file is not None else 0
        return wanted is not None and self._octets + used + octets > wanted

    def _append(self, blocks: list[bytes], size: int) -> None:
        if size and self._file is not None:
            self._file.write(b"".join(blocks), len(blocks))
            self._packets += len(blocks)

    def _comments_on(self, timestamp_ns: int, octets: bytes) -> list[str]:
        due = [text for at_ns, text in self._waiting if at_ns <= timestamp_ns]
        if due:
            self._waiting = [entry for entry in self._waiting if entry[0] > timestamp_ns]
        own = self.own.comment_on(octets) if self.own is not None else None
        return due if own is None else [*due, own]

    def _begin_file(self) -> None:
        source = self.source
        facts = InterfaceFacts(
            link_type=source.link_type,
            snap_length=self.options.snap_octets,
            name=self.options.interface,
            capture_filter=source.capture_filter,
            operating_system=f"{platform.system()} {platform.release()}",
            link_address=source.link_address,
        )
        asked = ""
        if self.own is not None and source.link_address is not None:
            asked = section_comment(source.link_address, self.own.asked)
        self._file = RingFile(self.options.folder, self.options.stem, time.time_ns(), facts, comment=asked)
        self._file_began = time.monotonic()

    def _end_file(self, ended_ns: int) -> None:
        file, self._file = self._file, None
        if file is None:
            return
        self._count_losses()
        lost = self._lost - self._lost_before if self._tells_losses else None
        self._lost_before = self._lost
        left = [f"{text} at {format_time(at_ns)}" if at_ns else text for at_ns, text in self._waiting]
        self._waiting = []
        try:
            self._files.append(file.complete(ended_ns, lost, left))
        finally:
            self._octets += file.octets

    def _change_file(self) -> None:
        # Marks wait for a packet of the next file rather than stand in the statistics of this one.
        waiting, self._waiting = self._waiting, []
        self._end_file(time.time_ns())
        self._waiting = waiting
        self._drop_old()
        self._begin_file()

    def _drop_old(self) -> None:
        if not self.options.keep_files:
            return
        for path in files_of(self.options.folder, self.options.stem)[: -self.options.keep_files]:
            path.unlink(missing_ok=True)

    def _count_losses(self) -> None:
        lost = self.source.dropped()
        if lost is None:
            self._tells_losses = False
            return
        self._lost = lost
        if lost > self._lost_told:
            self.tell(f"{lost} packets lost so far: this computer or its disk does not keep up")
            self._lost_told = lost
