"""The journal: queue and history of a site, in SQLite.

Every change of a job's state is one transaction that names the state and token it expects: whoever comes late
changes nothing. Rollback journal with ``synchronous=EXTRA``: a commit survives a power cut once the call returns.
The journal can be rebuilt from ``raw/`` and the manifests, so losing it loses nothing of anybody's.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from pipeline.errors import MachineError
from pipeline.service.tree import filesystem_type

# Types of file system (linux/magic.h) on which SQLite's locks cannot be relied on: NFS, SMB, CIFS, SMB2, FUSE, 9p, AFS.
REMOTE_TYPES = frozenset({0x6969, 0x517B, 0xFF534D42, 0xFE534D42, 0x65735546, 0x01021997, 0x5346414F})

_TABLES = """
CREATE TABLE IF NOT EXISTS jobs(
  job TEXT PRIMARY KEY, source TEXT NOT NULL, state TEXT NOT NULL, token INTEGER NOT NULL DEFAULT 0,
  attempts INTEGER NOT NULL DEFAULT 0, interruptions INTEGER NOT NULL DEFAULT 0,
  priority INTEGER NOT NULL DEFAULT 1, bytes INTEGER NOT NULL DEFAULT 0,
  forced INTEGER NOT NULL DEFAULT 0, content TEXT, recipe TEXT, identity TEXT,
  outcome TEXT, code TEXT, text TEXT, same_as TEXT,
  claimed TEXT NOT NULL, finished TEXT) STRICT;
CREATE INDEX IF NOT EXISTS by_state ON jobs(state, priority, claimed);
CREATE INDEX IF NOT EXISTS by_identity ON jobs(identity);
CREATE TABLE IF NOT EXISTS triage(entry TEXT PRIMARY KEY, signature TEXT NOT NULL, verdict TEXT NOT NULL) STRICT;
CREATE TABLE IF NOT EXISTS outbox(
  number INTEGER PRIMARY KEY, channel TEXT NOT NULL, subject TEXT NOT NULL, body TEXT NOT NULL,
  tries INTEGER NOT NULL DEFAULT 0, written TEXT NOT NULL) STRICT;
