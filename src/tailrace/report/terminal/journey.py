"""The slowest requests on a terminal: each as a time line, station by station, waiting apart from service."""

from __future__ import annotations

from rich.console import RenderableType
from rich.text import Text

from tailrace.report.figures import unit_of
from tailrace.report.table import Cell, Head, Table
from tailrace.report.terminal.layout import heading, shown
from tailrace.study.journey import Journey, Stop, Trip

LEAST_SHARE = 0.005
"""Share of the latency below which a stop is not worth a line."""
NARROWEST = 16
TABLE_COLUMNS = 54
"""Columns of a trip's table without its time line."""

WAIT, SERVICE = ".", "#"


def parts(journey: Journey, width: int) -> list[RenderableType]:
    """All trips for a terminal of that many columns."""
    count = len(journey.trips)
    introduction = (
        f"The slowest {f'{count} ' if count > 1 else ''}of {journey.requests:,} requests. In the time line {WAIT} is "
        f"waiting and {SERVICE} service; ahead is how many were there on arrival, in service or waiting."
    )
    found: list[RenderableType] = [Text(journey.title, style="bold"), Text(), Text(introduction)]
    for place, trip in enumerate(journey.trips, start=1):
        found += _trip(place, trip, width)
    return [*found, Text(), Text(f"Method: tailrace {journey.version}, seed {journey.seed}, replication 8.")]


def _trip(place: int, trip: Trip, width: int) -> list[RenderableType]:
    unit = unit_of("time", [trip.latency_s])
    waited = sum(stop.wait_s for stop in trip.stops)
    stays = [stop for stop in trip.stops if stop.wait_s + stop.service_s >= LEAST_SHARE * trip.latency_s]
    line = max(width - TABLE_COLUMNS, NARROWEST)
    rows: list[list[Cell]] = [
        [
            stop.station,
            stop.stage,
            "" if stop.ahead is None else f"{stop.ahead:,}",
            *(unit.number(value) for value in (stop.after_s, stop.wait_s, stop.service_s)),
            _line(stop, trip.latency_s, line),
        ]
        for stop in stays
    ]
    heads: list[Head | str] = [
        "station",
        "stage",
        "ahead",
        f"at, {unit.name}",
        "wait",
        "service",
        Head("", "text"),
    ]
    found: list[RenderableType] = [
        *heading(
            f"{place}. {trip.name}, {trip.kind} of {trip.size_bytes:,} bytes: {unit.text(trip.latency_s, 4)}"
        ),
        Text(
            f"  Client {trip.client}, arrived at {trip.arrival_s:.6f} s; "
            f"{100 * waited / trip.latency_s:.0f} % of the time it waited."
        ),
        *shown(Table.of(heads, rows).grouped("stage"), width),
    ]
    left = [stop for stop in trip.stops if stop not in stays]
    if left:
        seconds = sum(stop.wait_s + stop.service_s for stop in left)
        found.append(Text(f"  {len(left)} shorter stops, {unit.text(seconds)} in all."))
    return found


def _line(stop: Stop, whole_s: float, width: int) -> str:
    """A stop's part of the time line, at least one mark of what there is of it."""

    def place(seconds: float) -> int:
        return min(round(seconds / whole_s * width), width)

    begin, served = place(stop.after_s), place(stop.after_s + stop.wait_s)
    end = place(stop.after_s + stop.wait_s + stop.service_s)
    if end == begin:
        begin = min(begin, width - 1)
        return " " * begin + (WAIT if stop.wait_s > stop.service_s else SERVICE)
    return " " * begin + WAIT * (served - begin) + SERVICE * (end - served)
