"""The files of a ring that are complete and were not judged yet."""

from __future__ import annotations

import stat
from collections.abc import Collection
from pathlib import Path
from typing import NamedTuple

from auditor.errors import CaptureReadError
from auditor.store.history import TakenFile
from auditor.units import NS_PER_SECOND

MAX_RING_FILES = 10_000
"""Files of one ring: one a minute for a week; more is a folder of something else."""
SETTLED_SECONDS = 30
"""A file that changed within so many seconds may still be growing: recorders write each few seconds."""
_CAPTURE_SUFFIXES = frozenset({".pcap", ".pcapng", ".cap", ".gz", ".zst"})
_UNFINISHED_SUFFIXES = frozenset({".part", ".tmp"})


class Ring(NamedTuple):
    """What a folder holds."""

    new: tuple[Path, ...]
    """Complete files that were not judged, oldest first."""
    present: tuple[TakenFile, ...]
    """The same files and those that were judged and are still there."""
    growing: int
    """Files that may still be written to; the next run takes them."""


def read_ring(folder: Path, taken: set[TakenFile], *, now_ns: int, complete: Collection[Path] = ()) -> Ring:
    """
    Look into a ring folder; raises ``CaptureReadError`` where it cannot be read.

    Only the very newest file can still be growing: a time in the future of a
    clock that went back must not hide the others.  ``complete`` are files of
    which their recorder said that it is done with them.
    """
    try:
        if folder.is_file():
            found = [(folder, folder.stat())]
        else:
            paths = [path for path in folder.iterdir() if _is_capture(path)]
            found = [(path, path.stat()) for path in paths]
    except OSError as error:
        raise CaptureReadError(str(folder), error.strerror or str(error)) from error
    found = sorted(
        ((path, status) for path, status in found if stat.S_ISREG(status.st_mode) and status.st_size),
        key=lambda entry: (entry[1].st_mtime_ns, entry[0].name),
    )
    if len(found) > MAX_RING_FILES:
        raise CaptureReadError(str(folder), f"expected at most {MAX_RING_FILES} files, found {len(found)}")
    growing = 0
    settled = {path.name for path in complete}
    if (
        found
        and found[-1][0].name not in settled
        and abs(now_ns - found[-1][1].st_mtime_ns) < SETTLED_SECONDS * NS_PER_SECOND
    ):
        found, growing = found[:-1], 1
    marks = [TakenFile(path.name, status.st_size, status.st_mtime_ns) for path, status in found]
    new = tuple(path for (path, _), mark in zip(found, marks, strict=True) if mark not in taken)
    return Ring(new, tuple(marks), growing)


def _is_capture(path: Path) -> bool:
    """Named as a finished capture; what is written under another name first is not there yet."""
    return (
        not path.name.startswith(".")
        and path.suffix not in _UNFINISHED_SUFFIXES
        and bool(_CAPTURE_SUFFIXES & set(path.suffixes[-2:]))
    )
