"""
One scheduled run: take the recording, audit it, store it, tell what changed.

Order, so that a kill at any moment loses no change: the run's begin is
committed; then audit, facts, changes (not yet told) and the files taken in one
transaction; then the lines are given out; then they are marked as told.  Killed
between the last two, the next run tells them once more: at least once.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from auditor.errors import (
    AuditorError,
    CaptureError,
    CaptureReadError,
    JudgementError,
    OutputError,
)
from auditor.home.model import Home
from auditor.redaction.documents import ShownDocument
from auditor.report.document import NOTHING_JUDGED
from auditor.report.harmless import harmless_text
from auditor.report.json import render_json
from auditor.store.history import History, NewChange, StoredChange, StoredRun
from auditor.store.key import fingerprint, load_key
from auditor.units import NS_PER_SECOND
from auditor.watch.baseline import Limits, compare_night
from auditor.watch.calendar import local_day, missed_nights, stale_alarm, usual_days
from auditor.watch.lock import WAIT_SECONDS, only_one
from auditor.watch.ring import Ring, read_ring
from auditor.watch.traits import read_night

MAX_LINES = 5
"""Told in one run: what one looks at in the morning; the rest is counted and stands in the history."""
MAX_LINE_CHARACTERS = 300
"""Of one line, which may hold a name of the recording."""
SLEPT_SECONDS = 60
"""A wall clock that ran ahead of the monotonic one by more slept or was set during the run."""
KEYED_KINDS = ("device", "works")
"""Kinds of facts whose keys hold pseudonyms: under another key they begin anew."""

Recorder = Callable[[], Sequence[Path]]
"""Records into the ring and hands back the files; may raise any ``AuditorError``."""


class Report(Protocol):
    """What an audit hands back, as ``auditor.pipeline.AuditReport``."""

    @property
    def document(self) -> ShownDocument:
        """The redacted document."""

    @property
    def not_judged(self) -> str | None:
        """Why nothing could be judged, or what could not be read."""


Audit = Callable[[Sequence[Path], Home], Report]


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """Time as the run sees it, nanoseconds; tests hand in their own."""

    now_ns: Callable[[], int] = time.time_ns
    monotonic_ns: Callable[[], int] = time.monotonic_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchOptions:
    """What a run needs to know."""

    folder: Path
    """Of the store."""
    ring: Path
    home: Home = field(default_factory=Home)
    limits: Limits = field(default_factory=Limits)
    every_hours: float = 24.0
    stale_hours: float = 26.0
    wait_seconds: float = WAIT_SECONDS


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchResult:
    """What came of a run."""

    lines: tuple[str, ...]
    """At most ``MAX_LINES``; empty where nothing changed."""
    could_not_judge: str | None


def run_watch(
    options: WatchOptions,
    *,
    audit: Audit,
    tell: Callable[[Sequence[str]], None],
    say: Callable[[str], None],
    record: Recorder | None = None,
    clock: Clock | None = None,
) -> WatchResult:
    """
    One run under the lock.

    ``tell`` gives the lines out and raises ``OutputError`` where nobody got
    them: then the next run tells them again.  ``say`` takes talk.  Raises
    ``JudgementError`` where another run is at work, ``SettingsError`` and
    ``OutputError`` as the store does.
    """
    clock = clock or Clock()
    with (
        only_one(options.folder, wait_seconds=options.wait_seconds),
        History.open(options.folder, now_ns=clock.now_ns()) as history,
    ):
        for notice in history.notices:
            say(notice)
        return _Run(options, history, audit, tell, say, record, clock).run()


class _Run:
    def __init__(
        self,
        options: WatchOptions,
        history: History,
        audit: Audit,
        tell: Callable[[Sequence[str]], None],
        say: Callable[[str], None],
        record: Recorder | None,
        clock: Clock,
    ) -> None:
        self._options = options
        self._history = history
        self._audit = audit
        self._tell = tell
        self._say = say
        self._record = record
        self._clock = clock
        self._started_ns = clock.now_ns()
        self._started_monotonic_ns = clock.monotonic_ns()

    def run(self) -> WatchResult:
        """The run, from its begin in the store to the last line."""
        history = self._history
        for broken in history.close_unfinished():
            when = local_day(broken.started_ns).strftime("%Y-%m-%d %H:%M")
            self._say(f"the run of {when} was ended from outside; its recording is taken up again")
        home = self._keyed_home()
        before = history.runs()
        notes = [*map(_store_notice, history.notices)]
        notes += missed_nights(before, self._started_ns, self._options.every_hours)
        run = history.begin_run(self._started_ns)
        problem: str | None = None
        try:
            self._judge(run, home, notes)
        except (CaptureError, JudgementError) as error:
            problem = harmless_text(str(error))
            self._end_without_judgement(run, problem, notes, before)
        except Exception as error:  # rights, rules, the disk, or a fault of ours: told as far as it can be
            is_ours = not isinstance(error, AuditorError)
            reason = f"a fault of this program: {type(error).__name__}" if is_ours else _first_line(error)
            with contextlib.suppress(OutputError):
                self._end_without_judgement(run, reason, notes, before)
                self._give_out(run)
            raise
        lines = self._give_out(run)
        return WatchResult(lines=lines, could_not_judge=problem)

    def _end_without_judgement(
        self, run: int, reason: str, notes: list[NewChange], before: Sequence[StoredRun]
    ) -> None:
        history = self._history
        alarm = stale_alarm(before, history.changes(), self._started_ns, self._options.stale_hours, reason)
        history.end_without_judgement(run, self._clock.now_ns(), reason, [*notes, *alarm])

    def _keyed_home(self) -> Home:
        """The home with a key for pseudonyms: its own, else the one beside the store."""
        home = self._options.home
        if home.pseudonym_key is None:
            home = replace(home, pseudonym_key=load_key(self._options.folder))
        mark = fingerprint(home.pseudonym_key or b"")
        known = self._history.setting("key")
        if known not in {None, mark}:
            self._say(
                "the key of the pseudonyms changed: other devices' names begin anew, and are learnt again"
            )
            self._history.forget_facts(KEYED_KINDS)
            self._history.set_setting("relearn devices from night", str(self._history.judged_nights() + 1))
        if known != mark:
            self._history.set_setting("key", mark)
        return home

    def _judge(self, run: int, home: Home, notes: list[NewChange]) -> None:
        history, options = self._history, self._options
        recorded = () if self._record is None else self._record()
        ring = read_ring(options.ring, history.taken(), now_ns=self._clock.now_ns(), complete=recorded)
        if not ring.new:
            raise CaptureReadError(str(options.ring), _why_nothing(ring))
        report = self._audit(ring.new, home)
        _refuse_unjudged(report)
        now_ns = self._clock.now_ns()
        number = history.judged_nights() + 1
        limits = options.limits
        if number == int(history.setting("relearn devices from night") or 0):
            limits = replace(limits, learning_nights=max(limits.learning_nights, number))
        night = read_night(report.document, {keep.wish for keep in home.keep})
        outcome = compare_night(
            night,
            history.facts(),
            number=number,
            now_ns=self._started_ns,
            limits=limits,
            usual_day=usual_days(history.changes(), self._started_ns),
        )
        if number == 1:
            self._say(
                f"first night: {len(outcome.facts)} things noted; most changes are told from night "
                f"{limits.learning_nights + 1} on"
            )
        changes = [*notes, *outcome.changes]
        history.end_judged(
            run,
            now_ns,
            outcome="changed" if changes else "same",
            reason=self._remark(report, now_ns),
            document=render_json(report.document).encode("utf-8", "backslashreplace"),
            facts=outcome.facts,
            forgotten=outcome.forgotten,
            changes=changes,
            taken=ring.present,
        )

    def _remark(self, report: Report, now_ns: int) -> str:
        """What stands beside a judged run in the history."""
        parts = [] if report.not_judged is None else [harmless_text(report.not_judged)]
        ran_ns = self._clock.monotonic_ns() - self._started_monotonic_ns
        slept_ns = now_ns - self._started_ns - ran_ns
        if abs(slept_ns) > SLEPT_SECONDS * NS_PER_SECOND:
            minutes = abs(slept_ns) / NS_PER_SECOND / 60
            what = "this machine slept or its clock was set" if slept_ns > 0 else "the clock was set back"
            parts.append(f"{what} during the run ({minutes:.0f} min)")
        for part in parts:
            self._say(part)
        return "; ".join(parts)

    def _give_out(self, run: int) -> tuple[str, ...]:
        waiting = [one for one in self._history.changes() if one.told_ns is None]
        if not waiting:
            return ()
        lines = tell_lines(waiting, run)
        try:
            self._tell(lines)
        except OutputError as error:
            self._say(f"{error}; the next run tells it again")
            return tuple(lines)
        self._history.mark_told([one.change for one in waiting], self._clock.now_ns())
        return tuple(lines)


def tell_lines(changes: Sequence[StoredChange], run: int) -> list[str]:
    """At most ``MAX_LINES`` lines, the heaviest first; those of an earlier run name its day."""
    ordered = sorted(changes, key=lambda one: (-one.weight, one.change))
    lines = []
    for one in ordered:
        day = "" if one.run == run else f"[{local_day(one.started_ns):%Y-%m-%d}] "
        line = harmless_text(f"{day}{one.line}")
        lines.append(line if len(line) <= MAX_LINE_CHARACTERS else f"{line[: MAX_LINE_CHARACTERS - 3]}...")
    if len(lines) > MAX_LINES:
        more = len(lines) - MAX_LINES + 1
        lines[MAX_LINES - 1 :] = [f"and {more} more changes: auditor watch --history shows them"]
    return lines


def _refuse_unjudged(report: Report) -> None:
    for entry in report.document["coverage"]["could_not_see"]:
        if entry["question"] == NOTHING_JUDGED:
            raise JudgementError(entry["reason"])


def _why_nothing(ring: Ring) -> str:
    if ring.growing:
        return "expected a complete recording, found one that is still being written"
    if ring.present:
        return "expected a recording newer than the last run, found only those that were judged already"
    return "expected recordings, found none"


def _store_notice(notice: str) -> NewChange:
    return NewChange("store", "", "", notice, 90)


def _first_line(error: Exception) -> str:
    return harmless_text(str(error).splitlines()[0] if str(error) else type(error).__name__)
