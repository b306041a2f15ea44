"""
The store: whole after everything, set aside where damaged, untouched where newer.

Sources: SQLite's documentation, "PRAGMA statements" (integrity_check, user_version), "Database file format" 1.3 (magic, offset
60), "WAL"; the command sqlite3 as a second reader where it is installed.
"""

import os
import shutil
import sqlite3
import stat
import subprocess

import pytest

from auditor.errors import OutputError, SettingsError
from auditor.store import database
from auditor.store.database import STORE_NAME
from auditor.store.history import History, KnownFact, NewChange, TakenFile
from auditor.store.key import KEY_NAME, load_key
from auditor.store.migrations import VERSION, migrate

NOW = 1_772_336_400_000_000_000


def fill(folder, nights=3):
    with History.open(folder, now_ns=NOW) as history:
        for number in range(nights):
            run = history.begin_run(NOW + number)
            fact = KnownFact(
                kind="contact", device="dev-1", item=f"name-{number}", value="", label="x", first_ns=NOW, last_ns=NOW,
                first_night=1, last_night=number + 1, nights=1, absent=0, returns=0, state="open",
            )  # fmt: skip
            history.end_judged(
                run, NOW + number, outcome="changed", reason="", document=b"{}", facts=[fact], forgotten=[],
                changes=[NewChange("contact", "dev-1", f"name-{number}", f"line {number}", 5)],
                taken=[TakenFile("a", 1, 2)],
            )  # fmt: skip
    return folder / STORE_NAME


def test_what_was_stored_is_there_again(tmp_path):
    path = fill(tmp_path)

    with History.open(tmp_path, now_ns=NOW) as history:
        assert [run.outcome for run in history.runs()] == ["changed"] * 3
        assert [fact.item for fact in history.facts()] == ["name-0", "name-1", "name-2"]
        assert [change.line for change in history.changes()] == ["line 0", "line 1", "line 2"]
        assert history.document(1) == b"{}"
        assert history.taken() == {TakenFile("a", 1, 2)}
        assert history.judged_nights() == 3
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    connection.close()


@pytest.mark.skipif(
    shutil.which("sqlite3") is None and not os.environ.get("CI"), reason="no command sqlite3 here"
)
def test_another_reader_finds_the_file_whole(tmp_path):
    path = fill(tmp_path)

    said = subprocess.run(
        ["sqlite3", str(path), "PRAGMA integrity_check; PRAGMA foreign_key_check; PRAGMA user_version;"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip

    assert said.stdout.split() == ["ok", str(VERSION)]


def test_only_its_owner_may_read_it(tmp_path):
    path = fill(tmp_path / "store")
    load_key(tmp_path / "store")

    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "store" / KEY_NAME).stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "store").stat().st_mode) == 0o700


def test_newer_store_is_refused_and_untouched(tmp_path):
    path = fill(tmp_path)
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {VERSION + 1}")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    before = path.read_bytes()

    with pytest.raises(SettingsError, match="newer release"):
        History.open(tmp_path, now_ns=NOW)

    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == [STORE_NAME]


@pytest.mark.parametrize(
    "damage",
    [
        lambda octets: b"\0" * 200 + octets[200:],
        lambda octets: octets[: len(octets) // 2],
        lambda octets: octets[:5000] + os.urandom(len(octets) - 5000),
        lambda octets: octets[:40],
    ],
    ids=["head", "half", "noise", "stump"],
)
def test_damaged_store_is_set_aside_and_a_new_one_begun(tmp_path, damage):
    path = fill(tmp_path, 30)
    broken = damage(path.read_bytes())
    path.write_bytes(broken)

    with History.open(tmp_path, now_ns=NOW) as history:
        assert history.runs() == []
        [notice] = history.notices
    aside = tmp_path / "history-damaged-2026-03-01.sqlite3"
    assert aside.name in notice
    assert aside.read_bytes() == broken


def test_a_second_damage_on_one_day_is_kept_too(tmp_path):
    for _ in range(2):
        path = fill(tmp_path)
        path.write_bytes(b"x" * 500)
        History.open(tmp_path, now_ns=NOW).__exit__()

    kept = sorted(entry.name for entry in tmp_path.glob("history-damaged-*"))
    assert kept == ["history-damaged-2026-03-01-2.sqlite3", "history-damaged-2026-03-01.sqlite3"]


def test_backup_before_a_migration(tmp_path, monkeypatch):
    path = fill(tmp_path)
    more = (*database.STEPS, "ALTER TABLE runs ADD COLUMN place TEXT")
    monkeypatch.setattr(database, "STEPS", more)
    monkeypatch.setattr(database, "VERSION", VERSION + 1)

    with History.open(tmp_path, now_ns=NOW) as history:
        assert f"version {VERSION + 1}" in history.notices[0]
        assert len(history.runs()) == 3
    backup = sqlite3.connect(tmp_path / f"history-version-{VERSION}.sqlite3")
    assert backup.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert backup.execute("PRAGMA user_version").fetchone() == (VERSION,)
    assert backup.execute("SELECT count(*) FROM runs").fetchone() == (3,)
    backup.close()
    assert sqlite3.connect(path).execute("PRAGMA user_version").fetchone() == (VERSION + 1,)


def test_migration_that_fails_leaves_the_former_version():
    connection = sqlite3.connect(":memory:", isolation_level=None)
    migrate(connection)

    with pytest.raises(sqlite3.OperationalError):
        migrate(connection, (*database.STEPS, "CREATE TABLE other (a); CREATE TABLE runs (a)"))

    assert connection.execute("PRAGMA user_version").fetchone() == (VERSION,)
    assert connection.execute("SELECT name FROM sqlite_master WHERE name = 'other'").fetchone() is None


def test_damaged_key_is_refused_and_left(tmp_path):
    load_key(tmp_path)
    (tmp_path / KEY_NAME).write_text("no key\n")

    with pytest.raises(SettingsError, match="64 hexadecimal digits"):
        load_key(tmp_path)
    assert (tmp_path / KEY_NAME).read_text() == "no key\n"


def test_key_stays_the_same(tmp_path):
    assert load_key(tmp_path) == load_key(tmp_path)
    assert len(load_key(tmp_path)) == 32


def test_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("")

    with pytest.raises(OutputError, match="still stands"):
        History.open(tmp_path / "file" / "store", now_ns=NOW)


def test_accepting_takes_a_change_into_the_baseline(tmp_path):
    fill(tmp_path)

    with History.open(tmp_path, now_ns=NOW) as history:
        assert history.accept([1, 2], NOW) == 2
        assert history.accept([1], NOW) == 0
        assert [fact.state for fact in history.facts()] == ["known", "known", "open"]


def test_old_documents_go_first_and_their_runs_stay(tmp_path, monkeypatch):
    monkeypatch.setattr("auditor.store.history.MAX_AUDITS_OCTETS", 3_000)
    with History.open(tmp_path, now_ns=NOW) as history:
        for number in range(6):
            run = history.begin_run(NOW + number)
            history.end_judged(
                run, NOW, outcome="same", reason="", document=os.urandom(1_000), facts=[], forgotten=[], changes=[],
                taken=[],
            )  # fmt: skip
        kept = [history.document(run.run) is not None for run in history.runs()]
    assert kept == [False, False, False, False, True, True]
