"""What ``auditor watch`` shows of its past: the strip, the changes, one line of health."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

from auditor.cli.exit import ExitStatus
from auditor.cli.output import print_result, say, write_result
from auditor.errors import JudgementError, UsageError
from auditor.outlets.settings import load_settings
from auditor.report.harmless import harmless_text
from auditor.store.database import STORE_NAME
from auditor.store.history import History, StoredChange
from auditor.watch.calendar import hours_without, local_day
from auditor.watch.lock import only_one
from auditor.watch.strip import draw_strip, nights, render_strip
from auditor.watch.telling import NOTICES, give_out, open_changes

SHOWN_CHANGES = 20
"""The latest, as many as fit a screen with the strip."""


def show_history(folder: Path, picture: Path | None) -> int:
    """The strip, why nights could not be judged, and the latest changes with their numbers."""
    now_ns = time.time_ns()
    with _open(folder, now_ns) as history:
        runs, changes = history.runs(), history.changes()
    cells = nights(runs, now_ns)
    lines = [render_strip(cells)]
    reasons = [run for run in runs if run.reason][-SHOWN_CHANGES:]
    lines += [f"{local_day(run.started_ns):%Y-%m-%d %H:%M}  {harmless_text(run.reason)}\n" for run in reasons]
    if reasons:
        lines.append("\n")
    lines += [_change_line(one) for one in changes[-SHOWN_CHANGES:]]
    print_result("".join(lines))
    if picture is not None:
        write_result(draw_strip(cells), picture)
    return ExitStatus.JUDGED


def _change_line(one: StoredChange) -> str:
    state = "accepted" if one.accepted_ns is not None else "" if one.kind in NOTICES else "open"
    day = f"{local_day(one.started_ns):%Y-%m-%d}"
    return f"{one.change:>5}  {day}  {state:<8}  {harmless_text(one.line)}\n"


def accept_changes(folder: Path, wanted: Sequence[str]) -> int:
    """Take changes into the baseline."""
    now_ns = time.time_ns()
    with only_one(folder), _open(folder, now_ns) as history:
        waiting = {one.change for one in open_changes(history)}
        if list(wanted) == ["all"]:
            numbers = waiting
        else:
            numbers = set()
            for word in wanted:
                if not word.isascii() or not word.isdecimal() or len(word) > 12 or int(word) not in waiting:
                    raise UsageError(
                        "--accept", f"expected the number of an open change of --history, found {word[:20]!r}"
                    )
                numbers.add(int(word))
        count = history.accept(numbers, now_ns)
    say(f"accepted {count} {'change' if count == 1 else 'changes'}")
    return ExitStatus.JUDGED


def show_health(folder: Path, stale_hours: float, *, tell: bool) -> int:
    """One line, and a status that another monitor can read."""
    now_ns = time.time_ns()
    with _open(folder, now_ns) as history:
        runs, waiting = history.runs(), len(open_changes(history))
    hours = hours_without(runs, now_ns)
    last = runs[-1] if runs else None
    if last is None:
        status, line = ExitStatus.COULD_NOT_JUDGE, "not watching: no run yet"
    elif hours >= stale_hours:
        why = f"; last run: {harmless_text(last.reason)}" if last.reason else ""
        status, line = ExitStatus.COULD_NOT_JUDGE, f"not watching: no usable recording for {hours:.0f} h{why}"
    elif last.outcome in {"could-not-judge", "interrupted"}:
        status = ExitStatus.COULD_NOT_JUDGE
        line = f"last run could not judge: {harmless_text(last.reason)}"
    elif waiting:
        status, line = ExitStatus.FINDINGS, f"watching; {waiting} open: auditor watch --history shows them"
    else:
        status, line = ExitStatus.JUDGED, f"watching; last usable recording {hours:.0f} h ago, nothing open"
    if tell:
        give_out([line], load_settings(folder), now_ns=now_ns, show=print_result, say=say)
    else:
        print_result(f"{line}\n")
    return status


def _open(folder: Path, now_ns: int) -> History:
    """Looking must not make a store where there is none."""
    if not (folder / STORE_NAME).exists():
        raise JudgementError(f"{folder}: no history here; run auditor watch RING first, or give its --store")
    history = History.open(folder, now_ns=now_ns)
    for notice in history.notices:
        say(notice)
    return history
