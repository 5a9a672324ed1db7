"""What happened to the slowest requests? Each as a line of time, station by station."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tailrace.plan.columns import STAGES
from tailrace.report.figures import time_text, unit_of
from tailrace.report.pictures import style
from tailrace.report.pictures.stages import look_of, stage_legend
from tailrace.report.pictures.style import Width
from tailrace.study.journey import Journey, Stop, Trip

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_TRIPS = 8
LABELLED_FROM = {"wide": 0.13, "narrow": 0.3}
"""Share of the longest latency from which on a stop has room for the name of its station."""


def journey_of_the_slowest(journey: Journey, width: Width = "wide") -> Figure:
    """A line of time for each of the slowest requests: waiting hatched, service filled, in the colours of the stages.

    Args:
        journey: what `tailrace.journey` followed; the first eight trips are drawn.
        width: "wide" for a page, "narrow" for a telephone.
    """
    trips = journey.trips[:MOST_TRIPS]
    row_in = 0.5 if width == "wide" else 0.62
    figure, (axes,) = style.canvas(width, 1.5 + row_in * len(trips) + (0.5 if width == "narrow" else 0))
    longest = max(trip.latency_s for trip in trips)
    unit = unit_of("time", [longest])
    scale = 1 / unit.size
    for place, trip in enumerate(trips):
        for stop in trip.stops:
            _stop(
                axes, place, stop, scale, stop.wait_s + stop.service_s > LABELLED_FROM[width] * longest, width
            )
    style.rows(axes, [_label(trip) for trip in trips])
    axes.set_xlim(0, 1.02 * longest * scale)
    axes.set_xlabel(f"time since the request was due, {unit.name}")
    hidden = len(journey.trips) - len(trips)
    stage_legend(figure, width, f"{hidden} more not drawn" if hidden else "")
    return figure


def _stop(axes: Axes, place: int, stop: Stop, scale: float, labelled: bool, width: Width) -> None:
    stage = STAGES.index(stop.stage)
    for waits, begin, seconds in (
        (True, stop.after_s, stop.wait_s),
        (False, stop.after_s + stop.wait_s, stop.service_s),
    ):
        if seconds > 0:
            axes.barh(place + 0.1, seconds * scale, left=begin * scale, height=0.5, **look_of(stage, waits))
    if labelled:
        axes.text(
            stop.after_s * scale,
            place - 0.2,
            style.shown(stop.station, width),
            va="bottom",
            fontsize=style.SMALL_PT[width],
            color=style.INK,
        )


def _label(trip: Trip) -> str:
    return f"{style.shown(trip.name, 'narrow')}, {trip.kind}\n{time_text(trip.latency_s)}"
