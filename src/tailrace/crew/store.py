"""Finished work in a file that survives whatever ends the study: one row a task, each in a transaction of its own.

SQLite with its write-ahead log: a process may be killed at any instant, and several may write at once. A file that is
no such store, or a damaged one, is refused and left as it is.
"""

from __future__ import annotations

import json
import os
import sqlite3
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from tailrace.errors import StoreError
from tailrace.replicate.replication import Replication
from tailrace.replicate.task import TaskKey
from tailrace.replicate.written import read, written

APPLICATION = 0x7461_696C
"""Mark in the head of the file that says whose it is."""
FORM = 1
WAIT_S = 60.0
"""Seconds to wait for another study that is writing."""

_TABLES = (
    "CREATE TABLE task (digest TEXT NOT NULL, seed INTEGER NOT NULL, replication INTEGER NOT NULL, "
    "requests INTEGER NOT NULL, version TEXT NOT NULL, finished TEXT NOT NULL, seconds REAL NOT NULL, "
    "crc INTEGER NOT NULL, outcome BLOB NOT NULL, "
    "PRIMARY KEY (digest, seed, replication, requests, version)) WITHOUT ROWID",
    "CREATE TABLE study (name TEXT PRIMARY KEY, kind TEXT NOT NULL, title TEXT NOT NULL, begun TEXT NOT NULL, "
    "finished TEXT, asked TEXT NOT NULL, rows TEXT)",
    "CREATE TABLE part (study TEXT NOT NULL REFERENCES study(name) ON DELETE CASCADE, digest TEXT NOT NULL, "
    "seed INTEGER NOT NULL, PRIMARY KEY (study, digest, seed)) WITHOUT ROWID",
)


@dataclass(frozen=True)
class Study:
    """A study that a store knows of: what was asked, how much of it is there, and its rows once it was finished."""

    name: str
    kind: str
    title: str
    begun: str
    finished: str | None
    asked: dict[str, Any]
    rows: list[dict[str, Any]] | None
    tasks: int
    requests: int


