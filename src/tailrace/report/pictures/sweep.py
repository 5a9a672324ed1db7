"""Throughput and p99 over the first key, one line for each value of the others."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from tailrace.report.figures import cut, key_text, key_unit, unit_of
from tailrace.report.pictures import style
from tailrace.report.pictures.style import Width
from tailrace.study.lines import Point, knees, lines
from tailrace.study.sweep import Sweep

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH: Width = "wide"
MOST_TICKS = 12
"""Values from which on a logarithmic axis has ticks of its own."""
DECADE = 8.0
"""Ratio of the largest to the smallest value from which on an axis is logarithmic."""


def sweep_picture(sweep: Sweep, class_name: str) -> Figure:
    """Two panels, throughput above and p99 below, with bands of the 95 % intervals."""
    figure, (above, below) = style.canvas(WIDTH, 6.4, rows=2, sharex=True)
    drawn = list(lines(sweep.points, class_name))
    every = [point for _, points in drawn for point in points]
    p99 = [point.evidence.estimate(class_name, "p99").value for point in every]
    unit = unit_of("time", p99)
    places, ticks, key_unit, scale = _places(sweep, every)
    bends = dict(knees(sweep.points, class_name))
    for number, (label, points) in enumerate(drawn):
        look = style.line(number)
        _line(above, points, places, class_name, "rate", 1.0, label, look)
        _line(below, points, places, class_name, "p99", 1 / unit.size, label, look)
        bend = bends.get(label)
        if bend is not None and bend.value is not None and ticks is None:
            below.axvline(bend.value / scale, color=look.colour, linestyle=":", linewidth=1.2)
    above.set_ylabel("throughput, requests/s")
    below.set_ylabel(f"p99 latency, {unit.name}")
    below.set_xlabel(f"{sweep.keys[0]}{f', {key_unit}' if key_unit else ''}")
    _scale(below, p99, "y")
    _overloaded(below, every, places)
    if ticks is None:
        _scale(below, list(places.values()), "x")
    else:
        below.set_xticks(range(len(ticks)), ticks)
    above.set_ylim(bottom=0)
    style.plain_axis(above.yaxis)
    style.title(above, sweep.title, WIDTH)
    said = [f"class {style.shown(class_name, 'narrow')}", "bands: 95 % intervals"]
    if any(bend.value is not None for bend in bends.values()) and ticks is None:
        said.append("dotted: p99 doubled")
    if any(point.evidence.overloaded for point in every):
        said.append("×: overloaded")
    style.legend(figure, [above], WIDTH, "; ".join(said))
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
    unit = sweep.units.get(sweep.keys[0], "")
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
