"""
A ring of capture files on the disk: written under a temporary name, completed by fsync and rename.

Standard: draft-ietf-opsawg-pcapng sections 4.1 to 4.3 and 4.5; ``fsync`` and ``rename`` of POSIX.1-2017.

A killed recorder leaves one ``.part`` file, locked while its process lives.
``recover_parts`` keeps of it what is whole; after a loss of power that is at
least what was there at the last ``sync``.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import re
import struct
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from auditor.capture.record import InterfaceFacts
from auditor.capture.rolling import MAX_BLOCK_OCTETS
from auditor.capture.writer import ENHANCED, SECTION, PcapngWriter, RecordedSpan, pack_span
from auditor.units import NS_PER_SECOND

APPLICATION = "lighting network auditor"
PART = ".part"
MAX_NUMBER = 9999  # files of one recording that begin in one second: four digits of the name
FILE_NAME = re.compile(r"(.+)-[0-9]{8}T[0-9]{6}Z-[0-9]{4}\.(?:pcapng|jsonl)", re.ASCII)
STEM = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}", re.ASCII)
OWNER_ALONE = 0o600
"""A recording holds names, habits and passwords of everybody at home."""


class RingFile:
    """The file in work; every call leaves whole blocks behind, or raises ``OSError`` and keeps those."""

    def __init__(
        self, folder: Path, stem: str, started_ns: int, interface: InterfaceFacts, *, comment: str = ""
    ) -> None:
        self.started_ns = started_ns
        self.packets = 0
        self.octets = 0
        """Octets of whole blocks."""
        moment = datetime.fromtimestamp(started_ns // NS_PER_SECOND, UTC)
        self._descriptor, self._part = take_name(folder, f"{stem}-{moment:%Y%m%dT%H%M%SZ}", ".pcapng")
        try:
            head = io.BytesIO()
            system = interface.operating_system or ""
            PcapngWriter(head, [interface], application=APPLICATION, comment=comment, operating_system=system)
            self.write(head.getvalue())
        except OSError:
            os.close(self._descriptor)
            self._part.unlink(missing_ok=True)
            raise

    def write(self, blocks: bytes, packets: int = 0) -> None:
        """Append whole blocks."""
        rest = memoryview(blocks)
        try:
            while rest:
                rest = rest[os.write(self._descriptor, rest) :]
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(self._descriptor, self.octets)
                os.lseek(self._descriptor, self.octets, os.SEEK_SET)
            raise
        self.octets += len(blocks)
        self.packets += packets

    def sync(self) -> None:
        """Have the disk hold what was written so far."""
        os.fsync(self._descriptor)

    def complete(self, ended_ns: int, lost: int | None, comments: Sequence[str] = ()) -> Path:
        """
        Write the statistics, see the file onto the disk and give it its name.

        A disk without room for the statistics costs them and nothing else.
        """
        span = RecordedSpan(
            start_ns=self.started_ns,
            end_ns=ended_ns,
            received=self.packets + (lost or 0),
            delivered=self.packets,
            lost=lost,
        )
        with contextlib.suppress(OSError):
            self.write(pack_span(0, span, comments=comments))
        with contextlib.suppress(OSError):
            self.sync()
        os.close(self._descriptor)
        return publish(self._part)


def take_name(folder: Path, beginning: str, ending: str) -> tuple[int, Path]:
    """Begin a file under the next free name with ``.part`` behind it, locked; its descriptor and path."""
    flags = os.O_CREAT | os.O_EXCL | os.O_RDWR | getattr(os, "O_BINARY", 0)
    # On from the newest: the oldest may have been deleted already, and names have to keep the order.
    numbers = (path.name.removeprefix(beginning)[1:5] for path in folder.glob(f"{beginning}-[0-9]*"))
    taken = [int(number) for number in numbers if number.isdecimal()]
    for number in range(max(taken, default=0) + 1, MAX_NUMBER + 1):
        part = folder / f"{beginning}-{number:04d}{ending}{PART}"
        with contextlib.suppress(FileExistsError):
            descriptor = os.open(part, flags, OWNER_ALONE)
            _lock(descriptor)
            return descriptor, part
    raise OSError(errno.EEXIST, f"holds {MAX_NUMBER} files of one second")


def publish(part: Path) -> Path:
    """Take the temporary ending off the name, beside whatever has that name already."""
    wanted = part.with_name(part.name.removesuffix(PART))
    target, number = wanted, 1
    while target.exists():
        target = wanted.with_name(f"{wanted.stem}-again{number}{wanted.suffix}")
        number += 1
    part.rename(target)
    _sync_folder(part.parent)
    return target


def _sync_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):  # not every system opens a folder
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _lock(descriptor: int) -> bool:
    """Whether the file is ours; where the system has no such locks an open file cannot be renamed there."""
    try:
        import fcntl
    except ImportError:
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def files_of(folder: Path, stem: str) -> list[Path]:
    """Complete files of a stem, oldest first by the time in their names."""
    found = []
    for path in folder.iterdir():
        match = FILE_NAME.fullmatch(path.name)
        if match is not None and match[1] == stem and path.suffix == ".pcapng":
            found.append(path)
    return sorted(found)


def recover_parts(folder: Path, tell: Callable[[str], None]) -> tuple[Path, ...]:
    """
    Complete what earlier recorders left unfinished; the files that came of it.

    A file that another recorder is working on is left alone.  Files of other
    programs are not touched: only names that this ring gives are looked at.
    """
    recovered = []
    for part in sorted(folder.glob(f"*{PART}")):
        if FILE_NAME.fullmatch(part.name.removesuffix(PART)) is None:
            continue
        if part.is_symlink() or not part.is_file():  # a link planted here could name any file of the system
            continue
        try:
            name = _recover(part, tell)
        except OSError as error:
            tell(f"{part.name}: left by an earlier recording, stays as it is: {error.strerror or error}")
            continue
        if name is not None:
            recovered.append(name)
    return tuple(recovered)


def _recover(part: Path, tell: Callable[[str], None]) -> Path | None:
    with part.open("r+b") as file:
        if not _lock(file.fileno()):
            return None
        whole, packets = (_measure_lines if ".jsonl" in part.name else _measure)(file)
        size = file.seek(0, os.SEEK_END)
        if packets:
            file.truncate(whole)
            os.fsync(file.fileno())
    if not packets:
        part.unlink()
        tell(f"{part.name}: an earlier recording ended before its first packet; the empty file is gone")
        return None
    name = publish(part)
    lost = (
        f"the last {size - whole} octets were begun and not finished, and are cut off"
        if size > whole
        else "all whole"
    )
    tell(f"{name.name}: an earlier recording ended without completing it; {packets} packets kept, {lost}")
    return name


def _measure(file: io.BufferedRandom) -> tuple[int, int]:
    """Octets up to the last whole block, and the packets in them."""
    head = struct.Struct("<II")
    at = packets = 0
    size = file.seek(0, os.SEEK_END)
    while at + 12 <= size:
        file.seek(at)
        kind, length = head.unpack(file.read(8))
        if not 12 <= length <= MAX_BLOCK_OCTETS or length % 4 or at + length > size:
            break
        file.seek(at + length - 4)
        if file.read(4) != struct.pack("<I", length) or (at == 0) != (kind == SECTION):
            break
        packets += kind == ENHANCED
        at += length
    return at, packets


def _measure_lines(file: io.BufferedRandom) -> tuple[int, int]:
    """Octets up to the last whole line, and the lines behind the first."""
    size = file.seek(0, os.SEEK_END)
    at = lines = whole = 0
    file.seek(0)
    while at < size:
        octets = file.read(1 << 20)
        last = octets.rfind(b"\n")
        whole = at + last + 1 if last >= 0 else whole
        lines += octets.count(b"\n")
        at += len(octets)
    return whole, max(lines - 1, 0)
