"""
Opening the store: checked, migrated after a backup, set aside where it is damaged.

SQLite, from its documentation: WAL and ``synchronous=FULL`` keep every committed
transaction through a kill or a power cut; ``quick_check`` reads every page;
the backup API copies a consistent state while others read.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from auditor.errors import OutputError, SettingsError
from auditor.store.migrations import STEPS, VERSION, migrate, version_of
from auditor.units import NS_PER_SECOND

STORE_NAME = "history.sqlite3"
BUSY_SECONDS = 10.0
"""How long a second process waits: a transaction of ours takes milliseconds, a backup of 20 MB a second."""
MAX_SET_ASIDE = 9
"""Damaged stores kept under one date: a tenth on one day means a broken disk, which needs a person."""


class DamagedError(Exception):
    """The file is no store any more; never leaves this module."""


def open_database(folder: Path, *, now_ns: int) -> tuple[sqlite3.Connection, tuple[str, ...]]:
    """
    The connection to the store in ``folder``, made where there is none, and what the user must be told.

    Raises ``SettingsError`` for a store of a newer version, which stays
    untouched, and ``OutputError`` where the folder cannot be written.
    """
    path = folder / STORE_NAME
    notices: list[str] = []
    with writing(path):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        try:
            return _open(path, notices), tuple(notices)
        except DamagedError as error:
            aside = _set_aside(path, now_ns)
            notices.append(f"{path}: damaged ({error}); kept as {aside.name}, and a new store was begun")
        return _open(path, notices), tuple(notices)


@contextlib.contextmanager
def writing(path: Path) -> Iterator[None]:
    """Turn what the system says while the store is written into one line."""
    try:
        yield
    except sqlite3.OperationalError as error:  # full disk, read-only folder, locked for too long
        raise OutputError(f"{path}: {error}; what was stored before still stands") from error
    except OSError as error:
        raise OutputError(
            f"{path}: {error.strerror or error}; what was stored before still stands"
        ) from error


def _open(path: Path, notices: list[str]) -> sqlite3.Connection:
    is_new = not path.exists() or not path.stat().st_size
    if is_new:  # names of devices stand in it: for its owner's eyes
        os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
    elif not os.access(path, os.W_OK):
        raise OutputError(f"{path}: not writable; what was stored before still stands")
    else:
        _refuse_newer(path)
    connection = sqlite3.connect(path, timeout=BUSY_SECONDS, isolation_level=None)
    try:
        if not is_new:
            _refuse_version(path, version_of(connection))  # it may stand in the journal alone as yet
            _check(connection)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        version = version_of(connection)
        if 0 < version < VERSION:
            backup = path.with_name(f"{path.stem}-version-{version}.sqlite3")
            _back_up(connection, backup)
            notices.append(f"{path}: brought to version {VERSION}; the former one is kept as {backup.name}")
        migrate(connection, STEPS)
    except sqlite3.OperationalError:
        connection.close()
        raise
    except sqlite3.DatabaseError as error:
        connection.close()
        raise DamagedError(str(error)) from error
    except BaseException:
        connection.close()
        raise
    return connection


def _refuse_newer(path: Path) -> None:
    """Read the version without touching the file: opening it for writing could already change it."""
    with path.open("rb") as file:
        head = file.read(100)
    # https://www.sqlite.org/fileformat2.html section 1.3: magic, and the user version at offset 60.
    if len(head) < 100 or not head.startswith(b"SQLite format 3\x00"):
        raise DamagedError("its first octets are not those of a database")
    _refuse_version(path, int.from_bytes(head[60:64], "big"))


def _refuse_version(path: Path, version: int) -> None:
    if version > VERSION:
        raise SettingsError(
            str(path),
            f"expected a store of version {VERSION} or older, found version {version}, which a newer release "
            "wrote; it is left as it is: update this program, or give another folder with --store",
        )


def _check(connection: sqlite3.Connection) -> None:
    found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise DamagedError(str(found).splitlines()[0])
    broken = connection.execute("PRAGMA foreign_key_check").fetchone()
    if broken is not None:
        raise DamagedError(f"a row of {broken[0]} belongs to nothing")


def _back_up(connection: sqlite3.Connection, target: Path) -> None:
    part = target.with_name(f".{target.name}.part")
    part.unlink(missing_ok=True)
    with contextlib.closing(sqlite3.connect(part)) as copy:
        connection.backup(copy)
    part.replace(target)


def _set_aside(path: Path, now_ns: int) -> Path:
    day = datetime.fromtimestamp(now_ns // NS_PER_SECOND, UTC).date().isoformat()
    for number in range(1, MAX_SET_ASIDE + 1):
        suffix = "" if number == 1 else f"-{number}"
        aside = path.with_name(f"{path.stem}-damaged-{day}{suffix}.sqlite3")
        if not aside.exists():
            path.replace(aside)
            for ending in ("-wal", "-shm"):  # the journal belongs to the damaged file, not to the new one
                with contextlib.suppress(FileNotFoundError):
                    path.with_name(path.name + ending).replace(aside.with_name(aside.name + ending))
            return aside
    raise OutputError(f"{path}: damaged, and {MAX_SET_ASIDE} others are kept aside of this day already")
