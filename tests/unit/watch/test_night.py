"""
One run and what may go wrong around it: clocks, disks, damaged files, nobody listening.

Source: issue "before and after the audit", "faults and bad input"; needs section 6, C7.
"""

import os
import time
from dataclasses import replace

import pytest

import auditor
from auditor.errors import JudgementError, SettingsError, UsageError
from auditor.home.loader import parse_home
from auditor.store.database import STORE_NAME
from auditor.store.history import TakenFile
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
from auditor.watch.strip import nights
from tests.household.nights import DAY_NS, FIRST_NIGHT_NS, HOUR_NS, Evening
from tests.unit.watch.support import Watch, change_of, outcome_of, run_of

EVENING = Evening()


@pytest.fixture
def watch(tmp_path):
    return Watch(tmp_path, learning_nights=1)


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
