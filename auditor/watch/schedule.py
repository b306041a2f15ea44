"""
The files that make a system run the watch: a systemd timer and service, a cron line, a launchd file.

Standards: systemd.timer(5), systemd.service(5), systemd.exec(5); crontab(5) (POSIX crontab utility);
           launchd.plist(5).  Quoting: systemd.syntax(7), POSIX shell section 2.2, crontab's percent sign.
"""

from __future__ import annotations

import plistlib
import re
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from auditor.errors import UsageError

Scheduler = Literal["systemd", "cron", "launchd"]

NAME = "lighting-watch"
CRON_MARK = "# lighting-watch"
MAX_RUN_SECONDS = 14_400
"""A run is ended after four hours: a night's ring takes minutes, one that hangs would hold the lock."""
RANDOM_DELAY_SECONDS = 900
"""Spread, so that several machines of a home do not all work at one minute."""
_EVERY = re.compile(r"([1-9][0-9]{0,2})(h|d)")
_AT = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])")


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """What is to be run, and when."""

    command: tuple[str, ...]
    """Program and arguments, absolute."""
    writable: tuple[str, ...]
    """Folders that the run writes to: the store, and the ring where it records."""
    every_hours: int
    at: tuple[int, int]
    """Hour and minute of the local day, for every day or longer."""
    records: bool
    """It records itself, which needs the right to read all packets."""
    for_user: bool
    sends_mail: bool = False
    """The system's mailer is mostly a program with rights of its own, which NoNewPrivileges would take."""
    failure_unit: str | None = None
    """Started when a run failed; None: our own, which puts a line into the journal and the outlets."""


def parse_every(text: str) -> int:
    """``6h``, ``1d`` to hours, 1 to 168; raises ``UsageError``."""
    match = _EVERY.fullmatch(text)
    hours = 0 if match is None else int(match[1]) * (24 if match[2] == "d" else 1)
    if not 1 <= hours <= 168 or (hours < 24 and 24 % hours) or (hours > 24 and hours % 24):
        raise UsageError(
            "--every", f"expected 1h to 12h that part a day evenly, or 1d to 7d, found {text[:20]!r}"
        )
    return hours


def parse_at(text: str) -> tuple[int, int]:
    """``03:40`` to hour and minute; raises ``UsageError``."""
    match = _AT.fullmatch(text)
    if match is None:
        raise UsageError("--at", f"expected a time of day such as 03:40, found {text[:20]!r}")
    return int(match[1]), int(match[2])


def systemd_units(schedule: Schedule) -> dict[str, str]:
    """Unit files by name."""
    failure = schedule.failure_unit or f"{NAME}-failed.service"
    _refuse_control((failure,))
    hour, minute = schedule.at
    if schedule.every_hours < 24:
        when = f"*-*-* 00/{schedule.every_hours}:{minute:02d}:00"
    else:
        when = f"*-*-* {hour:02d}:{minute:02d}:00"
    days = schedule.every_hours // 24
    if days == 7:
        when = f"Mon {when}"
    elif days > 1:  # the day of the month begins anew on the 1st, where one interval is shorter
        when = f"*-*-1/{days} {hour:02d}:{minute:02d}:00"
    units = {
        f"{NAME}.service": _service(schedule, f"OnFailure={failure}\n", _line(schedule.command)),
        f"{NAME}.timer": (
            "[Unit]\n"
            "Description=Nightly watch over the lighting network\n\n"
            "[Timer]\n"
            f"OnCalendar={when}\n"
            "Persistent=true\n"
            f"RandomizedDelaySec={RANDOM_DELAY_SECONDS}\n\n"
            "[Install]\n"
            "WantedBy=timers.target\n"
        ),
    }
    if schedule.failure_unit is None:
        tell = _line(
            (
                *schedule.command[: schedule.command.index("watch") + 1],
                "--health",
                "--tell",
                *_kept_options(schedule),
            )
        )
        units[failure] = _service(schedule, "", tell, is_failure=True)
    return units


def _kept_options(schedule: Schedule) -> tuple[str, ...]:
    """What the line of health has to know too."""
    command = schedule.command
    kept: list[str] = []
    for option in ("--store", "--every", "--stale-hours"):
        if option in command:
            place = command.index(option)
            kept += command[place : place + 2]
    return tuple(kept)


