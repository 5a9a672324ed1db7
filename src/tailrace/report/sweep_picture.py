"""Throughput and p99 over the first key, one line for each value of the others."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from tailrace.report.figures import TIME_UNITS, time_unit
from tailrace.report.sweep import knees, lines, shown_value
from tailrace.study.sweep import Point, Sweep

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLOURS = ("#4477aa", "#ee6677", "#228833", "#aa3377", "#999933", "#332288", "#44aa99", "#882255")
MARKERS = "os^Dv<>P"
STYLES = ("-", (0, (5, 2)), (0, (2, 1.5)))
"""Of a line and those drawn over it, so that it is seen where they coincide."""
MANY_TICKS = 9
LONGEST_NAME = 28
DECADE = 8.0
"""Ratio of the largest to the smallest value from which on an axis is logarithmic."""


def sweep_picture(sweep: Sweep, class_name: str) -> Figure:
    """Two panels, throughput above and p99 below, with bands of the 95 % intervals."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.2, 7.4), layout="constrained")
    above, below = figure.subplots(2, 1, sharex=True)
    drawn = list(lines(sweep, class_name))
    every = [point for _, points in drawn for point in points]
    p99 = [point.reading.estimate(class_name, "p99").value for point in every]
    unit = time_unit([value for value in p99 if value is not None])
    rates = [point.reading.estimate(class_name, "rate").value for point in every]
    thousand = max((rate for rate in rates if rate is not None), default=0.0) >= 1e4
    places, ticks, key_unit, scale = _places(sweep, every)
    bends = dict(knees(sweep, class_name))
    for number, (label, points) in enumerate(drawn):
        style = {
            "color": COLOURS[number % len(COLOURS)],
            "marker": MARKERS[number % len(MARKERS)],
            "linestyle": STYLES[number % len(STYLES)],
        }
        _line(above, points, places, class_name, "rate", 1e-3 if thousand else 1.0, label, style)
        _line(below, points, places, class_name, "p99", 1 / TIME_UNITS[unit], label, style)
        bend = bends.get(label)
        if bend is not None and bend.value is not None and ticks is None:
            below.axvline(bend.value / scale, color=style["color"], linestyle=":", linewidth=1.2)
    above.set_ylabel("throughput, 1,000 requests/s" if thousand else "throughput, requests/s")
    below.set_ylabel(f"p99 latency, {unit}")
    below.set_xlabel(f"{sweep.keys[0]}{f', {key_unit}' if key_unit else ''}")
    _scale(below, p99, "y")
    _overloaded(below, every, places)
    if ticks is None:
        _scale(below, list(places.values()), "x")
    else:
        below.set_xticks(range(len(ticks)), ticks)
    for axes in (above, below):
        axes.grid(alpha=0.3)
    above.set_ylim(bottom=0)
    above.yaxis.set_major_formatter(lambda value, _: f"{value:,.12g}")
    above.set_title(f"{_clipped(sweep.title, 60)}: class {_clipped(class_name, LONGEST_NAME)}", fontsize=11)
    if any(point.reading.overloaded for point in every):
        said = "; ×: overloaded"
    else:
        said = ""
    dotted = any(bend.value is not None for bend in bends.values()) and ticks is None
    said = f"bands: 95 % intervals{'; dotted: p99 doubled' if dotted else ''}{said}"
    above.legend(title=said, fontsize=9, title_fontsize=8, loc="best")
    return figure


def _line(
    axes: Axes,
    points: Sequence[Point],
    places: dict[object, float],
    class_name: str,
    quantity: str,
    factor: float,
    label: str,
    style: dict[str, Any],
) -> None:
    known = []
    for point in points:
        estimate = point.reading.estimate(class_name, quantity)
        if estimate.value is not None:
            low = estimate.value if estimate.low is None else estimate.low
            high = estimate.value if estimate.high is None else estimate.high
            place = places[point.settings[0].value]
            known.append((place, estimate.value * factor, max(low, 0.0) * factor, high * factor))
    known.sort()
    if not known:
        axes.plot([], [], label=f"{_clipped(label, LONGEST_NAME)} (no figure)", **style)
        return
    x, value, low_, high_ = zip(*known, strict=True)
    axes.plot(x, value, markersize=4.5, linewidth=1.4, label=_clipped(label, LONGEST_NAME), **style)
    axes.fill_between(x, low_, high_, color=style["color"], alpha=0.25, linewidth=0)


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
            [_clipped(shown_value(value, unit), 14) for value in values],
            "",
            1.0,
        )
    if unit == "s":
        best = time_unit(numbers)
        return {v: float(v) / TIME_UNITS[best] for v in values}, None, best, TIME_UNITS[best]
    if unit in ("B", "B/s") and min(numbers) >= 1000:
        power = min(int(math.log10(max(numbers)) + 1e-9) // 3, 4)
        size = 1000.0**power
        return {v: float(v) / size for v in values}, None, ("", "k", "M", "G", "T")[power] + unit, size
    return {value: float(value) for value in values}, None, unit, 1.0


def _scale(axes: Axes, values: Sequence[float | None], which: str) -> None:
    """Logarithmic, with plain numbers, where the values span much."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, NullFormatter, NullLocator

    known = [value for value in values if value is not None and value > 0]
    if len(known) < len([value for value in values if value is not None]) or not known:
        return
    axis = axes.xaxis if which == "x" else axes.yaxis
    plain = FuncFormatter(lambda value, _: f"{value:,.12g}")
    if max(known) < DECADE * min(known) or (which == "x" and _is_even(known)):
        axis.set_major_formatter(plain)
        if which == "y":
            axes.set_ylim(bottom=0)
        return
    (axes.set_xscale if which == "x" else axes.set_yscale)("log")
    if which == "x" and len(set(known)) <= 12:
        ticks = sorted(set(known))
        step = -(-len(ticks) // MANY_TICKS)
        axis.set_major_locator(FixedLocator(ticks[::step]))
        axis.set_minor_locator(NullLocator())
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.4g}"))
    else:
        axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0), numticks=20))
        axis.set_major_formatter(plain)
        axis.set_minor_formatter(NullFormatter())


def _is_even(values: Sequence[float]) -> bool:
    """Whether values lie at about the same distance from each other, rather than ratio."""
    ordered = sorted(set(values))
    gaps = [after - before for before, after in itertools.pairwise(ordered)]
    return len(gaps) > 1 and max(gaps) < 3 * min(gaps)


def _overloaded(axes: Axes, points: Sequence[Point], places: dict[object, float]) -> None:
    """Crosses at the upper edge for what the server cannot carry."""
    places_over = sorted({places[point.settings[0].value] for point in points if point.reading.overloaded})
    if places_over:
        high = axes.get_xaxis_transform()
        axes.plot(places_over, [0.96] * len(places_over), "x", color="black", transform=high, markersize=7)


def _clipped(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"
