"""Measured points of a drive, and the drive at which a fit to them begins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tailrace.errors import Problem, ScenarioError
from tailrace.scenario.reading.complaint import sound
from tailrace.scenario.reading.point_columns import point_columns, unused
from tailrace.scenario.reading.toml import tables_in
from tailrace.scenario.tables.flash import Flash
from tailrace.scenario.tables.points import MeasuredPoint as MeasuredPoint
from tailrace.scenario.tables.points import points_in
from tailrace.scenario.tables.spinning import Spinning


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
    points = points_in(path, columns)
    return Measured(points, unused(path, columns))


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
        table = tables_in(part).get("media")
    except ValueError as error:
        raise ScenarioError([Problem(str(part), "", None, f"{error}; accepted: {accepted}")]) from None
    if not isinstance(table, dict) or table.get("kind") != kind:
        raise ScenarioError([Problem(str(part), "media", None, f"no such table; accepted: {accepted}")])
    return table


def media_of(table: dict[str, Any], source: str) -> Media:
    """Drives from the table of a part. Raises ScenarioError with all that is wrong in it."""
    data = {
        "server": {"media": {**table, "count": 1}},
        "workload": [{"name": "point", "queue_depth": 1, "request_size": "4 KiB"}],
    }
    media = sound(data, source).server.pools[0].media
    if not isinstance(media, Flash | Spinning) or (
        isinstance(media, Spinning) and media.seek_average is None
    ):
        accepted = "flash, or spinning drives with seek_adjacent, seek_average and seek_full"
        raise ScenarioError(
            [Problem(source, "server.media", None, f"cannot be fitted; accepted: {accepted}")]
        )
    return media
