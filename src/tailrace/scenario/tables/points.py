"""Measured points of a drive, from a file."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from tailrace import units
from tailrace.errors import Fault, TraceError, UnitError
from tailrace.scenario.tables.point_columns import NAMES, PointColumns, ThroughputColumn, columns_by_heading
from tailrace.scenario.tables.recorded import KindColumn, TraceColumn
from tailrace.trace.mapping import ColumnMapping
from tailrace.trace.table import blocks

SHOWN = 5
"""Points that cannot be used, of which is shown what is wrong with them."""

_DIMENSIONS: dict[str, units.Dimension] = {
    "size": "size",
    "rate": "request rate",
    "throughput": "request rate",
}
_ACCEPTED = (
    "numbers above 0 in the unit of their column or with one of their own, whole bytes and whole queue depths; of each "
    "point either a queue depth or a rate, a size, and at least one thing measured"
)


@dataclass(frozen=True)
class MeasuredPoint:
    """What was measured under one condition: ``queue_depth`` requests at a time, or ``rate_per_s`` of them.

    ``measured`` in SI, by names of `point_columns.QUANTITIES`, throughput in requests per second; ``line`` is
    that of the file.
    """

    line: int
    queue_depth: int | None
    rate_per_s: float | None
    size_bytes: int
    read: bool
    measured: dict[str, float]

    @property
    def condition(self) -> tuple[int | None, float | None, int, bool]:
        """What is alike where a point was measured more than once."""
        return self.queue_depth, self.rate_per_s, self.size_bytes, self.read

    @property
    def log_mean(self) -> float | None:
        """Logarithm of the mean latency, by Little's law from the throughput too; None if the point tells neither."""
        told = []
        if "mean" in self.measured:
            told.append(math.log(self.measured["mean"]))
        if "throughput" in self.measured and self.queue_depth is not None:
            told.append(math.log(self.queue_depth / self.measured["throughput"]))
        return sum(told) / len(told) if told else None


def measured_points(file: Path) -> tuple[MeasuredPoint, ...]:
    """The points of a file whose headings say what is what, all in SI, read once. Raises TraceError as `points_in`."""
    try:
        seen = file.stat()
    except OSError:
        return points_in(file, columns_by_heading(file))
    return _points_of(file, seen.st_mtime_ns, seen.st_size)


@lru_cache(maxsize=16)
def _points_of(file: Path, *seen: int) -> tuple[MeasuredPoint, ...]:
    del seen
    return points_in(file, columns_by_heading(file))


def points_in(path: Path, columns: PointColumns) -> tuple[MeasuredPoint, ...]:
    """The points of a file, a row each. Raises TraceError with all that is wrong in it."""
    held = {name: column for name in NAMES if (column := columns.of(name)) is not None}
    mapping = ColumnMapping({name: column.mapped() for name, column in held.items()}, separator=columns.mark)
    points: list[MeasuredPoint] = []
    wrong: list[str] = []
    for block in blocks(path, mapping, NAMES):
        rows = block.frame.astype("object").to_dict("records")
        for line, row in enumerate(rows, block.first_line):
            said = {str(name): str(cell).strip() for name, cell in row.items() if cell == cell}
            texts = {name: text for name, text in said.items() if text}
            if texts:
                try:
                    points.append(_point(line, texts, held))
                except ValueError as error:
                    wrong.append(f"line {line}: {error}")
    if wrong:
        more = f" and {len(wrong) - SHOWN:,} more" if len(wrong) > SHOWN else ""
        raise TraceError(str(path), [Fault(("file",), "; ".join(wrong[:SHOWN]) + more, _ACCEPTED)])
    if not points:
        raise TraceError(str(path), [Fault(("file",), "no points", "at least one")])
    return tuple(points)


def _point(line: int, texts: dict[str, str], columns: dict[str, TraceColumn]) -> MeasuredPoint:
    """The point in the cells of a row that are not empty. Raises ValueError that says what is wrong."""
    values = {name: _number(name, text, columns[name]) for name, text in texts.items() if name != "kind"}
    depth, rate, size = (values.pop(name, None) for name in ("queue_depth", "rate", "size"))
    if (depth is None) == (rate is None):
        raise ValueError("neither queue_depth nor rate" if depth is None else "both queue_depth and rate")
    if size is None:
        raise ValueError("no size")
    if not values:
        raise ValueError("nothing measured")
    for name, value in (("queue_depth", depth), ("size", size)):
        if value is not None and value != int(value):
            raise ValueError(f"{name} {texts[name]} is not whole")
    throughput = columns.get("throughput")
    if "throughput" in values and isinstance(throughput, ThroughputColumn) and throughput.is_data:
        values["throughput"] /= size
    read = _is_read(texts.get("kind", ""), columns.get("kind"))
    return MeasuredPoint(line, None if depth is None else int(depth), rate, int(size), read, values)


def _number(name: str, text: str, column: TraceColumn) -> float:
    try:
        value = float(text) * column.scale
    except ValueError:
        try:
            value = float(units.parse_exact(text, _DIMENSIONS.get(name, "time")))
        except UnitError as error:
            raise ValueError(f"{name} {text!r}: {error.wrong}") from None
    if not (value > 0 and math.isfinite(value)):
        raise ValueError(f"{name} {text}: a number that is not above 0")
    return value


def _is_read(text: str, column: TraceColumn | None) -> bool:
    """Whether the points of a kind are reads, by the words of the column; all are without one."""
    if not isinstance(column, KindColumn):
        return True
    for words, read in ((column.read, True), (column.write, False)):
        if text.lower() in (word.lower() for word in words):
            return read
    accepted = ", ".join(f'"{word}"' for word in (*column.read, *column.write))
    raise ValueError(f"kind {text!r} is none of {accepted}" if text else "no kind")
