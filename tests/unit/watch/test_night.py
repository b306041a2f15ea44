"""
One run and what may go wrong around it: clocks, disks, damaged files, nobody listening.

Source: issue "before and after the audit", "faults and bad input"; needs section 6, C7.
"""

import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

import auditor
from auditor.errors import JudgementError, OutputError, SettingsError, UsageError
from auditor.home.loader import parse_home
from auditor.live import recorder
from auditor.store.database import STORE_NAME
from auditor.store.history import StoredChange, StoredRun, TakenFile
from auditor.watch.calendar import missed_nights, stale_alarm, usual_days
from auditor.watch.lock import only_one
from auditor.watch.night import (
    MAX_LINE_CHARACTERS,
    MAX_LINES,
    Clock,
    WatchOptions,
    run_watch,
    tell_lines,
)
from auditor.watch.ring import read_ring
from auditor.watch.strip import draw_strip, nights, render_strip
from tests.household.nights import DAY_NS, FIRST_NIGHT_NS, HOUR_NS, Evening, record
from tests.scenarios.support import command
from tests.unit.watch.support import Watch, outcome_of

ROOT = Path(__file__).resolve().parents[3]
EVENING = Evening()


@pytest.fixture
def watch(tmp_path):
    return Watch(tmp_path, learning_nights=1)


def run_of(number, started_ns, outcome="same"):
    return StoredRun(number, started_ns, started_ns, outcome, "")


def change_of(number, run, line="a line", kind="contact", weight=5, started_ns=FIRST_NIGHT_NS):
    return StoredChange(number, run, started_ns, kind, "d", "i", line, weight, None, None)


def test_what_nobody_heard_is_told_by_the_next_run(watch):
    watch.learn(EVENING, 2)
    watch.nobody_listens = True
    missed = watch.night(replace(EVENING, version="9.9"))
    assert missed.lines
    assert watch.told == []
    assert any("tells it again" in text for text in watch.said)

    watch.nobody_listens = False
    again = watch.night(replace(EVENING, version="9.9"))

    assert [line.partition("] ")[2] for line in again.lines] == list(missed.lines)
    assert again.lines[0].startswith("[2026-03-03] ")
    assert watch.night(replace(EVENING, version="9.9")).lines == ()


def test_a_fault_of_the_program_stands_in_the_history(watch, monkeypatch):
    watch.learn(EVENING, 1)
    monkeypatch.setattr("auditor.watch.night.read_night", lambda *_: 1 / 0)

    with pytest.raises(ZeroDivisionError):
        watch.night(EVENING)

    with watch.history() as history:
        assert history.runs()[-1].reason == "a fault of this program: ZeroDivisionError"


def test_a_recorder_without_rights_is_an_alarm_too(watch):
    """It ends with 2, and nobody looks at that for days: the lack of recordings is told all the same."""
    watch.learn(EVENING, 2)
    watch.now_ns += 2 * HOUR_NS

    def without_rights():
        raise UsageError("--interface", "expected the right to record")

    watch.record = without_rights
    with pytest.raises(UsageError):
        watch.run()

    assert watch.told == ["no usable recording for 26 h: --interface: expected the right to record"]