CREATE TABLE IF NOT EXISTS notes(name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
"""


TECHNICAL_FAULTS = (
    "crash",
    "timeout",
    "memory",
    "disk-full",
    "machine",
    "defect",
    "interrupted",
    "deliverable-differs",
)


class State(StrEnum):
    """Where a job is."""

    CLAIMED = "claimed"
    """In ``raw``, not yet looked at."""
    READY = "ready"
    """May be worked."""
    RUNNING = "running"
    """An attempt is under way."""
    DONE = "done"
    """Its result lies in ``delivered`` or ``attention``."""
    KNOWN = "known"
    """The same captures with the same recipe as an earlier job: nothing to do."""


class Overtaken(Exception):
    """The job is no longer in the state that was expected: somebody else has moved it on."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A job's row."""

    job: str
    source: str
    state: State
    token: int
    attempts: int
    interruptions: int
    priority: int
    bytes: int
    forced: int
    content: str | None
    recipe: str | None
    identity: str | None
    outcome: str | None
    code: str | None
    text: str | None
    same_as: str | None
    claimed: str
    finished: str | None

    @property
    def known_as(self) -> str:
        """Of a job that had been worked before: as which, in words."""
        return f"the same as {self.same_as}, which was worked before"


class Journal:
    """One connection, used by one thread at a time."""

    def __init__(self, path: Path, *, timeout_s: float = 30) -> None:
        if filesystem_type(path.parent) in REMOTE_TYPES:
            raise MachineError(
                f"The journal {path} lies on a network share, where it can be damaged.",
                "Name a place on a local disk: journal: /var/lib/nightmill/journal.sqlite in site.yaml.",
            )
        self._lock = threading.RLock()
        self._connection = sqlite3.connect(path, timeout=timeout_s, isolation_level=None, check_same_thread=False)
        self._connection.row_factory = sqlite3.Row
        self._connection.execute("PRAGMA journal_mode=DELETE")
        self._connection.execute("PRAGMA synchronous=EXTRA")
        with self._change():
            for statement in _TABLES.split(";\n"):
                self._connection.execute(statement)

    def close(self) -> None:
        with self._lock:
            self._connection.close()

    def sound(self) -> bool:
        """SQLite's own check of the file."""
        with self._lock:
            return [row[0] for row in self._connection.execute("PRAGMA quick_check")] == ["ok"]

    @contextmanager
    def _change(self) -> Iterator[sqlite3.Connection]:
        with self._lock:
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    def add(self, job: str, source: str, *, bytes: int, priority: int, claimed: str) -> None:
        """A job that was just moved into ``raw``. Once only: a second time changes nothing."""
        with self._change() as connection:
            connection.execute(
                "INSERT OR IGNORE INTO jobs(job, source, state, bytes, priority, claimed) VALUES(?, ?, ?, ?, ?, ?)",
                (job, source, State.CLAIMED, bytes, priority, claimed),
            )

    def move(self, entry: Entry, state: State, **changes: Any) -> Entry:
        """Move a job on, with other columns changed along. Raises Overtaken when it is not as ``entry`` says."""
        assignments = "".join(f", {column} = ?" for column in changes)
        with self._change() as connection:
            done = connection.execute(
                f"UPDATE jobs SET state = ?{assignments} WHERE job = ? AND state = ? AND token = ?",
                (state, *changes.values(), entry.job, entry.state, entry.token),
            )
            if done.rowcount != 1:
                raise Overtaken(f"{entry.job} is no longer {entry.state}")
        moved = self.get(entry.job)
        assert moved is not None
        return moved

    def get(self, job: str) -> Entry | None:
        return next(iter(self._select("WHERE job = ?", job)), None)

    def by_state(self, *states: State, at_most: int = -1) -> list[Entry]:
        """Jobs in these states, most urgent first."""
        marks = ", ".join("?" * len(states))
        order = "ORDER BY priority DESC, claimed, job LIMIT ?"
        return self._select(f"WHERE state IN ({marks}) {order}", *states, at_most)

    def finished_since(self, moment: str) -> list[Entry]:
        """Jobs that ended at or after a time (RFC 3339, UTC), in that order."""
        return self._select("WHERE finished >= ? ORDER BY finished, job", moment)

    def same_as(self, identity: str, job: str) -> Entry | None:
        """Another job with the same captures, recipe and version: done, or in the queue. A technical fault is none."""
        marks = ", ".join("?" * len(TECHNICAL_FAULTS))
        where = "WHERE identity = ? AND job <> ? AND (state IN ('ready', 'running') OR state = 'done'"
        where += f" AND coalesce(code, '') NOT IN ({marks})) ORDER BY state"  # done comes first
        return next(iter(self._select(where, identity, job, *TECHNICAL_FAULTS)), None)

    def counts(self) -> dict[str, int]:
        """Number of jobs by state, and of finished ones by outcome."""
        with self._lock:
            rows = self._connection.execute(
                "SELECT CASE state WHEN 'done' THEN outcome ELSE state END, count(*) FROM jobs GROUP BY 1"
            ).fetchall()
        return {str(row[0]): int(row[1]) for row in rows}

    def _select(self, where: str, *values: Any) -> list[Entry]:
        columns = ", ".join(Entry.__dataclass_fields__)
        with self._lock:
            rows = self._connection.execute(f"SELECT {columns} FROM jobs {where}", values).fetchall()
        return [Entry(**{**dict(row), "state": State(row["state"])}) for row in rows]

    def put_triage(self, entry: str, signature: str, verdict: dict[str, Any]) -> None:
        """What a quick look at an arrival found."""
        with self._change() as connection:
            connection.execute("INSERT OR REPLACE INTO triage VALUES(?, ?, ?)", (entry, signature, json.dumps(verdict)))

    def triage(self) -> dict[str, tuple[str, dict[str, Any]]]:
        """Signature and verdict of every arrival that was looked at."""
        with self._lock:
            rows = self._connection.execute("SELECT entry, signature, verdict FROM triage").fetchall()
        return {row[0]: (row[1], json.loads(row[2])) for row in rows}

    def drop_triage(self, entries: list[str]) -> None:
        with self._change() as connection:
            connection.executemany("DELETE FROM triage WHERE entry = ?", [(entry,) for entry in entries])

    def put_message(self, channels: list[str], subject: str, body: str, written: str) -> None:
        """A message to be sent, one row for each channel."""
        with self._change() as connection:
            connection.executemany(
                "INSERT INTO outbox(channel, subject, body, written) VALUES(?, ?, ?, ?)",
                [(channel, subject, body, written) for channel in channels],
            )

    def messages(self) -> list[tuple[int, str, str, str, int]]:
        """Number, channel, subject, body and tries so far of every unsent message, oldest first."""
        with self._lock:
            rows = self._connection.execute("SELECT number, channel, subject, body, tries FROM outbox ORDER BY number")
            return [tuple(row) for row in rows]

    def tried(self, number: int) -> None:
        with self._change() as connection:
            connection.execute("UPDATE outbox SET tries = tries + 1 WHERE number = ?", (number,))

    def sent(self, number: int) -> None:
        with self._change() as connection:
            connection.execute("DELETE FROM outbox WHERE number = ?", (number,))

    def note(self, name: str) -> str | None:
        with self._lock:
            row = self._connection.execute("SELECT value FROM notes WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def put_note(self, name: str, value: str) -> None:
        with self._change() as connection:
            connection.execute("INSERT OR REPLACE INTO notes VALUES(?, ?)", (name, value))
