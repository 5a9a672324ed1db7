"""What does each design take, and how near to its limit is it? The front, and the one that is chosen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from tailrace.report.pictures import style
from tailrace.report.pictures.style import Width
from tailrace.study.choose import Choice, Offer, strain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

VERDICTS = ("missed", "undecided", "met")
OVERLOADED_AT = 1.35
"""How far above everything else overloaded designs stand: they have no figure."""


def choice_picture(found: Choice, width: Width = "wide") -> Figure:
    """The worst figure of each design that was simulated, in limits, over what it takes; and the front of both.

    Args:
        found: a choice.
        width: "wide" for a page, "narrow" for a telephone.
    """
    figure, (axes,) = style.canvas(width, 3.9)
    known = [each for each in found.offers if strain(each) is not None]
    overloaded = [each for each in found.offers if each.overloaded is not None]
    if not known:
        style.nothing(axes, "no design was simulated", width)
        return figure
    strains = [strain(each) or 0.0 for each in known]
    for place, verdict in enumerate(VERDICTS):
        _points(axes, [each for each in known if each.verdict == verdict], place, verdict)
    front = found.front()
    axes.step(
        [each.candidate.least for each in front], [strain(each) or 0.0 for each in front], where="post",
        color=style.FAINT, linewidth=1.2, label="front" if len(front) > 1 else None, zorder=1,
    )  # fmt: skip
    top = max([*strains, 1.0]) * OVERLOADED_AT
    if overloaded:
        look = style.line(3)
        axes.plot(
            [each.candidate.least for each in overloaded], np.full(len(overloaded), top), linestyle="none",
            marker="x", color=look.colour, label="overloaded, no figure",
        )  # fmt: skip
    style.log_axis(axes.yaxis)
    axes.set_ylim(min([*strains, 1.0]) / OVERLOADED_AT, top * OVERLOADED_AT)
    style.limit(axes, 1.0, "promise")
    if found.chosen is not None and strain(found.chosen) is not None:
        at = (found.chosen.candidate.least, strain(found.chosen) or 0.0)
        axes.plot(*at, marker="o", markersize=15, fillstyle="none", color=style.INK, linestyle="none")
    said = f"Chosen: {found.chosen.candidate.brief}" if found.chosen else "None is chosen"
    style.title(axes, style.shown(said, width), width)
    axes.locator_params(axis="x", nbins=4 if width == "narrow" else 8)
    axes.set_xlabel(found.least)
    axes.set_ylabel("worst figure, in limits")
    style.legend(figure, [axes], width, "")
    return figure


def _points(axes: Axes, rows: Sequence[Offer], place: int, name: str) -> None:
    look = style.line(place)
    if rows:
        axes.plot(
            [each.candidate.least for each in rows], [strain(each) or 0.0 for each in rows],
            linestyle="none", marker=look.marker, color=look.colour, label=name,
        )  # fmt: skip
