"""
Runs, audits, facts and changes over time; one transaction a step.

What a run found is committed *before* anybody is told, with the changes marked
as not told; they are marked as told *after* they were given out.  So a kill at
any moment loses no change: at worst one is told a second time, by the next run.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, Self

from auditor.store.database import STORE_NAME, open_database, writing

MAX_RUNS = 1_000
"""Runs remembered: nearly three years of nights, so that a year can be looked back at in full."""
MAX_AUDITS_OCTETS = 12_000_000
"""Of all stored documents, compressed: some 10 kB a night make a year of 4 MB; the rest is room for big homes
below the 20 MB that a store may have.  The oldest documents go first, their runs stay."""
MAX_DOCUMENT_OCTETS = 1_000_000
"""Of one document, compressed: a hundred times a usual one; a longer one is judged and not kept."""
MAX_FACTS = 20_000
"""Facts remembered: a home has hundreds; beyond it those that were not seen for longest go, some 5 MB."""
MAX_CHANGES = 5_000
"""Changes remembered: five on each of a thousand nights."""

Outcome = str
"""``same``, ``changed``, ``could-not-judge``, ``interrupted``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownFact:
    """Something that was seen in this home, on a stable key."""

    kind: str
    device: str
    item: str
    value: str
    label: str
    first_ns: int
    last_ns: int
    first_night: int
    """Number of the judged night in which it was first seen, from 1."""
    last_night: int
    nights: int
    """Judged nights in which it was seen."""
    absent: int
    """Judged nights in a row that showed its absence."""
    returns: int
    """How often it came back after such nights: what wavers is judged more slowly."""
    state: str
    """``known``, ``open`` (told and not accepted), ``gone``."""

    @property
    def key(self) -> tuple[str, str, str]:
        """Kind, device, item."""
        return self.kind, self.device, self.item


class StoredRun(NamedTuple):
    """One run; ``outcome`` is None while it goes on."""

    run: int
    started_ns: int
    ended_ns: int | None
    outcome: Outcome | None
    reason: str


class StoredChange(NamedTuple):
    """Something that was or has to be told."""

    change: int
    run: int
    started_ns: int
    kind: str
    device: str
    item: str
    line: str
    weight: int
    """What stands first where not all fit: the higher, the earlier."""
    told_ns: int | None
    accepted_ns: int | None


class NewChange(NamedTuple):
    """A change as the night found it."""

    kind: str
    device: str
    item: str
    line: str
    weight: int


class TakenFile(NamedTuple):
    """A ring file that was judged; equal in all three it is the same file."""

    name: str
    octets: int
    modified_ns: int


