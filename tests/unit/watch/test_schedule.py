"""
What makes a system run the watch, judged by the system's own checkers.

Sources: systemd-analyze(1) ``verify``, ``calendar`` and ``security``; systemd.syntax(7); crontab(5); launchd.plist(5), read by
Python's plistlib; POSIX shell for the quoting of the cron line.
"""

import io
import os
import plistlib
import re
import shlex
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from auditor.errors import OutputError, UsageError
from auditor.watch import install
from auditor.watch.install import do_steps, install_steps, remove_files, uninstall_steps
from auditor.watch.schedule import (
    NAME,
    Schedule,
    cron_line,
    launchd_file,
    parse_at,
    parse_every,
    systemd_units,
)
from tests.scenarios.support import command

MAX_EXPOSURE = 3.0
"""systemd-analyze security calls 0 to 4 ``OK`` or better; measured: 2.4."""

SCHEDULE = Schedule(
    command=(
        sys.executable,
        "-m",
        "auditor",
        "watch",
        "/srv/a ring/$x 50%",
        "--store",
        "/var/lib/lighting-watch",
    ),
    writable=("/var/lib/lighting-watch",),
    every_hours=24,
    at=(3, 40),
    records=False,
    for_user=False,
)
VARIANTS = [
    SCHEDULE,
    replace(SCHEDULE, records=True),
    replace(SCHEDULE, for_user=True),
    replace(SCHEDULE, sends_mail=True),
    replace(SCHEDULE, every_hours=6),
    replace(SCHEDULE, every_hours=48),
    replace(SCHEDULE, every_hours=168),
]


def analyzer():
    found = shutil.which("systemd-analyze")
    if found is None:
        if os.environ.get("CI"):
            pytest.fail("systemd-analyze is missing")
        pytest.skip("systemd-analyze is missing")
    return found


