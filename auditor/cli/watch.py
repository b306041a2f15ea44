"""``auditor watch``: one scheduled run that tells only what changed, and everything around it."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from auditor.cli import options
from auditor.cli.exit import ExitStatus
from auditor.cli.options import AlarmFrom
from auditor.cli.output import print_result, say
from auditor.errors import UsageError

if TYPE_CHECKING:
    from auditor.home.model import Home
    from auditor.watch.night import Recorder, Report

GRACE_HOURS = 2.0
"""What a run may be late before that is an alarm: a random delay, a machine that wakes up."""
FILE_SECONDS = 300.0
FILE_OCTETS = 50_000_000
KEEP_FILES = 200
"""Recordings of the watch that stay, the newest: of some ten nights, to look into what was told."""
SNAP_OCTETS = 262_144
"""Whole frames (common practice: the greatest snap length that recorders offer)."""
MAX_RECORD_MINUTES = 1_440
"""A day: more belongs into a recorder that runs by itself and a watch that takes its ring."""

RingFolder = Annotated[
    Path | None,
    typer.Argument(
        metavar="RING", help="Folder of recordings; complete files that were not judged yet are taken."
    ),
]
StoreFolder = Annotated[
    Path | None,
    typer.Option(
        "--store", metavar="FOLDER", help="Where the history is kept. Default: this system's place for state."
    ),
]
RecordMinutes = Annotated[
    float | None,
    typer.Option(
        "--record", metavar="MINUTES", help="Record into RING first, for so long; needs --interface."
    ),
]
Interface = Annotated[str | None, typer.Option("--interface", metavar="NAME", help="Where --record listens.")]
StaleHours = Annotated[
    float | None,
    typer.Option(
        "--stale-hours",
        metavar="H",
        help="No usable recording for so long is an alarm of its own. Default: --every and two hours.",
    ),
]
Learn = Annotated[
    int, typer.Option("--learn", metavar="NIGHTS", help="Judged nights in which the home is got to know.")
]
Install = Annotated[
    bool, typer.Option("--install", help="Make this system run the watch; shows what it will do and asks.")
]
Uninstall = Annotated[bool, typer.Option("--uninstall", help="Take that back; recordings and history stay.")]
Every = Annotated[
    str, typer.Option("--every", metavar="TIME", help="How often it runs: 1h to 12h, 1d to 7d.")
]
At = Annotated[str, typer.Option("--at", metavar="HH:MM", help="With --install: when in the night.")]
ForUser = Annotated[bool, typer.Option("--user", help="With --install: for this user, not for the system.")]
Scheduler = Annotated[
    str | None,
    typer.Option(
        "--scheduler", metavar="NAME", help="systemd, cron or launchd. Default: what this system has."
    ),
]
OnFailure = Annotated[
    str | None,
    typer.Option("--on-failure", metavar="UNIT", help="With --install: unit to start when a run failed."),
]
Yes = Annotated[bool, typer.Option("--yes", help="Do it without asking.")]
HistoryOption = Annotated[
    bool, typer.Option("--history", help="Show the strip of runs and the latest changes.")
]
Picture = Annotated[
    Path | None, typer.Option("--picture", metavar="FILE", help="With --history: write the strip as SVG too.")
]
Accept = Annotated[
    list[str] | None,
    typer.Option(
        "--accept", metavar="NUMBER", help="Take a change of --history into the baseline; or 'all'."
    ),
]
Health = Annotated[
    bool,
    typer.Option("--health", help="One line for a monitor; status 0 well, 1 open changes, 3 not watching."),
]
Tell = Annotated[bool, typer.Option("--tell", help="With --health: give the line to the outlets too.")]


def watch(
    ring: RingFolder = None,
    store: StoreFolder = None,
    devices: options.Devices = None,
    home: options.HomeFile = None,
    rules: options.RuleFolders = None,
    record: RecordMinutes = None,
    interface: Interface = None,
    alarm_from: options.Alarm = AlarmFrom.MEDIUM,
    stale_hours: StaleHours = None,
    learn: Learn = 7,
    install: Install = False,
    uninstall: Uninstall = False,
    every: Every = "1d",
    at: At = "03:40",
    user: ForUser = False,
    scheduler: Scheduler = None,
    on_failure: OnFailure = None,
    yes: Yes = False,
    history: HistoryOption = False,
    picture: Picture = None,
    accept: Accept = None,
    health: Health = False,
    tell: Tell = False,
    strict: options.Strict = False,
    quiet: options.Quiet = False,
) -> int:
    """One scheduled run: take or make a recording, audit, store, tell only what changed."""
    jobs = [
        name
        for name, wanted in {
            "--install": install, "--uninstall": uninstall, "--history": history, "--accept": bool(accept),
            "--health": health,
        }.items()
        if wanted
    ]  # fmt: skip
    if len(jobs) > 1:
        raise UsageError(jobs[1], f"expected one job at a time, found {' and '.join(jobs)}")
    from auditor.watch.schedule import parse_every

    folder = (store or _default_store()).absolute()
    every_hours = parse_every(every)
    stale_hours = every_hours + GRACE_HOURS if stale_hours is None else stale_hours
    _check_numbers(record, stale_hours, learn)
    match jobs:
        case ["--history"]:
            from auditor.cli.watch_history import show_history

            return show_history(folder, picture)
        case ["--accept"]:
            from auditor.cli.watch_history import accept_changes

            return accept_changes(folder, accept or [])
        case ["--health"]:
            from auditor.cli.watch_history import show_health

            return show_health(folder, stale_hours, tell=tell)
        case ["--uninstall"]:
            from auditor.cli.watch_schedule import uninstall_schedule

            return uninstall_schedule(scheduler, for_user=user, yes=yes)
    if ring is None:
        raise UsageError("RING", "expected the folder of the recordings")
    ring = ring.absolute()
    if record is not None and interface is None:
        raise UsageError("--record", "expected --interface beside it: where to listen")
    if install:
        from auditor.cli.watch_schedule import install_schedule

        return install_schedule(
            ring, folder, devices=devices or [], home=home, rules=rules or [], record=record,
            interface=interface, alarm_from=alarm_from, stale_hours=stale_hours, learn=learn, every=every,
            at=at, for_user=user, scheduler=scheduler, on_failure=on_failure, yes=yes,
        )  # fmt: skip
    recorder = None
    if record is not None and interface is not None:
        recorder = _recorder(ring, interface, record, quiet=quiet)
    return _run(
        ring, folder, devices=devices or [], home=home, rules=rules or [], recorder=recorder,
        alarm_from=alarm_from, stale_hours=stale_hours, learn=learn, every_hours=every_hours, strict=strict,
        quiet=quiet,
    )  # fmt: skip


def _run(
    ring: Path,
    folder: Path,
    *,
    devices: list[str],
    home: Path | None,
    rules: list[Path],
    recorder: Recorder | None,
    alarm_from: AlarmFrom,
    stale_hours: float,
    learn: int,
    every_hours: float,
    strict: bool,
    quiet: bool,
) -> int:
    import time

    from auditor.home.loader import load_home
    from auditor.home.model import Home
    from auditor.outlets.settings import load_settings
    from auditor.store.history import History
    from auditor.watch.baseline import Limits
    from auditor.watch.night import WatchOptions, run_watch
    from auditor.watch.telling import give_out, keep_metrics

    talk = _silent if quiet else say
    settings = load_settings(folder)
    if settings.webhook is not None:
        from auditor.live.webhook import check_location

        check_location(settings.webhook)  # now, not on the night on which there is something to tell
    typed_home = Home() if home is None else load_home(home)

    def audit(paths: Sequence[Path], keyed: Home) -> Report:
        from auditor import pipeline

        return pipeline.audit(list(paths), devices=devices, home=keyed, rules=rules, strict=strict)

    def tell(lines: Sequence[str]) -> None:
        give_out(lines, settings, now_ns=time.time_ns(), show=print_result, say=say)

    watch_options = WatchOptions(
        folder=folder,
        ring=ring,
        home=typed_home,
        limits=Limits(alarm_from=alarm_from.value, learning_nights=learn),
        every_hours=every_hours,
        stale_hours=stale_hours,
    )
    result = run_watch(watch_options, audit=audit, tell=tell, say=talk, record=recorder)
    if settings.metrics is not None:
        with History.open(folder, now_ns=time.time_ns()) as history:
            keep_metrics(settings, history, say)
    if result.could_not_judge is not None:
        talk(f"could not judge: {result.could_not_judge}")
        return ExitStatus.COULD_NOT_JUDGE
    return ExitStatus.FINDINGS if result.lines else ExitStatus.JUDGED


def _silent(_: str) -> None:
    """Talk that nobody wants."""


def _recorder(ring: Path, interface: str, minutes: float, *, quiet: bool) -> Recorder:
    def record() -> Sequence[Path]:
        from auditor.live import recorder
        from auditor.live.model import RecordingOptions

        ring.mkdir(parents=True, exist_ok=True)
        result = recorder.record(
            RecordingOptions(
                interface=interface, folder=ring, stem="watch", file_octets=FILE_OCTETS,
                file_seconds=FILE_SECONDS, keep_files=KEEP_FILES, stop_seconds=minutes * 60, stop_octets=None,
                device=None, snap_octets=SNAP_OCTETS,
            ),
            tell=_silent if quiet else say,
        )  # fmt: skip
        return tuple(result.files)

    return record


def _check_numbers(record: float | None, stale_hours: float, learn: int) -> None:
    if record is not None and not 0 < record <= MAX_RECORD_MINUTES:
        raise UsageError(
            "--record", f"expected more than 0 and at most {MAX_RECORD_MINUTES} minutes, found {record}"
        )
    if not 1 <= stale_hours <= 8_784:
        raise UsageError("--stale-hours", f"expected 1 to 8784 hours, found {stale_hours}")
    if not 1 <= learn <= 90:
        raise UsageError("--learn", f"expected 1 to 90 nights, found {learn}")


def _default_store() -> Path:
    """
    The system's place for what a program keeps.

    systemd.exec(5) ``STATE_DIRECTORY``; XDG Base Directory 0.8; macOS and Windows: common practice.
    """
    given = os.environ.get("STATE_DIRECTORY", "").partition(":")[0]
    if given:
        return Path(given)
    base = os.environ.get("XDG_STATE_HOME") or os.environ.get("LOCALAPPDATA")
    if base:
        return Path(base) / "lighting-watch"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "lighting-watch"
    return Path.home() / ".local" / "state" / "lighting-watch"
