"""Measured points of a drive, and what closed forms and the simulation say of the same points."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from tailrace import units
from tailrace.arrays import FloatArray
from tailrace.engine.choice import Engine
from tailrace.errors import Fault, Problem, ScenarioError, TraceError
from tailrace.hardware.flash import FlashCost
from tailrace.physics.seek import three_point_curve
from tailrace.scenario.complaint import examine
from tailrace.scenario.flash import Flash
from tailrace.scenario.path import shown_path, shown_value
from tailrace.scenario.scenario import Scenario
from tailrace.scenario.spinning import Spinning
from tailrace.study.sample import replicate
from tailrace.theory.one_drive import arm_service_s, bounded_response_s, closed_banks_s
from tailrace.trace.compilation import numbers
from tailrace.trace.mapping import Column, Mapping
from tailrace.trace.table import blocks, headings

QUANTITIES = {
    "throughput": "request rate",
    "mean": "time",
    "p50": "time",
    "p90": "time",
    "p95": "time",
    "p99": "time",
}
"""What may have been measured at a point, with its dimension: throughput is requests per second."""

CONDITIONS = ("queue_depth", "rate", "size", "kind")
REQUESTS = 6000
LEVELS = {"p50": 0.5, "p90": 0.9, "p95": 0.95, "p99": 0.99}


@dataclass(frozen=True)
class Point:
    """What was measured under one condition: ``queue_depth`` requests at a time, or ``rate_per_s`` of them.

    ``measured`` in SI, by names of `QUANTITIES`; ``line`` is that of the file.
    """

    line: int
    queue_depth: int | None
    rate_per_s: float | None
    size_bytes: int
    read: bool
    measured: dict[str, float]


def read_points(path: Path, units_of: dict[str, str] | None = None) -> tuple[Point, ...]:
    """The points of a CSV file with headings queue_depth or rate, size, kind (reads if left out), and quantities.

    ``units_of`` says the unit of a column, by name; else they are SI. Raises TraceError with all that is wrong.
    """
    found = {heading.lower(): heading for heading in headings(path)}
    known = [name for name in (*CONDITIONS, *QUANTITIES) if name in found]
    faults = []
    if "queue_depth" not in known and "rate" not in known:
        faults.append(Fault(("columns",), "no column queue_depth and none rate", "one of them"))
    if "size" not in known:
        faults.append(Fault(("columns",), "no column size", "the size of the requests"))
    if not any(name in known for name in QUANTITIES):
        faults.append(Fault(("columns",), "nothing measured", f"at least one of {', '.join(QUANTITIES)}"))
    if faults:
        raise TraceError(str(path), faults)
    columns = {name: Column(found[name], scale=_scale(name, (units_of or {}).get(name))) for name in known}
    points: list[Point] = []
    wrong: list[str] = []
    for block in blocks(path, Mapping(columns), ("kind",)):
        values = {
            name: numbers(block.frame[name])[1] * columns[name].scale for name in known if name != "kind"
        }
        kinds = block.frame["kind"].astype("str").tolist() if "kind" in known else ["read"] * len(block.frame)
        for row, kind in enumerate(kinds):
            line = block.first_line + row
            if block.frame.iloc[row].isna().all():
                continue
            point = _point(
                line, {name: float(column[row]) for name, column in values.items()}, kind.strip().lower()
            )
            if isinstance(point, str):
                wrong.append(f"line {line}: {point}")
            else:
                points.append(point)
    if wrong:
        accepted = "numbers above 0 in every column that a point has, and kind read or write"
        raise TraceError(str(path), [Fault(("file",), "; ".join(wrong[:5]), accepted)])
    if not points:
        raise TraceError(str(path), [Fault(("file",), "no points", "at least one")])
    return tuple(points)


def _scale(name: str, unit: str | None) -> float:
    if unit is None or name in ("queue_depth", "kind"):
        return 1.0
    dimension: Any = (
        "size" if name == "size" else "request rate" if name in ("rate", "throughput") else "time"
    )
    return float(units.parse_exact(unit if unit[:1].isdigit() else f"1 {unit}", dimension))


def _point(line: int, values: dict[str, float], kind: str) -> Point | str:
    if kind not in ("read", "write", "r", "w"):
        return f"kind {kind!r}"
    measured = {name: value for name, value in values.items() if name in QUANTITIES and not np.isnan(value)}
    depth, rate, size = (values.get(name, np.nan) for name in ("queue_depth", "rate", "size"))
    if np.isnan(depth) == np.isnan(rate):
        return "neither queue_depth nor rate" if np.isnan(depth) else "both queue_depth and rate"
    if any(not value > 0 for value in (*measured.values(), size)) or depth <= 0 or rate <= 0:
        return "a number that is not above 0"
    if not measured:
        return "nothing measured"
    whole = None if np.isnan(depth) else int(depth)
    return Point(
        line, whole, None if np.isnan(rate) else float(rate), int(size), kind in ("read", "r"), measured
    )


Media = Flash | Spinning


def closed_form(media: Media, points: Sequence[Point]) -> FloatArray:
    """Logarithms of what closed forms say, one entry for each measured quantity of each point in order."""
    told = []
    for point in points:
        depth = point.queue_depth or _depth_at(media, point)
        response = _response_s(media, point, depth)
        for name in point.measured:
            value = depth / response if name == "throughput" else response
            told.append(np.log(value * _tail(name)))
    return np.array(told)


def _tail(name: str) -> float:
    """A quantile over the mean, as if exponential: the simulation will say it better."""
    return -np.log(1 - LEVELS[name]) if name in LEVELS else 1.0


def _depth_at(media: Media, point: Point) -> int:
    """Requests under way at which a drive carries the rate of a point."""
    for depth in range(1, 257):
        if depth / _response_s(media, point, depth) >= (point.rate_per_s or 0.0):
            return depth
    return 256


def _response_s(media: Media, point: Point, depth: int) -> float:
    if isinstance(media, Spinning):
        settle = 0.0 if point.read else media.write_settle
        transfer = point.size_bytes * 2 / (media.outer_rate + media.inner_rate)
        seeks = (media.seek_adjacent or 0.0, media.seek_average or 0.0, media.seek_full or 0.0)
        chooses = media.scheduling == "shortest access first"
        return depth * (
            _positioning_s(min(depth, media.queue_slots), seeks, 1 / media.rpm, chooses) + transfer + settle
        )
    drive = FlashCost.of(media, None)
    pages = -(-point.size_bytes // drive.page)
    bus = point.size_bytes / drive.channel_rate
    if point.read:
        own = np.array([drive.command_s, drive.cell_read_s, bus / min(pages, drive.channels)])
        work = np.array([drive.command_s, drive.cell_read_s * pages + bus, bus])
        return closed_banks_s(depth, own, work, np.array([1.0, drive.dies, drive.channels]))
    programmed = point.size_bytes / drive.width * (1.0 + drive.copies)
    each = drive.program_s + drive.width / drive.channel_rate + drive.erase_s * drive.erases
    most = min(1 / drive.command_s, drive.dies / (programmed * each))
    return bounded_response_s(depth, drive.command_s + drive.buffer_s, most)


@lru_cache(maxsize=4096)
def _positioning_s(depth: int, seeks: tuple[float, float, float], turn_s: float, chooses: bool) -> float:
    return arm_service_s(depth, three_point_curve(*seeks), turn_s, 0.0, chooses)


def simulated(
    media: Media, points: Sequence[Point], seed: int, engine: Engine, requests: int = REQUESTS
) -> FloatArray:
    """The same by simulation of one such drive without anything around it; random numbers common to all calls."""
    told: list[float] = []
    for point in points:
        scenario = _around(media, point)
        sample = replicate(scenario, seed, 8, requests + 50 * (point.queue_depth or 1), 10**6, engine)
        if not sample.complete:
            told += [np.nan] * len(point.measured)
            continue
        latency = sample.kinds["point"]["all"].latency_s
        for name in point.measured:
            if name == "throughput":
                told.append(np.log(latency.size / sample.window_s))
            else:
                told.append(
                    np.log(np.mean(latency) if name == "mean" else np.quantile(latency, LEVELS[name]))
                )
    return np.array(told)


def _around(media: Media, point: Point) -> Scenario:
    from tailrace.scenario.server import Server
    from tailrace.scenario.workload import Workload

    asked = {"queue_depth": point.queue_depth} if point.queue_depth else {"rate": point.rate_per_s}
    workload = Workload(
        name="point",
        request_size=point.size_bytes,
        read_share=float(point.read),
        think_time=0.0 if point.queue_depth else None,
        **asked,
    )
    return Scenario(server=Server(media=media), workload=(workload,))


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