def test_the_recording_of_a_failed_run_is_taken_by_the_next(watch, monkeypatch):
    watch.learn(EVENING, 1)
    watch.put(replace(EVENING, version="9.9"))
    with monkeypatch.context() as patch:
        patch.setattr("auditor.watch.night.compare_night", lambda *_, **__: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            watch.run()

    assert [line for line in watch.run().lines if "software changed" in line]


def test_nothing_private_is_stored_that_the_report_would_not_show(watch):
    watch.night(replace(EVENING, app=True, laptop=True, login=True))
    with watch.history() as history:
        document = history.document(1).decode()
        facts = repr(history.facts())

    for private in ("8a:4c:1d:20:71:05", "192.168.77.51", "news.example", "lantern-and-ladder", "laptop"):
        assert private not in document, private
        assert private not in facts, private
    octets = (watch.store / STORE_NAME).read_bytes()
    assert b"8a:4c:1d:20:71:05" not in octets
    assert b"lantern-and-ladder" not in octets


def test_pseudonyms_stay_without_a_key_in_the_home_file(tmp_path):
    """Without a key they would follow from each recording, and every night would show new devices."""
    watch = Watch(
        tmp_path,
        home='devices:\n  - {link_address: "00:00:5e:00:53:21", role: lighting}\n',
        learning_nights=1,
    )
    watch.learn(replace(EVENING, app=True), 4)
    assert (watch.store / "pseudonym.key").exists()


def test_another_key_is_told_and_no_alarm(watch):
    watch.learn(replace(EVENING, app=True, gadget=True), 3)
    watch.home = watch.home.replace("00112233445566778899aabbccddeeff", "ff112233445566778899aabbccddeeff")

    result = watch.night(replace(EVENING, app=True, gadget=True))

    assert result.lines == ()
    assert any("key of the pseudonyms changed" in text for text in watch.said)
    assert watch.night(replace(EVENING, app=True, gadget=True)).lines == ()


# Clocks


def test_clock_that_went_back_is_told_and_harms_nothing(watch):
    watch.learn(EVENING, 3)
    watch.now_ns -= 10 * DAY_NS

    result = watch.night(EVENING)

    assert result.lines == ("the clock went back by 216.0 h since the last run",)
    assert watch.night(EVENING).lines == ()
    watch.now_ns += 10 * DAY_NS
    assert len(watch.night(EVENING).lines) == 1  # forward again: runs seem to be missing
    with watch.history() as history:
        assert [run.outcome for run in history.runs()].count("could-not-judge") == 0


def test_machine_that_slept_during_the_run(watch):
    """The wall clock went on by ten minutes between begin and end, and the monotonic one stood still."""
    watch.put(EVENING)
    passing = iter([0, 0] + [600_000_000_000] * 50)
    said = []
    run_watch(
        WatchOptions(folder=watch.store, ring=watch.ring, home=parse_home(watch.home.encode(), "home.yaml")),
        audit=lambda paths, home: auditor.audit(list(paths), home=home),
        tell=lambda _: None,
        say=said.append,
        clock=Clock(now_ns=lambda: watch.now_ns + next(passing), monotonic_ns=lambda: 0),
    )

    assert "this machine slept or its clock was set during the run (10 min)" in said
    with watch.history() as history:
        assert "slept" in history.runs()[-1].reason


@pytest.mark.parametrize(
    ("hours", "missing"), [(23, 0), (24, 0), (25, 0), (35, 0), (37, 1), (48, 1), (72, 2), (26, 0), (60.5, 2)]
)
def test_a_day_of_23_or_25_hours_is_no_missed_night(hours, missing):
    """Nights on which summer time begins or ends last an hour less or more (common practice)."""
    found = missed_nights([run_of(1, FIRST_NIGHT_NS)], FIRST_NIGHT_NS + round(hours * HOUR_NS), 24)

    assert [change.line.split()[0] for change in found] == ([str(missing)] if missing else [])


def test_the_nights_of_a_zone_with_summer_time(monkeypatch):
    """2026-03-29 and 2026-10-25 in a zone that changes then: one cell a night, none missing, none twice."""
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")  # POSIX 8.3, TZ
    time.tzset()
    try:
        for first in (1_774_578_000, 1_792_719_600):  # some nights before either
            runs = [run_of(number, (first + number * 86_400) * 10**9) for number in range(6)]
            cells = nights(runs, runs[-1].started_ns)
            assert [word for _, word in cells] == ["same"] * 6
    finally:
        monkeypatch.undo()
        time.tzset()


def test_no_run_yet_is_no_alarm():
    assert missed_nights([], FIRST_NIGHT_NS, 24) == []
    assert stale_alarm([], [], FIRST_NIGHT_NS, 26, "none") == []


def test_usual_day_needs_several_updates_on_it():
    week = 7 * DAY_NS
    updates = [change_of(n, n, kind="software", started_ns=FIRST_NIGHT_NS + n * week) for n in range(3)]

    assert usual_days(updates, FIRST_NIGHT_NS + 9 * week) == {"d"}
    assert usual_days(updates, FIRST_NIGHT_NS + 9 * week + DAY_NS) == frozenset()
    assert usual_days(updates[:2], FIRST_NIGHT_NS + 9 * week) == frozenset()


# Wishes


def test_a_lost_wish_is_named_and_its_return(watch):
    watch.home = watch.home.replace("time]", "time, cloud]")
    watch.learn(EVENING, 3)

    lost = watch.night(replace(EVENING, cloud_answers=False, hub_refuses=True))
    assert sorted(line.partition(" (")[2] for line in lost.lines) == [
        "lost wish: cloud)",
        "lost wish: light-follows-hub)",
    ]
    back = watch.night(EVENING)
    assert sorted(line.partition(": ")[0] for line in back.lines) == ["answered again", "answered again"]


def test_a_cloud_that_nobody_wishes_for_may_fall_silent(watch):
    watch.learn(EVENING, 3)

    assert watch.night(replace(EVENING, cloud_answers=False)).lines == ()


# Lines


def test_five_lines_at_most_the_heaviest_first():
    changes = [change_of(number, 1, f"line {number}", weight=number) for number in range(9)]

    assert tell_lines(changes[:5], 1) == ["line 4", "line 3", "line 2", "line 1", "line 0"]
    lines = tell_lines(changes, 1)
    assert len(lines) == MAX_LINES
    assert lines[:2] == ["line 8", "line 7"]
    assert lines[-1].startswith("and 5 more changes")


def test_hostile_names_do_not_act():
    [line] = tell_lines([change_of(1, 1, "new contact \x1b[2J\u202e" + "x" * 5_000)], 1)

    assert line.isprintable()
    assert len(line) <= MAX_LINE_CHARACTERS


# The ring


def test_growing_hidden_and_judged_files_are_left(tmp_path):
    now = 1_800_000_000 * 10**9
    for name, age in (("a.pcapng", 900), ("b.pcap.gz", 600), ("c.pcapng", 5), (".d.pcapng", 900), ("e.pcapng.part", 900),
                      ("notes.txt", 900)):  # fmt: skip
        (tmp_path / name).write_bytes(b"octets")
        os.utime(tmp_path / name, ns=(now - age * 10**9,) * 2)
    (tmp_path / "empty.pcapng").touch()

    ring = read_ring(tmp_path, set(), now_ns=now)
    assert [path.name for path in ring.new] == ["a.pcapng", "b.pcap.gz"]
    assert ring.growing == 1
    ring = read_ring(tmp_path, {TakenFile("a.pcapng", 6, now - 900 * 10**9)}, now_ns=now)
    assert [path.name for path in ring.new] == ["b.pcap.gz"]
    ring = read_ring(tmp_path, set(), now_ns=now, complete=[tmp_path / "c.pcapng"])
    assert ring.new[-1].name == "c.pcapng"


def test_files_from_a_future_that_was_none_are_taken(tmp_path):
    now = 1_800_000_000 * 10**9
    (tmp_path / "a.pcapng").write_bytes(b"octets")
    os.utime(tmp_path / "a.pcapng", ns=(now + DAY_NS,) * 2)

    assert len(read_ring(tmp_path, set(), now_ns=now).new) == 1


def test_a_ring_with_a_damaged_file_is_judged_by_the_others(watch):
    watch.learn(EVENING, 2)
    watch.put(replace(EVENING, version="9.9"))
    (watch.ring / "torn.pcapng").write_bytes(b"torn")
    os.utime(watch.ring / "torn.pcapng", ns=(watch.now_ns - HOUR_NS,) * 2)

    result = watch.run()

    assert result.could_not_judge is None
    assert [line for line in result.lines if "software changed" in line]
    assert any("torn.pcapng" in text for text in watch.said)


def test_a_ring_with_a_hole_is_judged(watch):
    """A file of the middle is gone: what is there counts."""
    watch.learn(EVENING, 2)
    early = watch.put(EVENING)
    kept = early.read_bytes()
    watch.now_ns += 6 * HOUR_NS
    late = watch.put(EVENING)
    (watch.ring / "early.pcapng").write_bytes(kept)
    os.utime(watch.ring / "early.pcapng", ns=(late.stat().st_mtime_ns - HOUR_NS,) * 2)

    assert watch.run().could_not_judge is None
    assert outcome_of(watch) in {"same", "changed"}


def test_a_ring_that_is_not_there(watch):
    watch.learn(EVENING, 1)
    for path in watch.ring.iterdir():
        path.unlink()

    result = watch.run()

    assert result.could_not_judge is not None
    assert "found none" in result.could_not_judge


# Disks and stores


def test_two_at_once(tmp_path):
    with (
        only_one(tmp_path),
        pytest.raises(JudgementError, match="another watch"),
        only_one(tmp_path, wait_seconds=0.3),
    ):
        pass
    with only_one(tmp_path, wait_seconds=0):
        pass


def test_a_damaged_store_is_told_in_the_lines(watch):
    watch.learn(EVENING, 3)
    (watch.store / STORE_NAME).write_bytes(b"noise" * 500)

    result = watch.night(EVENING)

    assert [line for line in result.lines if "a new store was begun" in line]
    assert len(list(watch.store.glob("history-damaged-*"))) == 1


def test_a_newer_store_stops_the_run(watch):
    watch.learn(EVENING, 1)
    path = watch.store / STORE_NAME
    octets = bytearray(path.read_bytes())
    octets[60:64] = (99).to_bytes(4, "big")
    path.write_bytes(octets)

    with pytest.raises(SettingsError, match="version 99"):
        watch.night(EVENING)
    assert path.read_bytes() == bytes(octets)


def need_root():
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        if os.environ.get("CI"):
            pytest.fail("mounting a small disk needs root")
        pytest.skip("mounting a small disk needs root")


@pytest.fixture
def small_disk(tmp_path):
    """Four megabytes in memory, mounted."""
    need_root()
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "none", str(place)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        if os.environ.get("CI"):
            pytest.fail(done.stderr)
        pytest.skip(f"this system does not mount: {done.stderr.strip()}")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=False)