def _service(schedule: Schedule, failure: str, command: str, *, is_failure: bool = False) -> str:
    # A ring is often another user's; without this right root reads its own files alone (capabilities(7)).
    rights = "CAP_DAC_READ_SEARCH" + (" CAP_NET_RAW" if schedule.records and not is_failure else "")
    # The internet families are for a webhook at home; IPAddressDeny shuts the outside.
    families = "AF_UNIX AF_INET AF_INET6" + (" AF_PACKET AF_NETLINK" if schedule.records else "")
    # PrivateTmp would hide a ring or store that stands there.
    is_temporary = any(word.startswith(("/tmp/", "/var/tmp/")) for word in schedule.command)  # noqa: S108
    what = "Tell that the watch failed" if is_failure else "One watch over the lighting network"
    own = "" if schedule.for_user else (
        f"CapabilityBoundingSet={rights}\n"
        f"AmbientCapabilities={rights}\n"
        "PrivateDevices=true\n"
        "ProtectClock=true\n"
        "ProtectHostname=true\n"
        "ProtectKernelLogs=true\n"
        "ProtectKernelModules=true\n"
        "ProtectKernelTunables=true\n"
        "ProtectControlGroups=true\n"
        "ProtectProc=invisible\n"
        "ProcSubset=pid\n"
        "IPAddressDeny=any\n"
        "IPAddressAllow=localhost link-local 10.0.0.0/8 172.16.0.0/12 192.168.0.0/16 fc00::/7\n"
        "ProtectHome=read-only\n"
        "ProtectSystem=strict\n"
        + ("" if is_temporary else "PrivateTmp=true\n")
        + ("ReadWritePaths=-/var/spool\n" if schedule.sends_mail else "")
        + "".join(f"ReadWritePaths={_quote(folder)}\n" for folder in schedule.writable)
    )  # fmt: skip
    return (
        "[Unit]\n"
        f"Description={what}\n"
        f"{failure}\n"
        "[Service]\n"
        "Type=oneshot\n"
        f"ExecStart={command}\n"
        "# 1: something changed and was told; the run did what it should.\n"
        "SuccessExitStatus=1\n"
        f"TimeoutStartSec={MAX_RUN_SECONDS}\n"
        "Nice=10\n"
        "UMask=0077\n" + ("" if schedule.sends_mail else "NoNewPrivileges=true\n") + "LockPersonality=true\n"
        "RestrictNamespaces=true\n"
        "RestrictRealtime=true\n"
        "RestrictSUIDSGID=true\n"
        f"RestrictAddressFamilies={families}\n"
        "SystemCallArchitectures=native\n"
        "SystemCallFilter=@system-service\n"
        "SystemCallFilter=~@privileged @resources\n"
        "SystemCallErrorNumber=EPERM\n"
        f"{own}"
    )


def cron_line(schedule: Schedule) -> str:
    """One line for the user's crontab, marked so that it is found again."""
    hour, minute = schedule.at
    days = schedule.every_hours // 24
    if schedule.every_hours < 24:
        when = f"{minute} */{schedule.every_hours} * * *"
    elif days == 7:
        when = f"{minute} {hour} * * 1"
    else:
        when = f"{minute} {hour} {'*' if days == 1 else f'*/{days}'} * *"
    _refuse_control(schedule.command)
    # cron mails whatever is printed: talk of every night would be mail of every night.
    # crontab(5): an unescaped percent sign ends the command.
    return f"{when} {shlex.join((*schedule.command, '--quiet')).replace('%', chr(92) + '%')} {CRON_MARK}\n"


def launchd_file(schedule: Schedule) -> bytes:
    """A property list for the user's agents."""
    hour, minute = schedule.at
    _refuse_control(schedule.command)
    if schedule.every_hours < 24:
        starts: object = [{"Hour": one, "Minute": minute} for one in range(0, 24, schedule.every_hours)]
    else:
        days = schedule.every_hours // 24
        starts = {"Hour": hour, "Minute": minute} | ({"Weekday": 1} if days == 7 else {})
        if 1 < days < 7:
            starts = [{"Hour": hour, "Minute": minute, "Day": day} for day in range(1, 32, days)]
    return plistlib.dumps(
        {
            "Label": NAME,
            "ProgramArguments": list(schedule.command),
            "StartCalendarInterval": starts,
            "ProcessType": "Background",
            "LowPriorityIO": True,
        }
    )


def _line(words: Sequence[str]) -> str:
    return " ".join(_quote(word) for word in words)


def _quote(word: str) -> str:
    """A word of a unit file (systemd.syntax(7) and systemd.service(5), specifiers and variables)."""
    _refuse_control((word,))
    escaped = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{escaped}"' if not escaped or re.search(r"[\s\"';\\]", escaped) else escaped


def _refuse_control(words: Sequence[str]) -> None:
    for word in words:
        if not word.isprintable():
            raise UsageError("--install", "expected names without line breaks or control characters")
