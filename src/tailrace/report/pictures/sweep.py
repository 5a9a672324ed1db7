"""What becomes of rate and p99 over the first key, one line for each value of the others?"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from tailrace.quantity import Quantity
from tailrace.report.figures import byte_size, cut, key_text, key_unit, unit_of
from tailrace.report.pictures import style
from tailrace.report.pictures.style import Width
from tailrace.study.lines import Point, knees, lines
from tailrace.study.sweep import SIZES, Sweep

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH: Width = "wide"
MOST_TICKS = 12
"""Values from which on a logarithmic axis has ticks of its own."""
DECADE = 8.0
"""Ratio of the largest to the smallest value from which on an axis is logarithmic."""


def sweep_picture(sweep: Sweep, class_name: str) -> Figure:
    """A panel a figure, p99 below, with bands of the 95 % intervals; data moved beside requests where sizes vary.

    The mean stands for the p99 where that is known nowhere.
    """
    drawn = list(lines(sweep.points, class_name))
    every = [point for _, points in drawn for point in points]

    def values(quantity: str) -> list[float | None]:
        return [point.evidence.estimate(class_name, quantity).value for point in every]

    latency = Quantity("p99" if any(each is not None for each in values("p99")) else "mean")
    rates = ["rate", "throughput"] if sweep.varies_sizes else ["rate"]
    quantities = [*map(Quantity, rates), latency]
    figure, panels = style.canvas(WIDTH, 2.2 + 2.1 * len(quantities), rows=len(quantities), sharex=True)
    places, ticks, key_unit, scale = _places(sweep, every)
    bends = dict(knees(sweep.points, class_name))
    for axes, quantity in zip(panels, quantities, strict=True):
        found = values(quantity)
        unit = unit_of(quantity.dimension, found)
        for number, (label, points) in enumerate(drawn):
            _line(axes, points, places, class_name, quantity, 1 / unit.size, label, style.line(number))
        said = f"{quantity.shown} latency" if quantity.is_latency else quantity.shown
        axes.set_ylabel("requests/s" if quantity == "rate" else f"{said}, {unit.name}")
        _scale(axes, found, "y")
    below = panels[-1]
    for number, (label, _) in enumerate(drawn):
        bend = bends.get(label)
        if bend is not None and bend.value is not None and ticks is None:
            below.axvline(bend.value / scale, color=style.line(number).colour, linestyle=":", linewidth=1.2)
    below.set_xlabel(f"{sweep.keys[0]}{f', {key_unit}' if key_unit else ''}")
    _overloaded(below, every, places)
    if ticks is not None:
        below.set_xticks(range(len(ticks)), ticks)
    elif sweep.keys[0].endswith(SIZES):
        below.set_xlabel(sweep.keys[0])
        at = sorted(places.values())
        style.power_axis(below.xaxis, at, [byte_size(place * scale) for place in at])
    else:
        _scale(below, list(places.values()), "x")
    style.title(panels[0], sweep.title, WIDTH)
    notes = [f"class {style.shown(class_name, 'narrow')}", "bands: 95 % intervals"]
    if any(bend.value is not None for bend in bends.values()) and ticks is None:
        notes.append("dotted: p99 doubled")
    if any(point.evidence.overloaded for point in every):
        notes.append("×: overloaded")
    style.legend(figure, panels[:1], WIDTH, "; ".join(notes))
    figure.align_ylabels()
    return figure


def _line(
    axes: Axes,
    points: Sequence[Point],
    places: dict[object, float],
    class_name: str,
    quantity: str,
    factor: float,
    label: str,
    look: style.Line,
) -> None:
    found = [
        (places[each.settings[0].value], each.evidence.estimate(class_name, quantity)) for each in points
    ]
    found.sort(key=lambda each: each[0])
    name = style.shown(label, "narrow")
    if all(estimate.value is None for _, estimate in found):
        dashes = {"color": look.colour, "marker": look.marker, "linestyle": look.dash}
        axes.plot([], [], label=f"{name} (no figure)", **dashes)
        return
    style.curve(axes, [place for place, _ in found], [estimate for _, estimate in found], factor, look, name)


def _places(
    sweep: Sweep, points: Sequence[Point]
) -> tuple[dict[object, float], list[str] | None, str, float]:
    """Where each value of the first key lies, the names of the ticks for texts, the unit, and its size in SI."""
    values = list(dict.fromkeys(point.settings[0].value for point in points))
    unit = sweep.told.get(sweep.keys[0], "")
    numbers = [float(value) for value in values if not isinstance(value, str)]
    if len(numbers) < len(values):
        return (
            {value: float(place) for place, value in enumerate(values)},
            [cut(key_text(value, unit), 14) for value in values],
            "",
            1.0,
        )
    best = key_unit(unit, numbers)
    return {value: float(value) / best.size for value in values}, None, best.name, best.size


def _scale(axes: Axes, values: Sequence[float | None], which: Literal["x", "y"]) -> None:
    """Logarithmic where the values span much."""
    known = [value for value in values if value is not None]
    if not known or min(known) <= 0:
        return
    axis = axes.xaxis if which == "x" else axes.yaxis
    if max(known) < DECADE * min(known) or (which == "x" and _is_even(known)):
        style.plain_axis(axis)
        if which == "y":
            axes.set_ylim(bottom=0)
    elif which == "x" and len(set(known)) <= MOST_TICKS:
        ticks = sorted(set(known))
        style.power_axis(axis, ticks, [f"{tick:,.4g}" for tick in ticks])
    else:
        style.log_axis(axis)


def _is_even(values: Sequence[float]) -> bool:
    """Whether values lie at about the same distance from each other, rather than ratio."""
    ordered = sorted(set(values))
    gaps = [after - before for before, after in itertools.pairwise(ordered)]
    return len(gaps) > 1 and max(gaps) < 3 * min(gaps)


def _overloaded(axes: Axes, points: Sequence[Point], places: dict[object, float]) -> None:
    """Crosses at the upper edge for what the server cannot carry."""
    places_over = sorted({places[point.settings[0].value] for point in points if point.evidence.overloaded})
    if places_over:
        high = axes.get_xaxis_transform()
        axes.plot(places_over, [0.96] * len(places_over), "x", color=style.INK, transform=high, markersize=7)
