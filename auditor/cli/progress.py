"""Progress by octets of file with the time left, on standard error and only on a terminal."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterator

MIN_OCTETS = 50_000_000
"""Smaller recordings are read before a bar could be looked at; loading what draws it takes longer."""

Report = Callable[[int, int | None], None]


@contextlib.contextmanager
def show_progress(*, quiet: bool) -> Iterator[Report | None]:
    """Give a callback for ``(octets read, octets in all)``, or None where nobody looks."""
    if quiet or not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield None
        return
    bar = _Bar()
    try:
        yield bar.advance
    finally:
        bar.close()


class _Bar:
    """Loads the drawing library at the first call that is worth it."""

    def __init__(self) -> None:
        self._stop: Callable[[], None] | None = None
        self._update: Callable[[int], None] | None = None

    def advance(self, octets: int, total: int | None) -> None:
        if self._update is None:
            if total is None or total < MIN_OCTETS:
                return
            self._start(total)
        if self._update is not None:
            self._update(octets)

    def _start(self, total: int) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn

        progress = Progress(
            TextColumn("reading"),
            BarColumn(),
            DownloadColumn(),
            TimeRemainingColumn(),
            console=Console(stderr=True),
            transient=True,
        )
        task = progress.add_task("reading", total=total)
        progress.start()
        self._update = lambda octets: progress.update(task, completed=octets)
        self._stop = progress.stop

    def close(self) -> None:
        if self._stop is not None:
            self._stop()
