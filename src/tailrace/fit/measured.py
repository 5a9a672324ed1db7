"""Measured points of a drive, and the drive at which a fit to them begins."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tailrace import units
from tailrace.errors import Fault, Problem, ScenarioError, TraceError, UnitError
from tailrace.scenario.reading.complaint import examine
from tailrace.scenario.reading.path import shown_path, shown_value
from tailrace.scenario.reading.point_columns import NAMES, ThroughputColumn, point_columns, unused
from tailrace.scenario.tables.flash import Flash
from tailrace.scenario.tables.points import MeasuredPoint as MeasuredPoint
from tailrace.scenario.tables.recorded import KindColumn, TraceColumn
from tailrace.scenario.tables.spinning import Spinning
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
class Measured:
    """The points of a file, and its headings that stand for nothing."""

    points: tuple[MeasuredPoint, ...]
    unused: tuple[str, ...]


def read_points(path: Path, columns_file: Path | None = None, settings: Sequence[str] = ()) -> Measured:
    """The points of a CSV file, a row each, in the columns that `point_columns` finds by the same arguments.

    A number without a unit is in that of its column, SI if left out. Without a column of kinds all are reads. Raises
    ScenarioError for what is wrong with the columns as named, TraceError with all that is wrong in the file.
    """
    columns = point_columns(path, columns_file, settings)
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
    return Measured(tuple(points), unused(path, columns))


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


Media = Flash | Spinning

KINDS = ("measured", "flash", "spinning")
"""Media that can be fitted to points; those with parts begin at some of usual size."""

STARTS: dict[str, dict[str, Any]] = {
    "spinning": {
        "kind": "spinning",
        "capacity": "16 TB",
        "rpm": "7200 rpm",
        "seek_adjacent": "0.6 ms",
        "seek_average": "8.5 ms",
        "seek_full": "17 ms",
        "write_settle": "0.5 ms",
        "outer_rate": "250 MB/s",
        "inner_rate": "120 MB/s",
    },
    "flash": {
        "kind": "flash",
        "capacity": "4 TB",
        "dies": 64,
        "channels": 8,
        "channel_rate": "800 MB/s",
        "cell_read": "60 us",
        "cell_program": "600 us",
        "cell_erase": "3 ms",
        "command_rate": "500000 /s",
    },
}
"""Where a fit begins without a part: figures of usual size, invented."""


def start_table(kind: str, part: Path | None) -> dict[str, Any]:
    """The media table where a fit begins. Raises ScenarioError for a part that cannot be read or is of another kind."""
    if part is None:
        return STARTS[kind]
    accepted = f"a part in TOML with a table [media] of kind {kind}"
    try:
        table = tomllib.loads(part.read_text(encoding="utf-8-sig")).get("media")
    except OSError as error:
        wrong = f"cannot be read: {(error.strerror or str(error)).lower()}"
        raise ScenarioError([Problem(str(part), "", None, f"{wrong}; accepted: {accepted}")]) from None
    except ValueError as error:
        raise ScenarioError(
            [Problem(str(part), "", None, f"not TOML: {error}; accepted: {accepted}")]
        ) from None
    if not isinstance(table, dict) or table.get("kind") != kind:
        raise ScenarioError([Problem(str(part), "media", None, f"no such table; accepted: {accepted}")])
    return table


def media_of(table: dict[str, Any], source: str) -> Media:
    """Drives from the table of a part. Raises ScenarioError with all that is wrong in it."""
    data = {
        "server": {"media": {**table, "count": 1}},
        "workload": [{"name": "point", "queue_depth": 1, "request_size": "4 KiB"}],
    }
    scenario, faults = examine(data)
    if scenario is None:
        raise ScenarioError(
            Problem(source, shown_path(fault.path, data), shown_value(data, fault.path), fault.message)
            for fault in faults
        )
    media = scenario.server.pools[0].media
    if not isinstance(media, Flash | Spinning) or (
        isinstance(media, Spinning) and media.seek_average is None
    ):
        accepted = "flash, or spinning drives with seek_adjacent, seek_average and seek_full"
        raise ScenarioError(
            [Problem(source, "server.media", None, f"cannot be fitted; accepted: {accepted}")]
        )
    return media
