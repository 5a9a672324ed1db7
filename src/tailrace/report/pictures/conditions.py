"""What does each class see in every condition, beside its load? In the order of the day."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from tailrace.report.figures import number, unit_of
from tailrace.report.pictures import style
from tailrace.report.pictures.style import Width
from tailrace.study.conditions import ConditionResult, Conditions

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

QUANTITIES = ("mean", "p99")
MOST_PANELS = 4
ROOM = {"wide": 76, "narrow": 28}
"""Letters of all names together from which on these stand upright."""
LETTER_IN = 0.08
"""Height that a letter of an upright name takes, in inches."""


def conditions_picture(
    found: Conditions, classes: Sequence[str] | None = None, width: Width = "wide"
) -> Figure:
    """Mean and p99 of each class in every condition with intervals and limits, above the load of each.

    Args:
        found: an answer with conditions.
        classes: names of those to draw; the first four if left out.
        width: "wide" for a page, "narrow" for a telephone.
    """
    every = list(dict.fromkeys(one.name for each in found.conditions for one in each.result.classes))
    shown = [name for name in every if classes is None or name in classes][:MOST_PANELS]
    heights = [*([2.5] * max(len(shown), 1)), 2.1]
    labels = [style.shown(_label(each), "narrow") for each in found.conditions]
    upright = sum(map(len, labels)) > ROOM[width]
    room = LETTER_IN * max(map(len, labels)) if upright else 0.0
    figure, panels = style.canvas(width, 0.9 + room + sum(heights), rows=len(heights), height_ratios=heights)
    if not shown:
        style.nothing(panels[0], "no latency was measured", width)
    for axes, name in zip(panels, shown, strict=False):
        _latencies(axes, found.conditions, name, width)
    _loads(panels[-1], found.conditions, width)
    for axes in panels:
        # Upright names stand once, below all: under every panel they would leave no room for what is drawn.
        named = not upright or axes is panels[-1]
        axes.set_xticks(
            range(len(labels)), labels if named else [""] * len(labels), rotation=90 if upright else 0
        )
        axes.set_xlim(-0.6, len(labels) - 0.4)
        axes.set_xlabel("condition")
    style.legend(figure, panels, width, "bars: 95 % intervals")
    return figure


def _label(each: ConditionResult) -> str:
    return each.name if each.hours is None else f"{each.name}, {number(each.hours)} h"


def _latencies(axes: Axes, conditions: Sequence[ConditionResult], name: str, width: Width) -> None:
    mine = {
        place: one for place, each in enumerate(conditions) for one in each.result.classes if one.name == name
    }
    known = [one.all.latency_s[q].value for one in mine.values() for q in QUANTITIES]
    unit = unit_of("time", known)
    scale = 1 / unit.size
    reach = [value * scale for value in known if value is not None]
    reach += style.latencies(axes, list(mine), list(mine.values()), QUANTITIES, scale, lying=False)
    for place, each in enumerate(conditions):
        empty = "overloaded" if each.result.overload is not None else "" if each.is_known else "left out"
        if empty:
            axes.text(
                place, 0.5, empty, transform=axes.get_xaxis_transform(), ha="center", va="center",
                rotation=90, fontsize=style.SMALL_PT[width], color=style.FAINT,
            )  # fmt: skip
    if reach:
        axes.set_ylim(min(reach) / 1.5, max(reach) * 1.5)
        style.log_axis(axes.yaxis)
    axes.set_ylabel(f"latency, {unit.name}")
    style.title(axes, f"Class {name}", width)


def _loads(axes: Axes, conditions: Sequence[ConditionResult], width: Width) -> None:
    shares = np.full(len(conditions), np.nan)
    for place, each in enumerate(conditions):
        overload, saturation = each.result.overload, each.result.theory.saturation
        if overload is not None and overload.largest_load_factor > 0:
            shares[place] = 100 / overload.largest_load_factor
        elif saturation is not None:
            shares[place] = 100 / saturation.load_factor
    axes.bar(range(len(conditions)), np.nan_to_num(shares), width=0.6, **style.bar(2))
    style.limit(axes, 100.0, "all that can be carried")
    axes.set_ylim(0, max(110.0, 1.1 * float(np.nan_to_num(shares).max())))
    axes.set_ylabel("load, %")
    style.title(axes, "Load, of what saturates the server", width)
