"""The slowest requests on a terminal: each as a time line, station by station, waiting apart from service."""

from __future__ import annotations

import json

from rich.console import Console, Group, RenderableType
from rich.constrain import Constrain
from rich.padding import Padding
from rich.text import Text

from tailrace.report.figures import TIME_UNITS, number, time_unit
from tailrace.report.terminal.layout import WIDEST, as_text, heading, plain_table
from tailrace.study.journey import Journey, Stop, Trip

LEAST_SHARE = 0.005
"""Share of the latency below which a stop is not worth a line."""
NARROWEST = 16
TABLE_COLUMNS = 54
"""Columns of a trip's table without its time line."""

WAIT, SERVICE = ".", "#"


def journey_answer(journey: Journey, width: int) -> RenderableType:
    """All trips for a terminal of that many columns."""
    width = min(width, WIDEST)
    parts: list[RenderableType] = [Text(journey.title, style="bold"), Text()]
    count = len(journey.trips)
    parts.append(
        Text(
            f"The slowest {f'{count} ' if count > 1 else ''}of {journey.requests:,} requests. "
            f"In the time line {WAIT} is waiting and {SERVICE} service; ahead is how many were there on arrival, in "
            "service or waiting."
        )
    )
    for place, trip in enumerate(journey.trips, start=1):
        parts += _trip(place, trip, width)
    parts += [Text(), Text(f"Method: tailrace {journey.version}, seed {journey.seed}, replication 8.")]
    return Constrain(Group(*parts), width)


def journey_text(journey: Journey, console: Console | None = None) -> str:
    """The same as text: for a console of 80 columns without colours if none is given."""
    return as_text(lambda width: [journey_answer(journey, width)], console)


def journey_json(journey: Journey) -> str:
    """The same as one JSON document, in SI units."""
    return json.dumps(journey.as_dict(), indent=2, allow_nan=False) + "\n"


def _trip(place: int, trip: Trip, width: int) -> list[RenderableType]:
    unit = time_unit([trip.latency_s])
    size = TIME_UNITS[unit]
    waited = sum(stop.wait_s for stop in trip.stops)
    lines = [
        *heading(
            f"{place}. {trip.name}, {trip.kind} of {trip.size_bytes:,} bytes: {number(trip.latency_s / size, 4)} {unit}"
        ),
        Text(
            f"  Client {trip.client}, arrived at {trip.arrival_s:.6f} s; "
            f"{100 * waited / trip.latency_s:.0f} % of the time it waited."
        ),
    ]
    shown = [stop for stop in trip.stops if stop.wait_s + stop.service_s >= LEAST_SHARE * trip.latency_s]
    table = plain_table("station", "ahead", f"at, {unit}", "wait", "service", "")
    line = max(width - TABLE_COLUMNS, NARROWEST)
    stage = ""
    for stop in shown:
        if stop.stage != stage:
            stage = stop.stage
            table.add_row(Text(stage, style="italic"))
        table.add_row(
            Text(f"  {stop.station}"),
            "" if stop.ahead is None else f"{stop.ahead:,}",
            *(number(value / size, 3) for value in (stop.after_s, stop.wait_s, stop.service_s)),
            Text(_line(stop, trip.latency_s, line)),
        )
    table.columns[0].max_width = 20
    table.columns[5].justify = "left"
    lines.append(Padding(table, (0, 0, 0, 2)))
    left = len(trip.stops) - len(shown)
    if left:
        seconds = sum(stop.wait_s + stop.service_s for stop in trip.stops if stop not in shown)
        lines.append(Text(f"  {left} shorter stops, {number(seconds / size)} {unit} in all."))
    return lines


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