def watch_on(disk, tmp_path):
    class Elsewhere(Watch):
        store = property(lambda _: disk / "store")

    return Elsewhere(tmp_path, learning_nights=1)


def test_full_disk_is_told_and_nothing_is_lost(tmp_path, small_disk):
    watch = watch_on(small_disk, tmp_path)
    watch.learn(EVENING, 2)
    filler = small_disk / "filler"
    with filler.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(b"x" * 4096)
        except OSError:
            pass
    watch.put(replace(EVENING, version="9.9"))
    with pytest.raises(OutputError, match="still stands"):
        watch.run()

    filler.unlink()
    result = watch.run()

    assert [line for line in result.lines if "software changed" in line]
    with watch.history() as history:
        assert history.judged_nights() == 3


def test_read_only_folder(tmp_path, small_disk):
    watch = watch_on(small_disk, tmp_path)
    watch.learn(EVENING, 1)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    try:
        with pytest.raises(OutputError, match="still stands"):
            watch.night(EVENING)
    finally:
        subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
    assert watch.night(EVENING).could_not_judge is None


# The strip


def test_strip_by_letters_in_ascii():
    runs = [
        run_of(1, FIRST_NIGHT_NS),
        run_of(2, FIRST_NIGHT_NS + DAY_NS, "changed"),
        run_of(3, FIRST_NIGHT_NS + 3 * DAY_NS, "could-not-judge"),
        run_of(4, FIRST_NIGHT_NS + 3 * DAY_NS + HOUR_NS),
        run_of(5, FIRST_NIGHT_NS + 31 * DAY_NS, None),
    ]
    shown = render_strip(nights(runs, runs[-1].started_ns))

    assert shown.isascii()
    lines = shown.splitlines()
    assert lines[1] == "2026-03  .C-." + "-" * 27
    assert lines[2] == "2026-04  ?"
    assert lines[-1] == ". same (2), C changed (1), ? could not judge (1), - did not run (28)"
    assert render_strip([]) == "no run yet\n"


