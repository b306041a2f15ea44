"""A watch in this process, with a clock of its own and recordings that the household makes."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import auditor
from auditor.errors import AuditorError, OutputError
from auditor.home.loader import parse_home
from auditor.store.history import History, StoredChange, StoredRun
from auditor.watch.baseline import Limits
from auditor.watch.night import Clock, WatchOptions, WatchResult, run_watch
from tests.household.nights import DAY_NS, FIRST_NIGHT_NS, HOME, Evening, record


@dataclass
class Watch:
    """A folder with a ring and a store, and what the runs said."""

    folder: Path
    now_ns: int = FIRST_NIGHT_NS
    learning_nights: int = 7
    home: str = HOME
    said: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    nobody_listens: bool = False
    slept_ns: int = 0
    number: int = 0
    record: Callable[[], Sequence[Path]] | None = None

    @property
    def ring(self) -> Path:
        return self.folder / "ring"

    @property
    def store(self) -> Path:
        return self.folder / "store"

    def put(self, evening: Evening, *, cut_octets: int = 0) -> Path:
        """A complete file in the ring, an hour old."""
        self.ring.mkdir(exist_ok=True)
        for old in self.ring.iterdir():
            old.unlink()
        self.number += 1
        recording = record(evening, start_ns=self.now_ns - 3_600_000_000_000, seed=self.number)
        path = recording.write(self.ring / f"night-{self.number:04d}.pcapng", cut_octets=cut_octets)
        moment = self.now_ns - 3_000_000_000_000
        os.utime(path, ns=(moment, moment))
        return path

    def run(self) -> WatchResult:
        """One run now."""
        self.ring.mkdir(exist_ok=True)
        self.said.clear()
        home = parse_home(self.home.encode(), "home.yaml")
        options = WatchOptions(
            folder=self.store,
            ring=self.ring,
            home=home,
            limits=Limits(learning_nights=self.learning_nights),
            wait_seconds=0,
        )
        return run_watch(
            options,
            audit=lambda paths, keyed: auditor.audit(list(paths), home=keyed),
            tell=self._tell,
            say=self.said.append,
            record=self.record,
            clock=Clock(now_ns=lambda: self.now_ns, monotonic_ns=lambda: self.now_ns - self.slept_ns),
        )

    def night(self, evening: Evening) -> WatchResult:
        """A recording, its run, and on to the next night."""
        self.put(evening)
        try:
            return self.run()
        finally:
            self.now_ns += DAY_NS

    def learn(self, evening: Evening, nights: int = 7) -> None:
        """Nights without anything to tell."""
        for _ in range(nights):
            result = self.night(evening)
            assert result.lines == (), result.lines

    def history(self) -> History:
        """The store, opened."""
        return History.open(self.store, now_ns=self.now_ns)

    def _tell(self, lines: Sequence[str]) -> None:
        if self.nobody_listens:
            raise OutputError("nobody listens")
        self.told += lines


def outcome_of(watch: Watch) -> str | None:
    """Of the last run."""
    with watch.history() as history:
        return history.runs()[-1].outcome


__all__ = ["AuditorError", "Watch", "outcome_of"]


def run_of(number, started_ns, outcome="same"):
    return StoredRun(number, started_ns, started_ns, outcome, "")


def change_of(number, run, line="a line", kind="contact", weight=5, started_ns=FIRST_NIGHT_NS):
    return StoredChange(number, run, started_ns, kind, "d", "i", line, weight, None, None)
