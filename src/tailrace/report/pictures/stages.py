"""Where does the time of a request go? Bars of time, stage by stage or part by part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tailrace.answer.result import Result, StageTimes
from tailrace.plan.columns import STAGES
from tailrace.report.figures import time_text, unit_of
from tailrace.report.pictures import style
from tailrace.report.pictures.style import Width

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FAR_APART = 8.0
"""Ratio of the longest bar to the shortest from which on bars show shares: seconds would leave the short ones blank."""
MOST_CLASSES = 6


@dataclass(frozen=True)
class Bar:
    """One bar: its label, and the mean seconds of each stage, waited and served; shape (4,) each."""

    label: str
    wait_s: tuple[float, ...]
    service_s: tuple[float, ...]

    @property
    def total_s(self) -> float:
        """The whole latency."""
        return sum(self.wait_s) + sum(self.service_s)


def time_per_stage(result: Result, classes: Sequence[str] | None = None, width: Width = "wide") -> Figure:
    """Wait and service at each stage, of the median request and of the slowest 1 %, a bar each.

    Bars are in seconds, or shares of the latency where one is more than eight times as long as another; their labels
    give the whole latency.

    Args:
        result: an answer.
        classes: names of those to draw; the first six if left out.
        width: "wide" for a page, "narrow" for a telephone.
    """
    names = [each.name for each in result.classes]
    chosen = [name for name in names if classes is None or name in classes]
    bars = [bar for name in chosen[:MOST_CLASSES] for bar in bars_of(result, name)]
    bar_in = 0.42 if width == "wide" else 0.5
    figure, (axes,) = style.canvas(
        width, 1.5 + bar_in * max(len(bars), 2) + (0.5 if width == "narrow" else 0)
    )
    if not bars:
        style.nothing(
            axes, "overloaded: no latency to show" if result.overload else "no latency was measured", width
        )
        return figure
    totals = [bar.total_s for bar in bars]
    shares = max(totals) > FAR_APART * min(totals)
    unit = unit_of("time", [max(totals)])
    for place, bar in enumerate(bars):
        scale = 100 / bar.total_s if shares else 1 / unit.size
        _stacked(axes, place, bar, scale)
        if not shares:
            axes.annotate(
                time_text(bar.total_s),
                (bar.total_s * scale, place),
                (3, 0),
                textcoords="offset points",
                va="center",
                fontsize=style.SMALL_PT[width],
                color=style.INK,
            )
    style.rows(axes, [_label(bar, shares, len(chosen) > 1) for bar in bars])
    axes.set_xlim(0, 100 if shares else 1.14 * max(totals) / unit.size)
    axes.set_xlabel("share of the latency, %" if shares else f"mean time, {unit.name}")
    hidden = len(chosen) - min(len(chosen), MOST_CLASSES)
    stage_legend(figure, width, f"{hidden} more classes not drawn" if hidden else "")
    return figure


def bars_of(result: Result, name: str) -> list[Bar]:
    """The bars of a class: the median request and the slowest 1 %."""
    figures = result.class_named(name).all
    parts = (("median request", figures.median_stages), ("slowest 1 %", figures.slowest_stages))
    return [bar for said, stages in parts if (bar := _bar(f"{name}\n{said}", stages)) is not None]


def stacked_time(
    labels: Sequence[str],
    parts_s: Mapping[str, Sequence[float]],
    axis_label: str,
    shares: bool = False,
    width: Width = "wide",
) -> Figure:
    """Time per request as stacked bars, one a label, by part: seek, rotation and transfer, say.

    Bars of shares have their whole time above them.

    Args:
        labels: of the bars, from left to right; L of them.
        parts_s: seconds of each part, L numbers each, from below to the top.
        axis_label: what the labels are.
        shares: as shares of each bar's whole instead of time.
        width: "wide" for a page, "narrow" for a telephone.

    Raises:
        ValueError: a part with another number of seconds than there are labels.
    """
    figure, (axes,) = style.canvas(width, 4.0)
    totals = [0.0] * len(labels)
    for name, seconds in parts_s.items():
        if len(seconds) != len(labels):
            raise ValueError(f"part {name!r} has {len(seconds)} values for {len(labels)} labels")
        totals = [total + each for total, each in zip(totals, seconds, strict=True)]
    unit = unit_of("time", [max(totals, default=0.0)])
    scales = [100 / total if shares and total else 1 / unit.size for total in totals]
    base = [0.0] * len(labels)
    for place, (name, seconds) in enumerate(parts_s.items()):
        heights = [each * scale for each, scale in zip(seconds, scales, strict=True)]
        axes.bar(
            range(len(labels)),
            heights,
            bottom=base,
            width=0.72,
            label=style.shown(name, width),
            **style.bar(place),
        )
        base = [low + height for low, height in zip(base, heights, strict=True)]
    room = 5 if width == "narrow" else 16
    step = max(-(-len(labels) // room), 1)
    axes.set_xticks(range(0, len(labels), step), [style.shown(each, width) for each in labels[::step]])
    for place in range(0, len(labels), step) if shares else ():
        axes.annotate(
            time_text(totals[place]),
            (place, 100),
            (0, 3),
            textcoords="offset points",
            ha="center",
            fontsize=style.SMALL_PT[width],
            color=style.INK,
        )
    axes.grid(axis="x", visible=False)
    style.plain_axis(axes.yaxis)
    axes.set_xlabel(axis_label)
    axes.set_ylabel("share of the time, %" if shares else f"time per request, {unit.name}")
    style.legend(figure, [axes], width)
    return figure


def _bar(label: str, stages: Mapping[str, StageTimes]) -> Bar | None:
    wait = [stages[stage].wait_s.value for stage in STAGES]
    service = [stages[stage].service_s.value for stage in STAGES]
    if any(value is None for value in (*wait, *service)):
        return None
    # The wait is a difference, and may come out below 0 by rounding.
    bar = Bar(label, tuple(max(each or 0.0, 0.0) for each in wait), tuple(each or 0.0 for each in service))
    return bar if bar.total_s > 0 else None


def _label(bar: Bar, shares: bool, several: bool) -> str:
    name, said = bar.label.rsplit("\n", 1)
    said = f"{said}, {time_text(bar.total_s)}" if shares else said
    return f"{style.shown(name, 'narrow')}\n{said}" if several else said


def _stacked(axes: Axes, place: int, bar: Bar, scale: float) -> None:
    left = 0.0
    for stage in range(len(STAGES)):
        for waits, seconds in ((True, bar.wait_s[stage]), (False, bar.service_s[stage])):
            axes.barh(place, seconds * scale, left=left, height=0.6, **look_of(stage, waits))
            left += seconds * scale


def look_of(stage: int, waits: bool) -> dict[str, Any]:
    """How a stretch of time at a stage is filled, by the stage's place."""
    colour = style.COLOURS[stage]
    if waits:
        return {"facecolor": style.PAPER, "edgecolor": colour, "hatch": "////", "linewidth": 0.8}
    return {"facecolor": colour, "edgecolor": colour, "linewidth": 0.8}


def stage_legend(figure: Figure, width: Width, said: str) -> None:
    """What the colours and hatches of the stages mean, below the axes."""
    from matplotlib.patches import Patch

    handles = [
        Patch(**look_of(stage, waits), label=f"{name}: {'wait' if waits else 'service'}")
        for stage, name in enumerate(STAGES)
        for waits in (False, True)
    ]
    drawn = figure.legend(
        handles=handles,
        loc="outside lower left",
        ncols=4 if width == "wide" else 2,
        frameon=False,
        fontsize=style.SMALL_PT[width],
        labelcolor=style.INK,
        title=said or None,
        title_fontsize=style.SMALL_PT[width],
        alignment="left",
    )
    drawn.get_title().set_color(style.FAINT)
