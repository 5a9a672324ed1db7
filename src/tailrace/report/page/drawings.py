"""The pictures of a report, each with its text alternative and its numbers."""

from __future__ import annotations

from collections.abc import Iterator

from tailrace.answer.result import ClassResult, Result
from tailrace.quantity import Quantity
from tailrace.report.columns.answer import class_figures, stage_times
from tailrace.report.figures import number, time_text
from tailrace.report.page import tables
from tailrace.report.page.site import Drawing
from tailrace.report.pictures.comparison import comparison
from tailrace.report.pictures.curves import queue_depth_curve
from tailrace.report.pictures.distribution import latency_distribution
from tailrace.report.pictures.load import load_curve
from tailrace.report.pictures.stages import time_per_stage
from tailrace.report.pictures.style import MOST_LINES
from tailrace.report.sentences import tail_sentence
from tailrace.report.table import Table
from tailrace.study.account import Account
from tailrace.study.curve import LoadCurve

MOST_CLASSES = 24
"""Classes whose latency a report draws, six a picture."""


def latency(each: Account, prefix: str) -> Iterator[Drawing]:
    """The distribution of latency, six classes a picture."""
    for begin, some in _groups(each.result):
        names = [found.name for found in some]
        yield Drawing(
            f"{prefix}-latency-{begin}",
            lambda width, names=names: latency_distribution(each.result, names, each.closed_tail_s, width),  # type: ignore[misc]
            "Share of the requests that take longer than a given time, on logarithmic axes. "
            f"{' '.join(map(_said, some))}",
            "How to read it: each line says which share of the requests takes longer than the time below it. It has to "
            "pass to the left of the corner of its target.",
            (
                ("Points of the lines", tables.distribution(each.result, names)),
                *((f"Class {found.name}", class_figures(found)) for found in some),
            ),
        )


def time_spent(each: Account, prefix: str) -> Iterator[Drawing]:
    """Where the time goes, six classes a picture."""
    for begin, some in _groups(each.result):
        names = [found.name for found in some]
        tails = ((found.name, tail_sentence(found.all)) for found in some)
        said = " ".join(f"{name}: {tail}" for name, tail in tails if tail)
        yield Drawing(
            f"{prefix}-stages-{begin}",
            lambda width, names=names: time_per_stage(each.result, names, width),  # type: ignore[misc]
            f"Time at each stage, waiting apart from service, for the median request and the slowest 1 %. {said}",
            said,
            tuple((f"Class {found.name}", _stages(found)) for found in some),
        )


def load(each: Account, prefix: str) -> Drawing | None:
    """Latency against load, or against queue depth where no class is open."""
    if each.load is not None:
        curve = each.load
        return Drawing(
            f"{prefix}-load",
            lambda width: load_curve(curve, width=width),
            f"Mean and p99 latency against the open load. {_load_said(curve)}",
            f"{_load_said(curve)} The points come from short runs: their intervals are wide, and where even "
            "those cannot be given, nothing is drawn.",
            (("Points of the curve", tables.load_points(curve)),),
        )
    if each.depth is not None and each.depth_class is not None:
        depth, name = each.depth, each.depth_class
        said = f"Throughput and latency of class {name} against its queue depth."
        promised = dict(next(one for one in each.scenario.workload if one.name == name).limits)
        return Drawing(
            f"{prefix}-depth",
            lambda width: queue_depth_curve(depth, name, width=width, limits=promised),
            said,
            f"{said} No class is open, so the load follows the server.",
            (("Points of the curve", tables.depth_points(depth, name)),),
        )
    return None


def side_by_side(named: list[tuple[str, Result]]) -> Drawing:
    """Several answers compared."""
    results, names = [result for _, result in named], [name for name, _ in named]
    return Drawing(
        "compared",
        lambda width: comparison(results, names, width=width),
        "Median, mean and p99 latency of each class, scenario by scenario.",
        "Marks are the figures, bars through them their 95 % intervals, dashed strokes the targets.",
        (("The same in numbers", tables.compared(named)),),
    )


def _groups(result: Result) -> Iterator[tuple[int, tuple[ClassResult, ...]]]:
    """Classes that share a picture, with the place of the first."""
    classes = result.classes[:MOST_CLASSES]
    for begin in range(0, len(classes), MOST_LINES):
        yield begin, classes[begin : begin + MOST_LINES]


def _stages(each: ClassResult) -> Table:
    figures = each.all
    samples = {
        "median": figures.median_stages,
        "slowest 1 %": figures.slowest_stages,
        "all": figures.stages,
    }
    return stage_times(samples)


def _said(each: ClassResult) -> str:
    found = ((Quantity(name), each.all.latency_s[name].value) for name in ("p50", "p99"))
    parts = [f"{quantity.shown} {time_text(value)}" for quantity, value in found if value is not None]
    return f"Class {each.name}: {', '.join(parts) or 'not known'}."


def _load_said(curve: LoadCurve) -> str:
    today = f"Today's load is {number(curve.rate_per_s, 4)} requests/s"
    if curve.saturation is None:
        return f"{today}; nothing is known to saturate."
    share = 100 / curve.saturation.load_factor
    largest = curve.saturation.load_factor * curve.rate_per_s
    return (
        f"{today}, {number(share)} % of the {number(largest)} at which {curve.saturation.station} saturates."
    )