class Store:
    """The file. Use as a context.

    Raises StoreError: the file is no store, is damaged, comes from a later version, or cannot be written.
    """

    def __init__(self, path: str | os.PathLike[str], must_exist: bool = False) -> None:
        self.path = Path(path)
        if must_exist and not self.path.is_file():
            raise StoreError(f"{self.path}: no such file; accepted: a store that --store wrote")
        self._check_head()
        with self._said():
            self._file = sqlite3.connect(self.path, timeout=WAIT_S, isolation_level=None)
        try:
            with self._said():
                self._open()
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    # Tasks

    def find(self, key: TaskKey) -> tuple[Replication, float] | None:
        """The outcome of a task that was finished and the seconds that it took; None if it was not."""
        with self._said():
            row = self._file.execute(
                "SELECT outcome, crc, seconds FROM task WHERE digest = ? AND seed = ? AND replication = ? "
                "AND requests = ? AND version = ?",
                _columns(key),
            ).fetchone()
        return None if row is None else (self._read(*row[:2]), float(row[2]))

    def outcomes(self, digest: str, seed: int, version: str, first: int = 0) -> list[Replication]:
        """Of a scenario's finished replications from a number on the longest, in order."""
        with self._said():
            rows = self._file.execute(
                "SELECT outcome, crc, requests FROM task WHERE digest = ? AND seed = ? AND version = ? "
                "AND replication >= ? ORDER BY replication",
                (digest, seed, version, first),
            ).fetchall()
        most = max((requests for *_, requests in rows), default=0)
        return [self._read(content, check) for content, check, requests in rows if requests == most]

    def _read(self, content: bytes, check: int) -> Replication:
        try:
            if zlib.crc32(content) != check:
                raise ValueError("its check sum does not hold")
            return read(content)
        except ValueError as error:
            raise StoreError(
                f"{self.path}: a damaged row ({error}); delete the file or restore a copy"
            ) from None

    def keep(self, key: TaskKey, replication: Replication, seconds: float) -> None:
        """Keep the outcome of a task, at once and whole. What is there already stays."""
        content = written(replication)
        with self._said():
            self._file.execute(
                "INSERT OR IGNORE INTO task VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (*_columns(key), _now(), seconds, zlib.crc32(content), content),
            )

    def task_count(self) -> int:
        """Number of finished tasks."""
        with self._said():
            return int(self._file.execute("SELECT count(*) FROM task").fetchone()[0])

    # Studies

    def begin(self, name: str, kind: str, title: str, asked: dict[str, Any]) -> None:
        """Enter a study; one that is there already stays."""
        with self._said():
            self._file.execute(
                "INSERT OR IGNORE INTO study (name, kind, title, begun, asked) VALUES (?, ?, ?, ?, ?)",
                (name, kind, title, _now(), json.dumps(asked, sort_keys=True)),
            )

    def decide(self, name: str, decision: str, value: Any) -> Any:
        """Keep a decision of a study that it must not make twice, and return the one that holds."""
        with self._transaction():
            row = self._file.execute("SELECT asked FROM study WHERE name = ?", (name,)).fetchone()
            asked = json.loads(row[0])
            decided = asked.setdefault("decided", {})
            kept = decided.setdefault(decision, value)
            self._file.execute(
                "UPDATE study SET asked = ? WHERE name = ?", (json.dumps(asked, sort_keys=True), name)
            )
        return kept

    def decided(self, name: str, decision: str) -> Any:
        """A decision that was kept, or None."""
        with self._said():
            row = self._file.execute("SELECT asked FROM study WHERE name = ?", (name,)).fetchone()
        return None if row is None else json.loads(row[0]).get("decided", {}).get(decision)

    def part(self, name: str, parts: Iterable[tuple[str, int]]) -> None:
        """Note that tasks of these digests and seeds belong to a study."""
        rows = [(name, digest, seed) for digest, seed in sorted(set(parts))]
        with self._transaction():
            self._file.executemany("INSERT OR IGNORE INTO part VALUES (?, ?, ?)", rows)

    def finish(self, name: str, rows: list[dict[str, Any]]) -> None:
        """Keep the rows of a finished study."""
        with self._said():
            self._file.execute(
                "UPDATE study SET finished = ?, rows = ? WHERE name = ?",
                (_now(), json.dumps(rows, allow_nan=False), name),
            )

    def studies(self) -> list[Study]:
        """All studies, the oldest first."""
        with self._said():
            found = self._file.execute(
                "SELECT name, kind, title, begun, finished, asked, rows, "
                "(SELECT count(*) FROM part JOIN task USING (digest, seed) WHERE part.study = study.name), "
                "(SELECT coalesce(sum(requests), 0) FROM part JOIN task USING (digest, seed) "
                "WHERE part.study = study.name) FROM study ORDER BY begun, name"
            ).fetchall()
        return [
            Study(
                name,
                kind,
                title,
                begun,
                finished,
                json.loads(asked),
                None if rows is None else json.loads(rows),
                *n,
            )
            for name, kind, title, begun, finished, asked, rows, *n in found
        ]

    def study(self, name: str) -> Study:
        """The study of that name, or the only one whose name begins so. Raises StoreError if there is none."""
        every = self.studies()
        found = [each for each in every if each.name.startswith(name)]
        if len(found) != 1:
            names = ", ".join(each.name for each in every) or "none is in it"
            raise StoreError(f"{self.path}: {len(found)} studies are named {name!r}; accepted: {names}")
        return found[0]

    def delete(self, name: str) -> int:
        """Delete a study and the tasks that belong to no other; returns the number of tasks."""
        with self._transaction():
            before = self._file.execute("SELECT count(*) FROM task").fetchone()[0]
            self._file.execute(
                "DELETE FROM task WHERE (digest, seed) IN (SELECT digest, seed FROM part WHERE study = ?) "
                "AND (digest, seed) NOT IN (SELECT digest, seed FROM part WHERE study <> ?)",
                (name, name),
            )
            self._file.execute("DELETE FROM part WHERE study = ?", (name,))
            self._file.execute("DELETE FROM study WHERE name = ?", (name,))
            after = self._file.execute("SELECT count(*) FROM task").fetchone()[0]
        return int(before - after)

    # The file

    def _check_head(self) -> None:
        """Before SQLite touches it: a file of another kind must stay as it is."""
        try:
            if not self.path.exists():
                if not self.path.parent.is_dir():
                    raise StoreError(
                        f"{self.path}: its directory does not exist; accepted: a file in one that does"
                    )
                return
            if not self.path.is_file():
                raise StoreError(f"{self.path}: not a file; accepted: a store, or a name that is free")
            with self.path.open("rb") as file:
                head = file.read(100)
        except OSError as error:
            raise StoreError(
                f"{self.path}: cannot be read: {(error.strerror or str(error)).lower()}"
            ) from None
        if not head:
            return  # SQLite makes an empty file before its first transaction
        is_ours = head.startswith(b"SQLite format 3\0") and head[68:72] == APPLICATION.to_bytes(4, "big")
        # A store whose writer was killed in its first instant has its journal beside it.
        is_new = head.startswith(b"SQLite format 3\0") and head[68:72] == bytes(4) and self._has_journal()
        if not (is_ours or is_new):
            raise StoreError(
                f"{self.path}: not a store of tailrace; accepted: one that --store wrote, or a free name"
            )

    def _has_journal(self) -> bool:
        return self.path.with_name(f"{self.path.name}-journal").exists()

    def _open(self) -> None:
        self._file.execute("PRAGMA foreign_keys = ON")
        if self._file.execute("PRAGMA user_version").fetchone()[0] == 0:
            self._make()
        form, application = (
            self._file.execute(f"PRAGMA {name}").fetchone()[0] for name in ("user_version", "application_id")
        )
        if application != APPLICATION:
            raise StoreError(f"{self.path}: not a store of tailrace; accepted: one that --store wrote")
        if form != FORM:
            raise StoreError(f"{self.path}: of form {form}; this version of tailrace reads form {FORM}")
        if self._file.execute("PRAGMA quick_check").fetchone()[0] != "ok":
            raise StoreError(f"{self.path}: damaged; restore a copy, or begin with another file")
        self._file.execute("PRAGMA journal_mode = WAL")
        # A row that was answered for must outlast the process; after a power cut the last few may be done again.
        self._file.execute("PRAGMA synchronous = NORMAL")

    def _make(self) -> None:
        """Tables of a new store: all in one transaction, unless another study was faster."""
        found = self._file.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if found and self._file.execute("PRAGMA application_id").fetchone()[0] != APPLICATION:
            raise StoreError(
                f"{self.path}: a database, but not a store of tailrace; accepted: one that --store wrote"
            )
        with self._transaction():
            if self._file.execute("PRAGMA user_version").fetchone()[0] == 0:
                for statement in _TABLES:
                    self._file.execute(statement)
                self._file.execute(f"PRAGMA application_id = {APPLICATION}")
                self._file.execute(f"PRAGMA user_version = {FORM}")

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        with self._said():
            self._file.execute("BEGIN IMMEDIATE")
            try:
                yield
            except BaseException:
                self._file.execute("ROLLBACK")
                raise
            self._file.execute("COMMIT")

    @contextmanager
    def _said(self) -> Iterator[None]:
        """Say what went wrong with the file in our own words."""
        try:
            yield
        except sqlite3.OperationalError as error:
            reason = str(error)
            if "full" in reason:
                raise StoreError(
                    f"{self.path}: the disk is full; what was finished is kept, and the same command goes on"
                ) from None
            raise StoreError(f"{self.path}: cannot be used: {reason}") from None
        except sqlite3.DatabaseError as error:
            raise StoreError(
                f"{self.path}: damaged ({error}); restore a copy, or begin with another file"
            ) from None


def _columns(key: TaskKey) -> tuple[str, int, int, int, str]:
    return key.digest, key.seed, key.replication, key.requests, key.version


def _now() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S")
