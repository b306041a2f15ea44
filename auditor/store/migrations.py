"""
The tables of the store, as steps from one version to the next.

SQLite keeps the version in the file's header (``PRAGMA user_version``).  A step
is never changed once it was released: a store out there has run it.
"""

from __future__ import annotations

import sqlite3

STEPS: tuple[str, ...] = (
    """
    CREATE TABLE settings (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
    CREATE TABLE runs (
        run INTEGER PRIMARY KEY AUTOINCREMENT,
        started_ns INTEGER NOT NULL,
        ended_ns INTEGER,
        outcome TEXT CHECK (outcome IN ('same', 'changed', 'could-not-judge', 'interrupted')),
        reason TEXT NOT NULL DEFAULT ''
    );
    CREATE TABLE audits (
        run INTEGER PRIMARY KEY REFERENCES runs ON DELETE CASCADE,
        document BLOB
    );
    CREATE TABLE facts (
        kind TEXT NOT NULL,
        device TEXT NOT NULL,
        item TEXT NOT NULL,
        value TEXT NOT NULL,
        label TEXT NOT NULL,
        first_ns INTEGER NOT NULL,
        last_ns INTEGER NOT NULL,
        last_night INTEGER NOT NULL,
        first_night INTEGER NOT NULL,
        nights INTEGER NOT NULL,
        absent INTEGER NOT NULL,
        returns INTEGER NOT NULL,
        state TEXT NOT NULL CHECK (state IN ('known', 'open', 'gone')),
        PRIMARY KEY (kind, device, item)
    ) WITHOUT ROWID;
    CREATE TABLE changes (
        change INTEGER PRIMARY KEY AUTOINCREMENT,
        run INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
        kind TEXT NOT NULL,
        device TEXT NOT NULL,
        item TEXT NOT NULL,
        line TEXT NOT NULL,
        weight INTEGER NOT NULL,
        told_ns INTEGER,
        accepted_ns INTEGER
    );
    CREATE INDEX changes_of_run ON changes (run);
    CREATE TABLE taken (
        name TEXT NOT NULL,
        octets INTEGER NOT NULL,
        modified_ns INTEGER NOT NULL,
        PRIMARY KEY (name, octets, modified_ns)
    ) WITHOUT ROWID;
    """,
)
"""Step n leads from version n to n + 1."""

VERSION = len(STEPS)


def version_of(connection: sqlite3.Connection) -> int:
    """The version that a store's header names; 0 for a new file."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def migrate(connection: sqlite3.Connection, steps: tuple[str, ...] = STEPS) -> None:
    """Run the steps that are missing, each with its version in one transaction."""
    for number in range(version_of(connection), len(steps)):
        # executescript would commit on its own; a kill between tables and version must leave neither.
        connection.execute("BEGIN IMMEDIATE")
        try:
            for statement in filter(str.strip, steps[number].split(";")):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {number + 1}")
        except BaseException:
            connection.rollback()
            raise
        connection.commit()