class History:
    """The store of one folder; a context manager."""

    def __init__(self, folder: Path, connection: sqlite3.Connection, notices: tuple[str, ...]) -> None:
        self.path = folder / STORE_NAME
        self._connection = connection
        self.notices = notices
        """What happened when it was opened, for the user."""

    @classmethod
    def open(cls, folder: Path, *, now_ns: int) -> Self:
        """Open or make the store; errors as of ``open_database``."""
        connection, notices = open_database(folder, now_ns=now_ns)
        return cls(folder, connection, notices)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()

    # Settings

    def setting(self, name: str) -> str | None:
        """A remembered value."""
        row = self._connection.execute("SELECT value FROM settings WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def set_setting(self, name: str, value: str) -> None:
        """Remember a value."""
        with writing(self.path):
            self._connection.execute("INSERT OR REPLACE INTO settings VALUES (?, ?)", (name, value))

    # Runs

    def begin_run(self, now_ns: int) -> int:
        """Note that a run began, so that one that never ends is missed."""
        with writing(self.path):
            cursor = self._connection.execute("INSERT INTO runs (started_ns) VALUES (?)", (now_ns,))
        return int(cursor.lastrowid or 0)

    def close_unfinished(self) -> list[StoredRun]:
        """Runs that began and did not end; they are marked as interrupted."""
        found = [run for run in self.runs() if run.outcome is None]
        if found:
            with writing(self.path):
                self._connection.execute(
                    "UPDATE runs SET outcome = 'interrupted', reason = 'it was ended from outside' "
                    "WHERE outcome IS NULL"
                )
        return found

    def runs(self) -> list[StoredRun]:
        """All runs, oldest first, in the order in which they ran, whatever the clock said."""
        rows = self._connection.execute(
            "SELECT run, started_ns, ended_ns, outcome, reason FROM runs ORDER BY run"
        )
        return [StoredRun(*row) for row in rows]

    def end_without_judgement(self, run: int, now_ns: int, reason: str, changes: Sequence[NewChange]) -> None:
        """Note that nothing could be judged, and what has to be told of that."""
        with writing(self.path), self._transaction():
            self._end(run, now_ns, "could-not-judge", reason)
            self._insert_changes(run, changes)

    def end_judged(
        self,
        run: int,
        now_ns: int,
        *,
        outcome: Outcome,
        reason: str,
        document: bytes,
        facts: Iterable[KnownFact],
        forgotten: Iterable[tuple[str, str, str]],
        changes: Sequence[NewChange],
        taken: Iterable[TakenFile],
    ) -> None:
        """
        Everything that one judged night leaves behind, in one transaction.

        ``document`` is the JSON text of the redacted document; ``taken`` are the
        ring files that need not be judged again and still exist.
        """
        packed = zlib.compress(document, 9)
        with writing(self.path), self._transaction() as connection:
            self._end(run, now_ns, outcome, reason)
            connection.execute(
                "INSERT INTO audits VALUES (?, ?)",
                (run, packed if len(packed) <= MAX_DOCUMENT_OCTETS else None),
            )
            connection.executemany(
                "INSERT OR REPLACE INTO facts (kind, device, item, value, label, first_ns, last_ns, "
                "first_night, last_night, nights, absent, returns, state) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    (*one.key, one.value, one.label, one.first_ns, one.last_ns, one.first_night,
                     one.last_night, one.nights, one.absent, one.returns, one.state)
                    for one in facts
                ),
            )  # fmt: skip
            connection.executemany(
                "DELETE FROM facts WHERE kind = ? AND device = ? AND item = ?", list(forgotten)
            )
            self._insert_changes(run, changes)
            connection.execute("DELETE FROM taken")
            connection.executemany("INSERT OR IGNORE INTO taken VALUES (?, ?, ?)", list(taken))
            self._age_out()

    # Facts and audits

    def facts(self) -> list[KnownFact]:
        """Everything that is known of this home."""
        rows = self._connection.execute(
            "SELECT kind, device, item, value, label, first_ns, last_ns, first_night, last_night, "
            "nights, absent, returns, state FROM facts ORDER BY kind, device, item"
        )
        names = ("kind", "device", "item", "value", "label", "first_ns", "last_ns", "first_night",
                 "last_night", "nights", "absent", "returns", "state")  # fmt: skip
        return [KnownFact(**dict(zip(names, row, strict=True))) for row in rows]

    def forget_facts(self, kinds: Sequence[str]) -> None:
        """Begin anew with these kinds."""
        with writing(self.path), self._transaction() as connection:
            connection.executemany("DELETE FROM facts WHERE kind = ?", [(kind,) for kind in kinds])

    def judged_nights(self) -> int:
        """How many runs were judged, those included that have aged out."""
        return int(self.setting("judged nights") or 0)

    def taken(self) -> set[TakenFile]:
        """Ring files that were judged and still existed then."""
        return {TakenFile(*row) for row in self._connection.execute("SELECT * FROM taken")}

    def document(self, run: int) -> bytes | None:
        """The JSON text that a run was judged by; None where it has aged out or there was none."""
        row = self._connection.execute("SELECT document FROM audits WHERE run = ?", (run,)).fetchone()
        if row is None or row[0] is None:
            return None
        return zlib.decompressobj().decompress(row[0], MAX_DOCUMENT_OCTETS * 50)

    # Changes

    def changes(self) -> list[StoredChange]:
        """All remembered changes, oldest first."""
        rows = self._connection.execute(
            "SELECT change, run, started_ns, kind, device, item, line, weight, told_ns, accepted_ns "
            "FROM changes JOIN runs USING (run) ORDER BY change"
        )
        return [StoredChange(*row) for row in rows]

    def mark_told(self, changes: Iterable[int], now_ns: int) -> None:
        """Note that they were given out."""
        with writing(self.path), self._transaction() as connection:
            connection.executemany(
                "UPDATE changes SET told_ns = ? WHERE change = ? AND told_ns IS NULL",
                [(now_ns, change) for change in changes],
            )

    def accept(self, changes: Iterable[int], now_ns: int) -> int:
        """Take changes into the baseline; how many were not yet."""
        wanted = set(changes)
        open_ones = [one for one in self.changes() if one.change in wanted and one.accepted_ns is None]
        with writing(self.path), self._transaction() as connection:
            for one in open_ones:
                connection.execute(
                    "UPDATE changes SET accepted_ns = ? WHERE change = ?", (now_ns, one.change)
                )
                connection.execute(
                    "UPDATE facts SET state = 'known' WHERE kind = ? AND device = ? AND item = ? "
                    "AND state = 'open'",
                    (one.kind, one.device, one.item),
                )
        return len(open_ones)

    # Inside

    def _transaction(self) -> _Transaction:
        return _Transaction(self._connection)

    def _end(self, run: int, now_ns: int, outcome: Outcome, reason: str) -> None:
        self._connection.execute(
            "UPDATE runs SET ended_ns = ?, outcome = ?, reason = ? WHERE run = ?",
            (now_ns, outcome, reason, run),
        )
        if outcome in {"same", "changed"}:
            self._connection.execute(
                "INSERT OR REPLACE INTO settings VALUES ('judged nights', ?)",
                (str(self.judged_nights() + 1),),
            )

    def _insert_changes(self, run: int, changes: Sequence[NewChange]) -> None:
        self._connection.executemany(
            "INSERT INTO changes (run, kind, device, item, line, weight) VALUES (?, ?, ?, ?, ?, ?)",
            [(run, *change) for change in changes],
        )

    def _age_out(self) -> None:
        execute = self._connection.execute
        execute(
            "DELETE FROM runs WHERE run NOT IN (SELECT run FROM runs ORDER BY run DESC LIMIT ?)", (MAX_RUNS,)
        )
        execute(
            "DELETE FROM changes WHERE told_ns IS NOT NULL AND change NOT IN "
            "(SELECT change FROM changes ORDER BY change DESC LIMIT ?)",
            (MAX_CHANGES,),
        )
        execute(
            "DELETE FROM facts WHERE (kind, device, item) IN "
            "(SELECT kind, device, item FROM facts ORDER BY last_night DESC, kind, device, item "
            "LIMIT -1 OFFSET ?)",
            (MAX_FACTS,),
        )
        total = 0
        for run, octets in execute(
            "SELECT run, length(document) FROM audits WHERE document IS NOT NULL ORDER BY run DESC"
        ).fetchall():
            total += octets
            if total > MAX_AUDITS_OCTETS:
                execute("UPDATE audits SET document = NULL WHERE run = ?", (run,))


class _Transaction:
    """One write transaction, begun at once so that two processes cannot both believe to have it."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def __enter__(self) -> sqlite3.Connection:
        self._connection.execute("BEGIN IMMEDIATE")
        return self._connection

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None:
            self._connection.rollback()
            return
        try:
            self._connection.commit()
        except sqlite3.Error:  # a full disk shows at the commit: nothing of it may stay open
            self._connection.rollback()
            raise