@pytest.mark.parametrize("schedule", VARIANTS)
def test_units_pass_the_systems_own_check(tmp_path, schedule):
    program = analyzer()
    for name, text in systemd_units(schedule).items():
        (tmp_path / name).write_text(text)
    units = sorted(str(path) for path in tmp_path.iterdir())
    scope = ["--user"] if schedule.for_user else []

    environment = {
        **os.environ,
        "XDG_RUNTIME_DIR": str(tmp_path),
    }  # a user's manager wants one, signed in or not
    done = subprocess.run(
        [program, *scope, "--man=no", "verify", *units],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 0, done.stderr
    assert str(tmp_path) not in done.stderr  # it warns of lines that it does not know


@pytest.mark.parametrize("schedule", [one for one in VARIANTS if not one.for_user and not one.sends_mail])
def test_exposure_stays_below_the_threshold(tmp_path, schedule):
    program = analyzer()
    for name, text in systemd_units(schedule).items():
        (tmp_path / name).write_text(text)

    for service in tmp_path.glob("*.service"):
        done = subprocess.run(
            [program, "security", "--offline=true", f"--threshold={round(MAX_EXPOSURE * 10)}", str(service)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout[-200:]


@pytest.mark.parametrize("hours", [1, 2, 6, 12, 24, 48, 168])
def test_times_are_times_to_systemd(hours):
    program = analyzer()
    [when] = re.findall(
        r"^OnCalendar=(.+)$",
        systemd_units(replace(SCHEDULE, every_hours=hours))[f"{NAME}.timer"],
        re.MULTILINE,
    )

    done = subprocess.run([program, "calendar", when], capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stderr


def test_units_hold_what_a_watch_needs():
    units = systemd_units(SCHEDULE)

    assert "Persistent=true\n" in units[f"{NAME}.timer"]
    assert "RandomizedDelaySec=" in units[f"{NAME}.timer"]
    assert "SuccessExitStatus=1\n" in units[f"{NAME}.service"]
    assert f"OnFailure={NAME}-failed.service\n" in units[f"{NAME}.service"]
    assert "--health --tell" in units[f"{NAME}-failed.service"]
    other = systemd_units(replace(SCHEDULE, failure_unit="my-hook.service"))
    assert set(other) == {f"{NAME}.service", f"{NAME}.timer"}
    assert "OnFailure=my-hook.service\n" in other[f"{NAME}.service"]


def test_only_a_recording_watch_may_read_packets():
    assert "CAP_NET_RAW" not in systemd_units(SCHEDULE)[f"{NAME}.service"]
    recording = systemd_units(replace(SCHEDULE, records=True))
    assert "AmbientCapabilities=CAP_DAC_READ_SEARCH CAP_NET_RAW\n" in recording[f"{NAME}.service"]
    assert "CAP_NET_RAW" not in recording[f"{NAME}-failed.service"]


def test_names_are_quoted_for_systemd():
    assert '"/srv/a ring/$$x 50%%"' in systemd_units(SCHEDULE)[f"{NAME}.service"]


def test_cron_line_is_one_line_that_the_shell_reads_as_meant():
    line = cron_line(SCHEDULE)

    assert line.startswith("40 3 * * * ")
    assert line.count("\n") == 1
    command_part = line.split(None, 5)[5].rsplit(" # ", 1)[0]
    assert tuple(shlex.split(command_part.replace(r"\%", "%"))) == (*SCHEDULE.command, "--quiet")
    assert "%" not in line.replace(r"\%", "")


def test_launchd_file_is_a_property_list():
    read = plistlib.loads(launchd_file(SCHEDULE))

    assert tuple(read["ProgramArguments"]) == SCHEDULE.command
    assert read["StartCalendarInterval"] == {"Hour": 3, "Minute": 40}
    several = plistlib.loads(launchd_file(replace(SCHEDULE, every_hours=6)))["StartCalendarInterval"]
    assert [one["Hour"] for one in several] == [0, 6, 12, 18]


@pytest.mark.parametrize("make", [systemd_units, cron_line, launchd_file])
def test_line_breaks_in_names_are_refused(make):
    hostile = replace(SCHEDULE, command=(*SCHEDULE.command, "x\nExecStartPost=/bin/false"))

    with pytest.raises(UsageError):
        make(hostile)


@pytest.mark.parametrize("text", ["0h", "5h", "25h", "8d", "1", "", "1w", "24", "-1h"])
def test_intervals_that_cannot_be_kept_are_refused(text):
    with pytest.raises(UsageError):
        parse_every(text)


def test_intervals_and_times():
    assert [parse_every(text) for text in ("1h", "12h", "24h", "1d", "7d")] == [1, 12, 24, 24, 168]
    assert parse_at("03:40") == (3, 40)
    for text in ("24:00", "3:40", "03:60", "night"):
        with pytest.raises(UsageError):
            parse_at(text)


class System:
    """Commands of a system, noted instead of run; a crontab that can be read back."""

    def __init__(self, table=None, fails=()):
        self.table, self.fails, self.ran = table, fails, []

    def __call__(self, words, given):
        self.ran.append(tuple(words))
        if words[0] in self.fails:
            return 1, b"it does not work here\n"
        if tuple(words) == ("crontab", "-l"):
            return (1, b"no crontab for somebody\n") if self.table is None else (0, self.table)
        if words[0] == "crontab":
            self.table = given
        return 0, b""


def test_systemd_is_installed_and_taken_back(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    schedule, system = replace(SCHEDULE, for_user=True), System()
    steps = install_steps(schedule, "systemd", system)
    folder = tmp_path / "systemd" / "user"
    assert not folder.exists()  # nothing is done by asking

    do_steps(steps, system)

    assert {path.name for path in folder.iterdir()} == {
        f"{NAME}.service",
        f"{NAME}.timer",
        f"{NAME}-failed.service",
    }
    assert system.ran[-1] == ("systemctl", "--user", "enable", "--now", f"{NAME}.timer")
    back, files = uninstall_steps("systemd", for_user=True, run=system)
    do_steps(back, system)
    remove_files(files)
    assert list(folder.iterdir()) == []
    assert uninstall_steps("systemd", for_user=True, run=system) == ([], [])


def test_cron_keeps_other_lines():
    system = System(b"0 5 * * * backup\n@daily other")
    do_steps(install_steps(SCHEDULE, "cron", system), system)
    do_steps(install_steps(SCHEDULE, "cron", system), system)  # twice is once

    assert system.table.count(b"# lighting-watch\n") == 1
    back, files = uninstall_steps("cron", for_user=False, run=system)
    do_steps(back, system)
    assert files == []
    assert system.table == b"0 5 * * * backup\n@daily other\n"


def test_cron_table_that_cannot_be_read_is_not_replaced():
    with pytest.raises(OutputError, match="does not work"):
        install_steps(SCHEDULE, "cron", System(fails=("crontab",)))


def test_a_step_that_fails_says_how_to_go_on(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    system = System(fails=("systemctl",))

    with pytest.raises(
        OutputError, match=r"go on by hand: systemctl --user daemon-reload; systemctl --user enable"
    ):
        do_steps(install_steps(replace(SCHEDULE, for_user=True), "systemd", system), system)


def test_the_command_shows_first_and_does_nothing_unasked(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setattr("sys.stdin", io.StringIO())
    ring = tmp_path / "ring"

    done = command(
        "watch", ring, "--store", tmp_path / "store", "--install", "--user", "--scheduler", "systemd"
    )

    assert done.returncode == 0
    assert "ExecStart=" in done.stdout
    assert "nothing was done" in done.stderr
    assert not (tmp_path / "config").exists()


def test_the_command_installs_with_yes(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    system = System()
    monkeypatch.setattr(install.do_steps, "__defaults__", (system,))
    monkeypatch.setattr(install.install_steps, "__defaults__", (system,))
    home = tmp_path / "home.yaml"
    home.write_text("{}\n")

    done = command("watch", tmp_path / "ring", "--store", tmp_path / "store", "--home", home, "--install", "--user",
                   "--scheduler", "systemd", "--yes", "--every", "12h")  # fmt: skip

    assert done.returncode == 0, done.stderr
    unit = (tmp_path / "config" / "systemd" / "user" / f"{NAME}.service").read_text()
    [line] = re.findall(r"^ExecStart=(.+)$", unit, re.MULTILINE)
    words = shlex.split(line)
    assert words[:4] == [sys.executable, "-m", "auditor", "watch"]
    assert words[words.index("--home") + 1] == str(home)
    assert Path(words[4]).is_absolute()


@pytest.mark.parametrize(
    "arguments",
    [
        ["--history", "--health"],
        ["x", "--install", "--scheduler", "other"],
        ["x", "--record", "5"],
        ["x", "--record", "0", "--interface", "lo"],
        ["x", "--stale-hours", "0"],
        ["x", "--learn", "0"],
        ["x", "--every", "5h"],
        [],
        ["--accept", "1;2"],
    ],
)
def test_wrong_usage(tmp_path, arguments):
    ring, store = tmp_path / "ring", tmp_path / "store"
    given = [str(ring) if word == "x" else word for word in arguments]
    if "--accept" in given:
        from auditor.store.history import History

        with History.open(store, now_ns=1):
            pass

    assert command("watch", *given, "--store", store).returncode == 2
