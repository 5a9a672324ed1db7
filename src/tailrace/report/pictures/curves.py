"""What do block size and queue depth do to rate, throughput and latency?"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from tailrace.answer.result import Figures, Result
from tailrace.measure.estimate import Estimate
from tailrace.report.figures import MEGABYTES, byte_size, unit_of
from tailrace.report.pictures import style
from tailrace.report.pictures.style import Width
from tailrace.study.curve import Curve

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Reading = Callable[[Figures], Estimate]


def block_size_curve(
    curves: Curve | Mapping[str, Curve], class_name: str | None = None, width: Width = "wide"
) -> Figure:
    """Requests per second above and throughput below, over the size of the requests.

    Args:
        curves: one curve over `workload.NAME.request_size`, or several by the name that the legend gives them.
        class_name: the class to draw; the first if left out.
        width: "wide" for a page, "narrow" for a telephone.
    """
    figure, (above, below) = style.canvas(width, 6.0, rows=2, sharex=True)
    named = _named(curves)
    _panel(above, named, class_name, {"": lambda f: f.rate_per_s}, 1.0, width)
    throughput: dict[str, Reading] = {"": lambda f: f.throughput_bytes_per_s}
    _panel(below, named, class_name, throughput, 1 / MEGABYTES.size, width)
    above.set_ylabel("requests/s")
    below.set_ylabel("throughput, MB/s")
    below.set_xlabel("size of a request")
    sizes = _places(named)
    for axes in (above, below):
        style.power_axis(axes.xaxis, sizes, [byte_size(size) for size in sizes])
        style.log_axis(axes.yaxis)
    style.legend(figure, [above], width, "bands: 95 % intervals")
    return figure


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
    rows = 3 if under_way else 2
    figure, axes = style.canvas(width, 2.6 * rows + 0.8, rows=rows, sharex=True)
    named = _named(curves)
    _panel(axes[0], named, class_name, {"": lambda f: f.rate_per_s}, 1.0, width)
    latencies: dict[str, Reading] = {
        ": mean": lambda f: f.latency_s["mean"],
        ": p99": lambda f: f.latency_s["p99"],
    }
    unit = unit_of(
        "time",
        [
            estimate.value
            for curve in named.values()
            for reading in latencies.values()
            for _, estimate in _readings(curve, class_name, reading)
        ],
    )
    _panel(axes[1], named, class_name, latencies, 1 / unit.size, width)
    axes[0].set_ylabel("requests/s")
    axes[1].set_ylabel(f"latency, {unit.name}")
    depths = _places(named)
    if under_way:
        _little(axes[2], named, class_name, depths, width)
    for each in axes:
        style.power_axis(each.xaxis, depths, [f"{depth:,.0f}" for depth in depths])
        style.log_axis(each.yaxis)
    axes[-1].set_xlabel("queue depth: requests that each client keeps under way")
    style.legend(figure, axes[1:], width, "bands: 95 % intervals")
    return figure


def _named(curves: Curve | Mapping[str, Curve]) -> Mapping[str, Curve]:
    return {"": curves} if isinstance(curves, Curve) else curves


def _places(named: Mapping[str, Curve]) -> list[float]:
    return sorted({point.value for curve in named.values() for point in curve.points})


def _panel(
    axes: Axes,
    named: Mapping[str, Curve],
    class_name: str | None,
    readings: Mapping[str, Reading],
    factor: float,
    width: Width,
) -> None:
    """One line for each curve and reading: colours tell the curves apart, markers and dashes all lines."""
    place = 0
    for number_, (name, curve) in enumerate(named.items()):
        for reading, (ending, read) in enumerate(readings.items()):
            found = _readings(curve, class_name, read)
            last = reading == len(readings) - 1
            look = style.Line(
                style.line(number_).colour,
                style.line(place).marker,
                style.DASHES[0] if last else style.DASHES[1],
            )
            label = f"{style.shown(name, width)}{ending}".removeprefix(": ")
            style.curve(axes, [x for x, _ in found], [e for _, e in found], factor, look, label)
            place += 1


def _readings(curve: Curve, class_name: str | None, read: Reading) -> list[tuple[float, Estimate]]:
    answered = (point for point in curve.points if point.result.classes)
    return [(point.value, read(_class(point.result, class_name))) for point in answered]


def _class(result: Result, name: str | None) -> Figures:
    return (result.classes[0] if name is None else result.class_named(name)).all


def _little(
    axes: Axes, named: Mapping[str, Curve], class_name: str | None, depths: Sequence[float], width: Width
) -> None:
    for place, (name, curve) in enumerate(named.items()):
        rates = _readings(curve, class_name, lambda f: f.rate_per_s)
        means = _readings(curve, class_name, lambda f: f.latency_s["mean"])
        both = [
            (x, rate.value * mean.value)
            for (x, rate), (_, mean) in zip(rates, means, strict=True)
            if rate.value is not None and mean.value is not None
        ]
        look = style.line(place)
        axes.plot(
            [x for x, _ in both],
            [product for _, product in both],
            color=look.colour,
            marker=look.marker,
            markersize=5,
            linestyle="none",
            label=f"{style.shown(name, width)}: rate × mean latency".removeprefix(": "),
        )
    axes.plot(depths, depths, color=style.FAINT, linewidth=1.2, label="Little's law, one client")
    axes.set_ylabel("requests under way")
