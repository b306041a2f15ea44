"""``auditor watch --install`` and ``--uninstall``: shown first, asked for, then done."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import cast

from auditor.cli.exit import ExitStatus
from auditor.cli.options import AlarmFrom
from auditor.cli.output import print_result, say
from auditor.errors import UsageError
from auditor.outlets.settings import load_settings
from auditor.watch.install import do_steps, find_scheduler, install_steps, remove_files, uninstall_steps
from auditor.watch.schedule import Schedule, parse_at, parse_every
from auditor.watch.schedule import Scheduler as SchedulerName

SCHEDULERS = ("systemd", "cron", "launchd")


def install_schedule(
    ring: Path,
    folder: Path,
    *,
    devices: Sequence[str],
    home: Path | None,
    rules: Sequence[Path],
    record: float | None,
    interface: str | None,
    alarm_from: AlarmFrom,
    stale_hours: float,
    learn: int,
    every: str,
    at: str,
    for_user: bool,
    scheduler: str | None,
    on_failure: str | None,
    yes: bool,
) -> int:
    """Show what will be written and run; do it after a yes."""
    command = [sys.executable, "-m", "auditor", "watch", str(ring), "--store", str(folder), "--every", every]
    for device in devices:
        command += ["--device", device]
    if home is not None:
        command += ["--home", str(home.absolute())]
    for rule_folder in rules:
        command += ["--rules", str(rule_folder.absolute())]
    if record is not None and interface is not None:
        command += ["--record", f"{record:g}", "--interface", interface]
    command += ["--alarm-from", alarm_from.value, "--stale-hours", f"{stale_hours:g}", "--learn", str(learn)]
    settings = load_settings(folder)
    beside = {path.parent for path in (settings.file, settings.metrics) if path is not None}
    schedule = Schedule(
        command=tuple(command),
        writable=tuple(map(str, sorted({folder, *beside, *((ring,) if record is not None else ())}))),
        every_hours=parse_every(every),
        at=parse_at(at),
        records=record is not None,
        sends_mail=settings.mail_to is not None,
        for_user=for_user,
        failure_unit=on_failure,
    )
    steps = install_steps(schedule, _scheduler(scheduler))
    print_result("".join(f"{step.shown()}\n\n" for step in steps))
    if not _agreed(yes=yes):
        return ExitStatus.JUDGED
    for path in map(Path, schedule.writable):  # a unit may only write where something is
        path.mkdir(mode=0o700, parents=True, exist_ok=True)
    do_steps(steps)
    say("installed; auditor watch --uninstall takes it back, auditor watch --health tells whether it runs")
    return ExitStatus.JUDGED


def uninstall_schedule(scheduler: str | None, *, for_user: bool, yes: bool) -> int:
    """Show what will be taken away; do it after a yes."""
    steps, files = uninstall_steps(_scheduler(scheduler), for_user=for_user)
    if not steps and not files:
        say("nothing of ours is installed")
        return ExitStatus.JUDGED
    print_result("".join([*(f"{step.shown()}\n" for step in steps), *(f"remove {path}\n" for path in files)]))
    if not _agreed(yes=yes):
        return ExitStatus.JUDGED
    try:
        do_steps(steps)
    finally:
        remove_files(files)
    say("taken back; the history and the recordings stay")
    return ExitStatus.JUDGED


def _scheduler(wanted: str | None) -> SchedulerName:
    if wanted is None:
        return find_scheduler()
    if wanted not in SCHEDULERS:
        raise UsageError("--scheduler", f"expected {', '.join(SCHEDULERS)}, found {wanted[:20]!r}")
    return cast("SchedulerName", wanted)


def _agreed(*, yes: bool) -> bool:
    if yes:
        return True
    if not sys.stdin.isatty():
        say("nothing was done: give --yes to do it where nobody can be asked")
        return False
    say("do this? [y/N]")
    if sys.stdin.readline().strip().lower() in {"y", "yes"}:
        return True
    say("nothing was done")
    return False
