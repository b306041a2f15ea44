"""A log of lines on the disk: begun under a temporary name, completed by fsync and rename."""

from __future__ import annotations

import contextlib
import os
import time
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from auditor.live.ring import publish, take_name
from auditor.units import NS_PER_SECOND

SYNC_SECONDS = 5.0
ENDING = ".jsonl"


class LogFile:
    """Lines in the order of their writing; without ``complete`` the next run names it."""

    def __init__(self, folder: Path, stem: str, head: bytes) -> None:
        moment = datetime.fromtimestamp(time.time_ns() // NS_PER_SECOND, UTC)
        self._descriptor, self._part = take_name(folder, f"{stem}-{moment:%Y%m%dT%H%M%SZ}", ENDING)
        self._synced = time.monotonic()
        self._open = True
        self.write(head)

    def write(self, line: bytes) -> None:
        """Append one line; on the disk within ``SYNC_SECONDS`` of further lines."""
        rest = memoryview(line)
        while rest:
            rest = rest[os.write(self._descriptor, rest) :]
        if time.monotonic() - self._synced >= SYNC_SECONDS:
            os.fsync(self._descriptor)
            self._synced = time.monotonic()

    def complete(self) -> Path:
        """See the log onto the disk and give it its name."""
        os.fsync(self._descriptor)
        self._close()
        return publish(self._part)

    def _close(self) -> None:
        if self._open:
            self._open = False
            os.close(self._descriptor)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with contextlib.suppress(OSError):
            self._close()
