"""The pictures of a report: each at two widths, with its text alternative and its numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from tailrace.answer.result import ClassResult, Result
from tailrace.report.figures import TIME_UNITS, number, time_unit
from tailrace.report.page import tables
from tailrace.report.pictures.comparison import comparison
from tailrace.report.pictures.curves import queue_depth_curve
from tailrace.report.pictures.distribution import latency_distribution
from tailrace.report.pictures.load import load_curve
from tailrace.report.pictures.save import inline_svg
from tailrace.report.pictures.stages import time_per_stage
from tailrace.report.pictures.style import MOST_LINES, Width
from tailrace.report.sentences import tail_sentence
from tailrace.study.account import Account
from tailrace.study.curve import LoadCurve

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_CLASSES = 24
"""Classes whose latency a report draws, six a picture."""


@dataclass(frozen=True)
class Picture:
    """A picture for wide and narrow screens, what it shows in words, and its numbers."""

    wide: Markup
    narrow: Markup
    alternative: str
    caption: str
    numbers: tuple[tuple[str, tables.Table], ...]


def draw(
    name: str,
    figure: Callable[[Width], Figure],
    alternative: str,
    caption: str,
    *numbers: tuple[str, tables.Table],
) -> Picture:
    """Draw a picture at both widths; ``name`` is an identifier that no other picture of the page has."""
    # The names in it were escaped when it was written.
    wide, narrow = (Markup(inline_svg(figure(width), f"{name}-{width}")) for width in ("wide", "narrow"))
    return Picture(wide, narrow, alternative, caption, numbers)


def latency(each: Account, prefix: str) -> Iterator[Picture]:
    """The distribution of latency, six classes a picture."""
    names = [found.name for found in each.result.classes][:MOST_CLASSES]
    for begin in range(0, len(names), MOST_LINES):
        some = names[begin : begin + MOST_LINES]
        said = " ".join(_said(each.result.class_named(name)) for name in some)
        yield draw(
            f"{prefix}-latency-{begin}",
            lambda width, some=some: latency_distribution(each.result, some, each.closed_tail_s, width),  # type: ignore[misc]
            f"Share of the requests that take longer than a given time, on logarithmic axes. {said}",
            "How to read it: each line says which share of the requests takes longer than the time below it. It has to "
            "pass to the left of the corner of its target.",
            ("Points of the lines", tables.distribution(each.result, some)),
            *((f"Class {name}", tables.class_figures(each.result.class_named(name))) for name in some),
        )


def time_spent(each: Account, prefix: str) -> Iterator[Picture]:
    """Where the time goes, six classes a picture."""
    classes = each.result.classes[:MOST_CLASSES]
    for begin in range(0, len(classes), MOST_LINES):
        some = classes[begin : begin + MOST_LINES]
        names = [found.name for found in some]
        tails = ((found.name, tail_sentence(found.all)) for found in some)
        said = " ".join(f"{name}: {tail}" for name, tail in tails if tail)
        yield draw(
            f"{prefix}-stages-{begin}",
            lambda width, names=names: time_per_stage(each.result, names, width),  # type: ignore[misc]
            f"Time at each stage, waiting apart from service, for the median request and the slowest 1 %. {said}",
            said,
            *((f"Class {found.name}", tables.stage_times(found)) for found in some),
        )


def load(each: Account, prefix: str) -> Picture | None:
    """Latency against load, or against queue depth where no class is open."""
    if each.load is not None:
        curve = each.load
        return draw(
            f"{prefix}-load",
            lambda width: load_curve(curve, width=width),
            f"Mean and p99 latency against the open load. {_load_said(curve)}",
            f"{_load_said(curve)} The points come from short runs: their intervals are wide, and where even "
            "those cannot be given, nothing is drawn.",
            ("Points of the curve", tables.load_points(curve)),
        )
    if each.depth is not None and each.depth_class is not None:
        depth, name = each.depth, each.depth_class
        said = f"Throughput and latency of class {name} against its queue depth."
        return draw(
            f"{prefix}-depth",
            lambda width: queue_depth_curve(depth, name, width=width),
            said,
            f"{said} No class is open, so the load follows the server.",
            ("Points of the curve", tables.depth_points(depth, name)),
        )
    return None


def side_by_side(named: list[tuple[str, Result]]) -> Picture:
    """Several answers compared."""
    results, names = [result for _, result in named], [name for name, _ in named]
    return draw(
        "compared",
        lambda width: comparison(results, names, width=width),
        "Median, mean and p99 latency of each class, scenario by scenario.",
        "Marks are the figures, bars through them their 95 % intervals, dashed strokes the targets.",
        ("The same in numbers", tables.compared(named)),
    )


def _said(each: ClassResult) -> str:
    parts = []
    for name in ("p50", "p99"):
        value = each.all.latency_s[name].value
        if value is not None:
            unit = time_unit([value])
            parts.append(f"{name} {number(value / TIME_UNITS[unit])} {unit}")
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
