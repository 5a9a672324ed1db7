"""What do block size and queue depth do to rate, throughput and latency?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from tailrace.answer.result import Figures
from tailrace.measure.interval import IntervalEstimate
from tailrace.quantity import Quantity
from tailrace.report.columns.answer import statistics
from tailrace.report.figures import MEGABYTES, byte_size, unit_of
from tailrace.report.pictures import style
from tailrace.report.pictures.lines import Panel, Series, lines
from tailrace.report.pictures.style import Width
from tailrace.study.curve import Curve

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def block_size_curve(
    curves: Curve | Mapping[str, Curve], class_name: str | None = None, width: Width = "wide"
) -> Figure:
    """Requests per second above and throughput below, over the size of the requests.

    Args:
        curves: one curve over `workload.NAME.request_size`, or several by the name that the legend gives them.
        class_name: the class to draw; the first if left out.
        width: "wide" for a page, "narrow" for a telephone.
    """
    rates, throughputs = (_series(curves, class_name, quantity) for quantity in ("rate", "throughput"))
    panels = (Panel("requests/s", rates, 1.0), Panel("throughput, MB/s", throughputs, 1 / MEGABYTES.size))
    return lines(panels, "size of a request", byte_size, height_in=6.0)(width)


def queue_depth_curve(
    curves: Curve | Mapping[str, Curve],
    class_name: str | None = None,
    under_way: bool = False,
    width: Width = "wide",
) -> Figure:
    """Throughput above and latency below, over the queue depth.

    Args:
        curves: one curve over `workload.NAME.queue_depth`, or several by the name that the legend gives them.
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


def _named(
    curves: Curve | Mapping[str, Curve], class_name: str | None
) -> dict[str, list[tuple[float, Figures]]]:
    """What a class, or the first, saw at each place at which there was an answer, by the name of the curve."""
    return {
        name: [
            (point.value, (point.result.class_named(class_name or point.result.classes[0].name)).all)
            for point in curve.points
            if point.result.classes
        ]
        for name, curve in ({"": curves} if isinstance(curves, Curve) else curves).items()
    }


def _series(curves: Curve | Mapping[str, Curve], class_name: str | None, *names: str) -> tuple[Series, ...]:
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
                    tuple(dict(statistics(figures))[quantity] for _, figures in points),
                    ending=f": {quantity.shown}" if len(names) > 1 else "",
                    look=style.Line(style.line(number).colour, marker, dash),
                )
            )
    return tuple(found)


def _little(curves: Curve | Mapping[str, Curve], class_name: str | None) -> tuple[Series, ...]:
    """Rate times mean latency, beside what Little's law says of one client."""
    found = []
    for place, (label, points) in enumerate(_named(curves, class_name).items()):
        depths = tuple(at for at, _ in points)
        marks = replace(style.line(place), dash="none")
        products = tuple(_product(figures.rate_per_s, figures.latency_s["mean"]) for _, figures in points)
        law = "Little's law, one client"
        found.append(Series(label, depths, products, depths, ": rate × mean latency", marks, law))
    return tuple(found)


def _product(rate: IntervalEstimate, mean: IntervalEstimate) -> IntervalEstimate:
    """The product of two figures, of which no interval is known."""
    known = rate.value is not None and mean.value is not None
    return IntervalEstimate(
        (rate.value or 0.0) * (mean.value or 0.0) if known else None, None, None, rate.n, "a product"
    )
