"""What do block size and queue depth do to rate, throughput and latency?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from tailrace.errors import SettingError
from tailrace.measure.interval import IntervalEstimate
from tailrace.quantity import Quantity
from tailrace.report.columns.answer import statistics
from tailrace.report.figures import MEGABYTES, byte_size, key_text, unit_of
from tailrace.report.pictures import style
from tailrace.report.pictures.lines import Panel, Series, lines
from tailrace.report.pictures.style import Width
from tailrace.study.curve import Curve
from tailrace.study.lines import short_key
from tailrace.study.sweep import Sweep

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    Curves = Curve | Mapping[str, Curve] | Sweep | pd.DataFrame

_Line = list[tuple[float, Mapping[Quantity, IntervalEstimate]]]
"""What was found at each value of the key."""


def block_size_curve(curves: Curves, class_name: str | None = None, width: Width = "wide") -> Figure:
    """Requests per second above and throughput below, over the size of the requests.

    Args:
        curves: one curve over `workload.NAME.request_size`, several by the name that the legend gives them, or a sweep,
            or its table: the first key is the axis, all others make lines.
        class_name: the class to draw; the first if left out.
        width: "wide" for a page, "narrow" for a telephone.
    """
    rates, throughputs = (_series(curves, class_name, quantity) for quantity in ("rate", "throughput"))
    panels = (Panel("requests/s", rates, 1.0), Panel("throughput, MB/s", throughputs, 1 / MEGABYTES.size))
    return lines(panels, "size of a request", byte_size, height_in=6.0)(width)


def queue_depth_curve(
    curves: Curves,
    class_name: str | None = None,
    under_way: bool = False,
    width: Width = "wide",
) -> Figure:
    """Throughput above and latency below, over the queue depth.

    Args:
        curves: one curve over `workload.NAME.queue_depth`, several by the name that the legend gives them, or a sweep,
            or its table: the first key is the axis, all others make lines.
        class_name: the class to draw; the first if left out.
        under_way: add rate times mean latency, which by Little's law is the number of requests under way; without
            thinking a straight line.
        width: "wide" for a page, "narrow" for a telephone.
    """
    # Without a name in the legend: that says which latency is which line.
    rates = tuple(replace(each, label="") for each in _series(curves, class_name, "rate"))
    latencies = _series(curves, class_name, "mean", "p99")
    unit = unit_of("time", [estimate.value for each in latencies for estimate in each.found])
    panels = [Panel("requests/s", rates, 1.0), Panel(f"latency, {unit.name}", latencies, 1 / unit.size)]
    if under_way:
        panels.append(Panel("requests under way", _little(curves, class_name), 1.0))
    label = "queue depth: requests that each client keeps under way"
    height_in = 2.6 * len(panels) + 0.8
    return lines(panels, label, lambda depth: f"{depth:,.0f}", height_in=height_in)(width)


def _named(curves: Curves, class_name: str | None) -> dict[str, _Line]:
    """What a class, or the first, saw at each place at which there was an answer, by the name of the line."""
    if isinstance(curves, Sweep):
        return _of_table(curves.table, class_name)
    if not isinstance(curves, Curve | Mapping):
        return _of_table(curves, class_name)
    return {
        name: [
            (point.value, dict(statistics(point.result.class_named(each).all)))
            for point in curve.points
            if point.result.classes
            for each in [class_name or point.result.classes[0].name]
        ]
        for name, curve in ({"": curves} if isinstance(curves, Curve) else curves).items()
    }


def _of_table(table: pd.DataFrame, class_name: str | None) -> dict[str, _Line]:
    """The lines of a sweep's table, whose keys stand between the scenario and the class."""
    keys = list(table.columns[1 : table.columns.get_loc("class")])
    mine = table[table["class"] == (class_name or table["class"].iloc[0])]
    if mine.empty:
        raise SettingError(f"class is {class_name!r}; accepted: {', '.join(dict.fromkeys(table['class']))}")
    if mine[keys[0]].dtype == object:
        raise SettingError(
            f"{keys[0]} holds texts; accepted: a sweep whose first key has numbers or quantities"
        )
    several = len(set(table["scenario"])) > 1
    units, found = table.attrs.get("units", {}), dict[str, _Line]()
    for row in mine.sort_values(keys[0], kind="stable").to_dict("records"):
        said = [f"{short_key(key)} {key_text(row[key], units.get(key, ''))}" for key in keys[1:]]
        label = ", ".join([row["scenario"]] * several + said)
        if row["verdict"] != "overloaded":
            found.setdefault(label, []).append((float(row[keys[0]]), dict(_estimates(row))))
    return found


def _estimates(row: Mapping[Any, Any]) -> Iterator[tuple[Quantity, IntervalEstimate]]:
    """The figures of a row, with their intervals; NaN is what is not known."""
    for quantity in map(Quantity, ("rate", "throughput", "mean", "p99")):
        ends = [row[f"{quantity.column}{end}"] for end in ("", "_low", "_high")]
        value, low, high = (each if each is not None and each == each else None for each in ends)
        yield quantity, IntervalEstimate(value, low, high, row["replications"], "a table")


def _series(curves: Curves, class_name: str | None, *names: str) -> tuple[Series, ...]:
    """A line for each curve and figure: colours tell the curves apart, markers and dashes all lines."""
    found = []
    for number, (label, points) in enumerate(_named(curves, class_name).items()):
        for place, quantity in enumerate(map(Quantity, names)):
            marker = style.line(number * len(names) + place).marker
            dash = style.DASHES[0 if place == len(names) - 1 else 1]
            found.append(
                Series(
                    label,
                    tuple(at for at, _ in points),
                    tuple(figures[quantity] for _, figures in points),
                    ending=f": {quantity.shown}" if len(names) > 1 else "",
                    look=style.Line(style.line(number).colour, marker, dash),
                )
            )
    return tuple(found)


def _little(curves: Curves, class_name: str | None) -> tuple[Series, ...]:
    """Rate times mean latency, beside what Little's law says of one client."""
    found = []
    for place, (label, points) in enumerate(_named(curves, class_name).items()):
        depths = tuple(at for at, _ in points)
        marks = replace(style.line(place), dash="none")
        products = tuple(
            _product(figures[Quantity("rate")], figures[Quantity("mean")]) for _, figures in points
        )
        law = "Little's law, one client"
        found.append(Series(label, depths, products, depths, ": rate × mean latency", marks, law))
    return tuple(found)


def _product(rate: IntervalEstimate, mean: IntervalEstimate) -> IntervalEstimate:
    """The product of two figures, of which no interval is known."""
    known = rate.value is not None and mean.value is not None
    return IntervalEstimate(
        (rate.value or 0.0) * (mean.value or 0.0) if known else None, None, None, rate.n, "a product"
    )
