"""A recorded trace in columns on disk: read once, in blocks, and mapped into memory from then on.

The columns lie in a folder of the user's cache, named by the digest of the file and of what its columns mean, so a
changed file is read again and a study of many runs reads its file once.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from dataclasses import asdict, dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, cast

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.errors import Fault, TraceError
from tailrace.trace.compilation import Compilation
from tailrace.trace.mapping import ColumnMapping
from tailrace.trace.table import content_digest

FORMAT = 1
"""Of the columns on disk: folders of another one are not looked at."""

MOST_CACHED_BYTES = 8 * 10**9
"""Folders that were not used for longest are removed beyond this."""

TYPES = {"time": "<f8", "size": "<i8", "address": "<i8", "read": "|u1", "client": "<u4"}


@dataclass(frozen=True)
class Facts:
    """What is known of a trace once it has been read. Times in seconds from its first row, sizes in bytes.

    ``sizes`` are (size, rows) of each size that occurs; beyond 64 of them neighbours are taken together under the
    mean of theirs. ``end`` is the largest address behind a request. ``examples`` are bad rows as (line, reason).
    ``disordered`` counts rows earlier than one before them. What the file does not tell is None.
    """

    rows: int
    duration_s: float | None
    reads: int | None
    sizes: tuple[tuple[int, int], ...] | None
    largest: int | None
    end: int | None
    clients: int | None
    bad: int
    passed_over: int
    examples: tuple[tuple[int, str], ...]
    disordered: int

    @property
    def rate_per_s(self) -> float | None:
        """Rows per second; None where the times do not tell: fewer than two, or all at one instant."""
        if not self.duration_s or self.rows < 2:
            return None
        return (self.rows - 1) / self.duration_s

    @property
    def bad_share(self) -> float:
        """Bad rows as a share of all that were not passed over."""
        return self.bad / max(self.bad + self.rows, 1)

    @property
    def bad_rows(self) -> str:
        """The examples in words."""
        return "; ".join(f"line {line}: {reason}" for line, reason in self.examples)

    @property
    def remarks(self) -> list[str]:
        """What there is to say of rows that were left out, passed over or sorted."""
        said = {
            f"{self.bad:,} bad rows were left out ({self.bad_rows}).": self.bad,
            f"{self.passed_over:,} rows of other kinds were passed over.": self.passed_over,
            f"{self.disordered:,} rows came after a later one and were sorted by time.": self.disordered,
        }
        return [remark for remark, rows in said.items() if rows]


@dataclass(frozen=True)
class Recording:
    """Requests of a trace in order of time. A column that the file does not have is None.

    ``time_s`` counts from the first request; ``client`` numbers the clients in order of appearance. Shape (rows,).
    """

    folder: Path
    digest: str
    facts: Facts = field(repr=False)

    def __len__(self) -> int:
        return self.facts.rows

    @cached_property
    def time_s(self) -> FloatArray | None:
        """When each request was made."""
        return cast("FloatArray | None", self._column("time"))

    @cached_property
    def size_bytes(self) -> IntArray | None:
        """How much was asked for."""
        return cast("IntArray | None", self._column("size"))

    @cached_property
    def address(self) -> IntArray | None:
        """Where, in bytes from the start."""
        return cast("IntArray | None", self._column("address"))

    @cached_property
    def read(self) -> BoolArray | None:
        """Whether it was a read."""
        column = self._column("read")
        return None if column is None else cast("BoolArray", column.view(np.bool_))

    @cached_property
    def client(self) -> IntArray | None:
        """Who asked."""
        return cast("IntArray | None", self._column("client"))

    @cached_property
    def by_client(self) -> tuple[IntArray, IntArray]:
        """Rows client by client, each one's in order, and where each client's begin (one entry more than clients)."""
        assert self.client is not None
        order = np.argsort(self.client, kind="stable")
        counts = np.bincount(self.client, minlength=self.facts.clients or 0)
        return order, np.concatenate([[0], np.cumsum(counts)])

    def _column(self, name: str) -> Any:
        path = self.folder / name
        return np.memmap(path, dtype=TYPES[name], mode="r") if path.exists() else None


_opened: dict[tuple[object, ...], Recording | TraceError] = {}


def open_recording(path: Path, mapping: ColumnMapping) -> Recording:
    """The trace in a file. Raises TraceError if the file cannot be read, lacks a column or holds no request."""
    key: tuple[object, ...]
    try:
        seen = path.stat()
        key = (path, seen.st_mtime_ns, seen.st_size, mapping)
    except OSError:
        key = (path, mapping)
    else:
        if key in _opened:
            known = _opened[key]
            if isinstance(known, TraceError):
                raise known
            if known.folder.exists():
                return known
    try:
        _opened[key] = found = _open(path, mapping)
    except TraceError as error:
        _opened[key] = error
        raise
    return found


def _open(path: Path, mapping: ColumnMapping) -> Recording:
    digest = content_digest(path)
    meaning = json.dumps([FORMAT, digest, asdict(mapping)], sort_keys=True)
    key = hashlib.sha256(meaning.encode()).hexdigest()
    folder = cache_folder() / key
    if not (folder / "facts.json").exists():
        _compile(path, mapping, folder)
    else:
        os.utime(folder)
    facts = json.loads((folder / "facts.json").read_text())
    for name in ("sizes", "examples"):
        facts[name] = None if facts[name] is None else tuple(map(tuple, facts[name]))
    return Recording(folder, key, Facts(**facts))


def _compile(path: Path, mapping: ColumnMapping, folder: Path) -> None:
    folder.parent.mkdir(parents=True, exist_ok=True)
    work = Path(tempfile.mkdtemp(prefix=".reading-", dir=folder.parent))
    try:
        facts = Compilation(path, mapping, work).facts()
        if facts["rows"] == 0:
            raise TraceError(str(path), [_nothing(Facts(**facts))])
        (work / "facts.json").write_text(json.dumps(facts))
        try:
            work.rename(folder)
        except OSError:  # another process was faster
            if not (folder / "facts.json").exists():
                raise
    finally:
        shutil.rmtree(work, ignore_errors=True)
    _make_room(folder)


def _nothing(facts: Facts) -> Fault:
    wrong = f"no usable row among {facts.bad} ({facts.bad_rows})" if facts.bad else "no rows"
    return Fault(("file",), wrong, "at least one row that can be read")


def cache_folder() -> Path:
    """Where columns are kept: in XDG_CACHE_HOME, or ~/.cache, and else where temporary files go."""
    root = os.environ.get("XDG_CACHE_HOME")
    folder = (Path(root) if root else Path.home() / ".cache") / "tailrace" / "traces"
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError:
        return _temporary()
    return folder if os.access(folder, os.W_OK) else _temporary()


def _temporary() -> Path:
    owner = os.getuid() if hasattr(os, "getuid") else "user"
    folder = Path(tempfile.gettempdir()) / f"tailrace-traces-{owner}"
    folder.mkdir(exist_ok=True, mode=0o700)
    return folder


def _make_room(newest: Path) -> None:
    folders = [each for each in newest.parent.iterdir() if each.is_dir() and not each.name.startswith(".")]
    folders.sort(key=lambda each: each.stat().st_mtime, reverse=True)
    used = 0
    for each in folders:
        used += sum(file.stat().st_size for file in each.iterdir())
        if used > MOST_CACHED_BYTES and each != newest:
            shutil.rmtree(each, ignore_errors=True)
