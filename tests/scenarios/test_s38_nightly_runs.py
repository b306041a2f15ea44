"""
S38: nightly runs.  Same name, new address of a content network; another version in an announcement; a night without a
recording; a run while another holds the lock.

Must: no alarm; one line "software changed 1.2->1.3"; "no usable recording for 26 h" as its own alarm; a clean end, and the
next run takes up what is left.  Must not: repeat old findings; end with 0 when nothing could be read.
Source: needs section 5, S38, and section 6, C6 and C7.
"""

import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from tests.household.nights import DAY_NS, HOME, HOUR_NS, Evening, record
from tests.scenarios.support import command
from tests.unit.watch.support import Watch, outcome_of

ROOT = Path(__file__).resolve().parents[2]
EVENING = Evening(version="1.2", app=True)


@pytest.fixture
def known_home(tmp_path):
    watch = Watch(tmp_path)
    watch.learn(EVENING, 8)
    return watch


def test_same_name_at_a_new_address_is_no_change(known_home):
    result = known_home.night(replace(EVENING, cloud_address="198.51.100.87"))

    assert result.lines == ()
    assert result.could_not_judge is None
    assert outcome_of(known_home) == "same"


def test_a_changed_version_is_one_line(known_home):
    result = known_home.night(replace(EVENING, version="1.3"))

    assert list(result.lines) == ["shelf light: software changed 1.2 -> 1.3"]
    assert known_home.night(replace(EVENING, version="1.3")).lines == ()


def test_a_night_without_a_recording_is_an_alarm_of_its_own(known_home):
    known_home.now_ns += 2 * HOUR_NS  # the last usable one is 26 hours ago

    result = known_home.run()

    assert result.could_not_judge is not None
    assert [line for line in result.lines if line.startswith("no usable recording for 26 h: ")] == list(
        result.lines
    )


def test_the_alarm_is_not_told_each_night(known_home):
    told = []
    for _ in range(9):
        known_home.now_ns += DAY_NS
        told.append(bool(known_home.run().lines))

    assert told == [True, False, False, False, False, False, False, True, False]  # again after a week


def test_nobody_is_alarmed_before_the_hours_have_passed(known_home):
    known_home.now_ns -= 12 * HOUR_NS

    result = known_home.run()

    assert result.lines == ()
    assert result.could_not_judge is not None


def test_old_findings_are_not_repeated(tmp_path):
    watch = Watch(tmp_path)
    evening = replace(EVENING, login=True)
    first = watch.night(evening)

    assert first.lines == ()
    assert watch.said[0].startswith("first night: ")
    assert [watch.night(evening).lines for _ in range(9)] == [()] * 9


def test_a_finding_is_told_while_the_home_is_still_being_learnt(tmp_path):
    watch = Watch(tmp_path)
    watch.learn(EVENING, 2)

    result = watch.night(replace(EVENING, login=True))

    assert any("password-in-clear-text" in line for line in result.lines)


def _files(folder: Path) -> tuple[Path, Path, Path]:
    ring, store, home = folder / "ring", folder / "store", folder / "home.yaml"
    ring.mkdir()
    home.write_text(HOME)
    return ring, store, home


def _put(ring: Path, name: str, evening: Evening) -> None:
    path = record(evening).write(ring / name)
    past = time.time() - 3_600
    os.utime(path, (past, past))


def test_exit_statuses_of_the_command(tmp_path):
    ring, store, home = _files(tmp_path)
    arguments = ("watch", ring, "--store", store, "--home", home, "--learn", "1")
    assert command(*arguments).returncode == 3  # no recording at all: never 0

    statuses, printed = [], []
    for number, evening in enumerate((EVENING, EVENING, replace(EVENING, version="1.3"))):
        _put(ring, f"{number}.pcapng", evening)
        done = command(*arguments)
        statuses.append(done.returncode)
        printed.append(done.stdout)

    assert statuses == [0, 0, 1]
    assert printed == ["", "", "shelf light: software changed 1.2 -> 1.3\n"]
    again = command(*arguments)
    assert (again.returncode, again.stdout) == (3, "")
    assert "judged already" in again.stderr


def test_unreadable_recording_never_ends_with_0(tmp_path):
    ring, store, home = _files(tmp_path)
    (ring / "1.pcapng").write_bytes(b"torn to pieces")
    os.utime(ring / "1.pcapng", (1_000_000_000, 1_000_000_000))

    assert command("watch", ring, "--store", store, "--home", home).returncode == 3


def test_second_run_at_once_ends_cleanly_and_says_so(tmp_path):
    ring, store, home = _files(tmp_path)
    _put(ring, "1.pcapng", EVENING)
    hold = (
        "import sys, pathlib; from auditor.watch.lock import only_one\n"
        "with only_one(pathlib.Path(sys.argv[1])):\n"
        "    print('held', flush=True); sys.stdin.read()\n"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", hold, str(store)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert holder.stdout.readline() == "held\n"
        second = command("watch", ring, "--store", store, "--home", home)
    finally:
        holder.communicate("")
    assert second.returncode == 3
    assert second.stdout == ""
    assert "another watch" in second.stderr
    assert (
        command("watch", ring, "--store", store, "--home", home).returncode == 0
    )  # the next one takes it up
