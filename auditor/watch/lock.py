"""
One watch at a time: a lock that the system lets go of when its holder ends, however it ends.

POSIX: flock(2), common practice beside the standard's fcntl locks.  Windows: the
runtime library's locking of a file region.
"""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from auditor.errors import JudgementError
from auditor.store.database import writing

LOCK_NAME = "watch.lock"
WAIT_SECONDS = 10.0
"""How long a second run tries again: the first one may be telling its last line."""
RETRY_SECONDS = 0.2


@contextlib.contextmanager
def only_one(folder: Path, *, wait_seconds: float = WAIT_SECONDS) -> Iterator[None]:
    """Hold the lock of a store's folder; raises ``JudgementError`` where another run holds it."""
    path = folder / LOCK_NAME
    with writing(path):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        number = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        deadline = time.monotonic() + wait_seconds
        while not _take(number):
            if time.monotonic() >= deadline:
                raise JudgementError(
                    f"another watch of {folder} is at work; this one ends, and the next takes up what is left"
                )
            time.sleep(RETRY_SECONDS)
        yield
    finally:
        os.close(number)  # lets go of the lock; the file stays, or two runs could hold two files of one name


if sys.platform == "win32":

    def _take(number: int) -> bool:
        import msvcrt

        try:
            msvcrt.locking(number, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:

    def _take(number: int) -> bool:
        import fcntl

        try:
            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True
