"""From the rows of a CSV file to columns on disk, block by block, with what is wrong with rows on the way."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.trace.mapping import ColumnMapping
from tailrace.trace.table import Block, blocks

if TYPE_CHECKING:
    import pandas as pd

SHOWN = 5
"""Bad rows that are shown."""

MOST_SIZES = 64
LARGEST_SIZE = 2**30
LARGEST_ADDRESS = 2**60
_SORTED_AT_ONCE = 2**20


class Compilation:
    """Reads a file into columns in a folder. Sorting rows that are out of order takes 16 bytes of memory for each."""

    def __init__(self, path: Path, mapping: ColumnMapping, folder: Path) -> None:
        self._path, self._mapping, self._folder = path, mapping, folder
        self._base: Any = None
        self._latest, self._disordered = -np.inf, 0
        self._first_s, self._last_s = np.inf, -np.inf
        self._rows = self._bad = self._passed_over = self._reads = self._end = 0
        self._examples: list[tuple[int, str]] = []
        self._sizes: tuple[IntArray, IntArray] = (np.empty(0, np.int64), np.empty(0, np.int64))
        self._clients: dict[str, int] = {}

    def facts(self) -> dict[str, Any]:
        """Read everything; what is known then, by the names of `Facts`."""
        for block in blocks(self._path, self._mapping, ("kind", "client")):
            self._take(block)
        has = self._mapping.columns
        if "time" in has and self._rows:
            self._start_at_zero()
        sizes, counts = self._sizes
        return {
            "rows": self._rows,
            "duration_s": float(self._last_s - self._first_s) if "time" in has and self._rows else None,
            "reads": self._reads if "kind" in has else None,
            "sizes": few_sizes(sizes, counts) if "size" in has else None,
            "largest": int(sizes[-1]) if "size" in has and sizes.size else None,
            "end": self._end if "address" in has else None,
            "clients": len(self._clients) if "client" in has else None,
            "bad": self._bad,
            "passed_over": self._passed_over,
            "examples": self._examples,
            "disordered": self._disordered,
        }

    def _take(self, block: Block) -> None:
        """Judge the rows of a block and append the good ones to the columns."""
        frame = block.frame
        blank = frame.isna().all(axis=1).to_numpy()
        columns: dict[str, Any] = {}
        reasons: list[tuple[BoolArray, str]] = []
        passed = np.zeros(len(frame), dtype=bool)
        if "kind" in frame:
            columns["read"], unknown, passed = self._kinds(frame["kind"])
            reasons.append((unknown, "no known word for a read or a write"))
        if "time" in frame:
            columns["time"], wrong = self._times(frame["time"])
            reasons += [(wrong < 0, "a negative time"), (np.isnan(wrong), "no time")]
        for what, most in (("size", LARGEST_SIZE), ("address", LARGEST_ADDRESS)):
            if what in frame:
                columns[what], number = self._bytes(frame[what], what, most)
                least = 1 if what == "size" else 0
                reasons += [
                    (np.isnan(number), f"no {what}"),
                    (number < least, f"{'an' if what == 'address' else 'a'} {what} below {least} B"),
                    (number > most, f"{'an' if what == 'address' else 'a'} {what} above {most} B"),
                    (number != np.rint(number), f"{what} not whole bytes"),
                ]
        if "client" in frame:
            columns["client"], nobody = self._numbered(frame["client"], ~(blank | passed))
            reasons.append((nobody, "no client"))
        bad = np.zeros(len(frame), dtype=bool)
        reason = np.full(len(frame), -1)
        for number_of, (where, _) in enumerate(reasons):
            reason[where & ~bad] = number_of
            bad |= where
        bad &= ~(blank | passed)
        for place in np.flatnonzero(bad)[: max(SHOWN - len(self._examples), 0)]:
            self._examples.append((block.first_line + int(place), reasons[int(reason[place])][1]))
        self._bad += int(bad.sum())
        self._passed_over += int((passed & ~blank).sum())
        self._append(columns, ~(bad | blank | passed))

    def _append(self, columns: dict[str, Any], good: BoolArray) -> None:
        self._rows += int(good.sum())
        kept = {name: column[good] for name, column in columns.items()}
        if "time" in kept and kept["time"].size:
            times = kept["time"]
            before = np.maximum.accumulate(np.concatenate([[self._latest], times[:-1]]))
            self._disordered += int((times < before).sum())
            self._latest = max(float(before[-1]), float(times[-1]))
            self._first_s = min(self._first_s, float(times.min()))
            self._last_s = max(self._last_s, float(times.max()))
        if "read" in kept:
            self._reads += int(kept["read"].sum())
        if "size" in kept:
            self._sizes = _counted(self._sizes, *np.unique(kept["size"], return_counts=True))
        if "address" in kept and kept["address"].size:
            size = kept.get("size", 1)
            self._end = max(self._end, int((kept["address"] + size).max()))
        for name, column in kept.items():
            with (self._folder / name).open("ab") as file:
                column.tofile(file)

    def _times(self, column: pd.Series[Any]) -> tuple[FloatArray, FloatArray]:
        """Seconds since the file's first time, and the times as they were read: NaN where there is none."""
        import pandas as pd

        mapped = self._mapping.columns["time"]
        if mapped.is_date:
            instants = pd.to_datetime(column.astype("str"), format="ISO8601", utc=True, errors="coerce")
            missing = instants.isna().to_numpy()
            since = instants.to_numpy(dtype="datetime64[ns]").astype(np.int64)
            values, number = since, np.where(missing, np.nan, 1.0)
            scale = 1e-9
        else:
            values, number = numbers(column)
            scale = mapped.scale
        usable = number >= 0
        if self._base is None and usable.any():
            self._base = values[int(np.argmax(usable))]
        with np.errstate(invalid="ignore", over="ignore"):
            seconds = (values - (0 if self._base is None else self._base)).astype(np.float64) * scale
        return seconds, number

    def _bytes(self, column: pd.Series[Any], what: str, most: int) -> tuple[IntArray, FloatArray]:
        """Whole bytes, right where they are within bounds, and the bytes as floating numbers, NaN where none."""
        values, number = numbers(column)
        scale = self._mapping.columns[what].scale
        number = number * scale
        within = (number >= 0) & (number <= most)
        if values.dtype.kind in "iu" and scale == int(scale):
            whole = np.where(within, values, 0).astype(np.int64) * int(scale)
        else:
            whole = np.rint(np.where(within, number, 0.0)).astype(np.int64)
        return whole, number

    def _kinds(self, column: pd.Series[Any]) -> tuple[Any, BoolArray, BoolArray]:
        """Whether each row is a read, which rows have no known word, and which are to be passed over."""
        words = self._mapping.kinds
        meaning = dict.fromkeys(words.write, 0) | dict.fromkeys(words.read, 1) | dict.fromkeys(words.skip, 3)
        of_code = [meaning.get(str(text).strip().lower(), 2) for text in column.cat.categories]
        code = np.append(np.array(of_code, dtype=np.uint8), np.uint8(2))[column.cat.codes.to_numpy()]
        return (code == 1).astype(np.uint8), code == 2, code == 3

    def _numbered(self, column: pd.Series[Any], counted: BoolArray) -> tuple[Any, BoolArray]:
        """The number of each row's client, in order of appearance, and which rows have none."""
        codes = column.cat.codes.to_numpy().astype(np.int64)
        seen, first = np.unique(codes[counted & (codes >= 0)], return_index=True)
        labels = [str(text).strip() for text in column.cat.categories]
        of_code = np.zeros(len(labels) + 1, dtype=np.uint32)
        for code in seen[np.argsort(first)]:
            of_code[code] = self._clients.setdefault(labels[code], len(self._clients))
        return of_code[codes], codes < 0

    def _start_at_zero(self) -> None:
        """Put the rows in order of time, and count it from the first."""
        time = np.memmap(self._folder / "time", dtype="<f8", mode="r+")
        if self._disordered:
            order = np.argsort(time, kind="stable")
            for path in list(self._folder.iterdir()):
                column = np.memmap(
                    path, dtype={"time": "<f8", "read": "|u1", "client": "<u4"}.get(path.name, "<i8")
                )
                with path.with_suffix(".sorted").open("wb") as file:
                    for begin in range(0, order.size, _SORTED_AT_ONCE):
                        column[order[begin : begin + _SORTED_AT_ONCE]].tofile(file)
                del column
                path.with_suffix(".sorted").replace(path)
            time = np.memmap(self._folder / "time", dtype="<f8", mode="r+")
        for begin in range(0, time.size, _SORTED_AT_ONCE):
            time[begin : begin + _SORTED_AT_ONCE] -= self._first_s
        time.flush()


