"""Putting the schedule into the system and taking it back; nothing is done before it was shown."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

from auditor.errors import OutputError, UsageError
from auditor.watch.schedule import (
    CRON_MARK,
    NAME,
    Schedule,
    Scheduler,
    cron_line,
    launchd_file,
    systemd_units,
)

MAX_SECONDS = 30
"""For a command of the system to answer: reloading takes less than one."""

Run = Callable[[Sequence[str], bytes | None], tuple[int, bytes]]
"""Runs a command of the system with input; its status and output."""


class Step(NamedTuple):
    """Something that installing does: a file, or a command."""

    path: Path | None
    content: bytes
    command: tuple[str, ...]

    def shown(self) -> str:
        """As the user sees it before it happens."""
        if self.path is None:
            with_input = "" if not self.content else f" < {self.content.decode('utf-8', 'replace').rstrip()}"
            return f"run: {' '.join(self.command)}{with_input}"
        return f"write {self.path}:\n{self.content.decode('utf-8', 'replace').rstrip()}"


def find_scheduler() -> Scheduler:
    """The system's own way."""
    if sys.platform == "darwin":
        return "launchd"
    if Path("/run/systemd/system").is_dir():  # sd_booted(3)
        return "systemd"
    if shutil.which("crontab"):
        return "cron"
    raise UsageError(
        "--install", "found neither systemd nor cron nor launchd; run the command from your own scheduler"
    )


def unit_folder(for_user: bool) -> Path:
    """Where units of the user or of the system stand (systemd.unit(5))."""
    if not for_user:
        return Path("/etc/systemd/system")
    base = os.environ.get("XDG_CONFIG_HOME")
    return (Path(base) if base else Path.home() / ".config") / "systemd" / "user"


def agents_folder() -> Path:
    """Where the user's agents stand (launchd.plist(5))."""
    return Path.home() / "Library" / "LaunchAgents"


def run_command(command: Sequence[str], given: bytes | None) -> tuple[int, bytes]:
    """Run a command of the system."""
    try:
        done = subprocess.run(  # noqa: S603 - fixed commands, no shell
            list(command), input=given, capture_output=True, timeout=MAX_SECONDS, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        return 127, str(error).encode()
    return done.returncode, done.stdout if not done.returncode else done.stdout + done.stderr


def install_steps(schedule: Schedule, scheduler: Scheduler, run: Run = run_command) -> list[Step]:
    """All that will be done."""
    if scheduler == "systemd":
        folder = unit_folder(schedule.for_user)
        steps = [Step(folder / name, text.encode(), ()) for name, text in systemd_units(schedule).items()]
        control = _systemctl(schedule.for_user)
        return [
            *steps,
            Step(None, b"", (*control, "daemon-reload")),
            Step(None, b"", (*control, "enable", "--now", f"{NAME}.timer")),
        ]
    if scheduler == "launchd":
        path = agents_folder() / f"{NAME}.plist"
        return [
            Step(path, launchd_file(schedule), ()),
            Step(None, b"", ("launchctl", "load", "-w", str(path))),
        ]
    table = _without_ours(_crontab(run)) + cron_line(schedule).encode()
    return [Step(None, table, ("crontab", "-"))]


def uninstall_steps(
    scheduler: Scheduler, *, for_user: bool, run: Run = run_command
) -> tuple[list[Step], list[Path]]:
    """Commands, and then the files to take away; both empty where nothing is installed."""
    if scheduler == "systemd":
        folder = unit_folder(for_user)
        files = [
            path
            for name in (f"{NAME}.service", f"{NAME}.timer", f"{NAME}-failed.service")
            if (path := folder / name).exists()
        ]
        if not files:
            return [], []
        return [Step(None, b"", (*_systemctl(for_user), "disable", "--now", f"{NAME}.timer"))], files
    if scheduler == "launchd":
        path = agents_folder() / f"{NAME}.plist"
        return (
            ([Step(None, b"", ("launchctl", "unload", "-w", str(path)))], [path])
            if path.exists()
            else ([], [])
        )
    table = _crontab(run)
    kept = _without_ours(table)
    return ([], []) if kept == table else ([Step(None, kept, ("crontab", "-"))], [])


def do_steps(steps: Sequence[Step], run: Run = run_command) -> None:
    """Do them in order; raises ``OutputError`` at the first that fails, and says what stands by then."""
    for place, step in enumerate(steps):
        if step.path is not None:
            _write(step.path, step.content)
            continue
        status, said = run(step.command, step.content or None)
        if status:
            words = said.decode("utf-8", "replace").strip().splitlines()
            rest = "; ".join(" ".join(one.command) for one in steps[place:] if one.command)
            raise OutputError(
                f"{' '.join(step.command)}: {words[-1] if words else f'ended with {status}'}; "
                f"what was written before stands; to go on by hand: {rest}"
            )


def remove_files(files: Sequence[Path]) -> None:
    """Take files away; raises ``OutputError``."""
    for path in files:
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise OutputError(f"{path}: {error.strerror or error}") from error


def _systemctl(for_user: bool) -> tuple[str, ...]:
    return ("systemctl", "--user") if for_user else ("systemctl",)


def _write(path: Path, content: bytes) -> None:
    part = path.with_name(f".{path.name}.{os.urandom(4).hex()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            part.write_bytes(content)
            part.chmod(
                0o644
            )  # systemd complains of units that nobody else can read; nothing private stands there
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(
            f"{path}: {error.strerror or error}; what stood there before still stands"
        ) from error


def _crontab(run: Run) -> bytes:
    status, said = run(("crontab", "-l"), None)
    if status == 0:
        return said
    if b"no crontab" in said.lower():
        return b""
    # Whatever else went wrong: writing would replace a table that could not be read.
    raise OutputError(f"crontab -l: {said.decode('utf-8', 'replace').strip() or f'ended with {status}'}")


def _without_ours(table: bytes) -> bytes:
    kept = [
        line for line in table.splitlines(keepends=True) if not line.rstrip().endswith(CRON_MARK.encode())
    ]
    if kept and not kept[-1].endswith(b"\n"):
        kept[-1] += b"\n"
    return b"".join(kept)