def test_strip_as_a_picture_is_well_formed():
    import xml.etree.ElementTree as ET

    runs = [run_of(1, FIRST_NIGHT_NS), run_of(2, FIRST_NIGHT_NS + 40 * DAY_NS)]
    cells = nights(runs, runs[-1].started_ns)

    root = ET.fromstring(draw_strip(cells))
    name = "{http://www.w3.org/2000/svg}"
    assert root.tag == f"{name}svg"
    assert len(root.findall(f".//{name}rect")) == len(cells) == 41
    assert {text.text for text in root.findall(f".//{name}text")} == {".", "-"}


def test_a_watch_opens_no_socket(watch):
    """House rule: nothing outside ``auditor.live`` opens a socket; PEP 578 audit events see every call."""
    watch.put(EVENING)
    program = (
        "import sys; seen = []\n"
        "sys.addaudithook(lambda event, _: seen.append(event) if event.startswith('socket.') else None)\n"
        "from auditor.cli.main import main\n"
        "status = main(sys.argv[1:]); print(status, seen)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, "watch", str(watch.ring), "--store", str(watch.store)],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout == "0 []\n", done.stderr


def test_the_command_records_first_and_judges_what_it_recorded(tmp_path, monkeypatch):
    """The recorder is a stand-in; its file is seconds old, and is taken because it said that it is done with it."""
    ring, asked = tmp_path / "ring", []

    def stand_in(options, *, tell):
        asked.append(options)
        path = record(EVENING).write(options.folder / f"{options.stem}-1.pcapng")
        return SimpleNamespace(files=(path,))

    monkeypatch.setattr(recorder, "record", stand_in)

    done = command("watch", ring, "--store", tmp_path / "store", "--record", "2", "--interface", "br0")

    assert done.returncode == 0, done.stderr
    assert (asked[0].interface, asked[0].stop_seconds, asked[0].folder) == ("br0", 120, ring)


def test_history_accept_and_health(tmp_path):
    """The same home twice, then one with another version: open, then accepted."""
    ring, store = tmp_path / "ring", tmp_path / "store"
    ring.mkdir()
    assert command("watch", "--health", "--store", store).returncode == 3  # nothing here, and nothing is made
    assert not store.exists()
    for number, evening in enumerate((EVENING, EVENING, replace(EVENING, version="9.9"))):
        path = record(evening).write(ring / f"{number}.pcapng")
        past = time.time() - 3_600 + number
        os.utime(path, (past, past))
        status = command("watch", ring, "--store", store, "--learn", "1").returncode
    assert status == 1
    (store / "watch.yaml").write_text("file: lines.txt\n")

    health = command("watch", "--health", "--tell", "--store", store)
    shown = command("watch", "--history", "--store", store, "--picture", tmp_path / "strip.svg")
    [number] = [line.split()[0] for line in shown.stdout.splitlines() if "software changed" in line]
    accepted = command("watch", "--accept", number, "--store", store)

    assert (health.returncode, health.stdout) == (1, "watching; 1 open: auditor watch --history shows them\n")
    assert "1 open" in (store / "lines.txt").read_text()
    assert (tmp_path / "strip.svg").read_text().startswith("<svg")
    assert (accepted.returncode, accepted.stderr) == (0, "auditor: accepted 1 change\n")
    assert command("watch", "--health", "--store", store).returncode == 0
    assert command("watch", "--accept", number, "--store", store).returncode == 2
    assert "accepted" in command("watch", "--history", "--store", store).stdout


def test_outlets_of_the_command(tmp_path):
    ring, store = tmp_path / "ring", tmp_path / "store"
    ring.mkdir()
    store.mkdir()
    (store / "watch.yaml").write_text("file: lines.txt\nmetrics: watch.prom\n")
    for number, evening in enumerate((EVENING, replace(EVENING, version="9.9"))):
        path = record(evening).write(ring / f"{number}.pcapng")
        past = time.time() - 3_600 + number
        os.utime(path, (past, past))
        command("watch", ring, "--store", store, "--learn", "1")

    assert "software changed 0.14.1 -> 9.9" in (store / "lines.txt").read_text()
    assert "lighting_watch_judged_nights_total 2\n" in (store / "watch.prom").read_text()
    (store / "watch.yaml").write_text("webhook: http://198.51.100.1/\n")
    refused = command("watch", ring, "--store", store)
    assert refused.returncode == 2
    assert "private or loopback" in refused.stderr