def numbers(column: pd.Series[Any]) -> tuple[Any, FloatArray]:
    """The numbers of a column in their own type, and as floating numbers: NaN where there is none."""
    import pandas as pd

    if column.dtype.kind == "b":
        nothing = np.full(len(column), np.nan)
        return nothing, nothing
    if column.dtype.kind not in "iuf":
        column = pd.to_numeric(column, errors="coerce")
    values = column.to_numpy()
    if values.dtype.kind == "u":
        values = values.astype(np.float64)
    number = values.astype(np.float64)
    return values, np.where(np.isfinite(number), number, np.nan)


def _counted(
    known: tuple[IntArray, IntArray], values: IntArray, counts: IntArray
) -> tuple[IntArray, IntArray]:
    """Counts by value, with more of them added."""
    every, place = np.unique(np.concatenate([known[0], values]), return_inverse=True)
    total = np.bincount(place, np.concatenate([known[1], counts]), every.size)
    return every, np.rint(total).astype(np.int64)


def few_sizes(sizes: IntArray, counts: IntArray, most: int = MOST_SIZES) -> list[tuple[int, int]]:
    """Sizes with their counts, neighbours taken together under their mean beyond ``most``; the largest stands."""
    if sizes.size > most:
        group = np.minimum((np.cumsum(counts) - counts) * (most - 1) // counts.sum(), most - 2)
        group[-1] = most - 1
        _, group = np.unique(group, return_inverse=True)
        total = np.bincount(group, counts)
        mean = np.bincount(group, counts * sizes.astype(np.float64)) / total
        sizes, counts = np.maximum(np.rint(mean), 1).astype(np.int64), total.astype(np.int64)
    return [(int(size), int(count)) for size, count in zip(sizes, counts, strict=True)]
