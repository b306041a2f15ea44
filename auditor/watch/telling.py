"""Giving lines out: standard output first, then each outlet that is on; one that fails fails alone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

from auditor.errors import AuditorError, OutputError
from auditor.outlets.file import add_lines
from auditor.outlets.mail import send_mail
from auditor.outlets.metrics import WatchState, write_metrics
from auditor.outlets.settings import OutletSettings
from auditor.store.history import History, StoredChange
from auditor.watch.calendar import USABLE

NOTICES = frozenset({"stale", "missed", "clock", "store"})
"""Kinds of lines that tell of the watch itself: there is nothing to accept."""


def open_changes(history: History) -> list[StoredChange]:
    """Changes that were told and neither accepted nor about the watch itself."""
    return [
        one
        for one in history.changes()
        if one.told_ns is not None and one.accepted_ns is None and one.kind not in NOTICES
    ]


def give_out(
    lines: Sequence[str],
    settings: OutletSettings,
    *,
    now_ns: int,
    show: Callable[[str], None],
    say: Callable[[str], None],
) -> None:
    """
    Give the lines out; raises ``OutputError`` where no way that is on took them.

    Standard output counts where no outlet is on: somebody who configured mail
    does not look at the journal.
    """
    outlets: list[Callable[[], None]] = []
    if settings.mail_to is not None:
        receiver = settings.mail_to
        outlets.append(lambda: send_mail(lines, receiver))
    if settings.file is not None:
        path = settings.file
        outlets.append(lambda: add_lines(path, lines, now_ns=now_ns))
    if settings.webhook is not None:
        location = settings.webhook
        outlets.append(lambda: _post(location, lines))
    show("".join(f"{line}\n" for line in lines))
    failed = 0
    for outlet in outlets:
        try:
            outlet()
        except AuditorError as error:
            failed += 1
            say(f"not told by one way: {error}")
    if outlets and failed == len(outlets):
        raise OutputError("no outlet took what was to be told")


def _post(location: str, lines: Sequence[str]) -> None:
    from auditor.live.webhook import send  # opens sockets: loaded only where one is wished for

    send(location, {"lines": list(lines), "redacted": True})


def state_of(history: History) -> WatchState:
    """What the store says of the watch itself."""
    runs = history.runs()
    usable = [run for run in runs if run.outcome in USABLE]
    return WatchState(
        last_run_ns=runs[-1].started_ns if runs else None,
        last_usable_ns=usable[-1].started_ns if usable else None,
        last_outcome=(runs[-1].outcome or "") if runs else "",
        runs=Counter(run.outcome or "going on" for run in runs),
        open_changes=len(open_changes(history)),
        judged_nights=history.judged_nights(),
    )


def keep_metrics(settings: OutletSettings, history: History, say: Callable[[str], None]) -> None:
    """Write the metrics where they are wished for; a failure is told and fails nothing."""
    if settings.metrics is None:
        return
    try:
        write_metrics(settings.metrics, state_of(history))
    except OutputError as error:
        say(f"metrics not written: {error}")
