"""How do several designs compare? Mean and p99 of each class, design by design."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from tailrace.answer.result import ClassResult, Result
from tailrace.report.figures import unit_of
from tailrace.report.pictures import style
from tailrace.report.pictures.style import Width

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

QUANTITIES = ("p50", "mean", "p99")
MOST_PANELS = 6


def comparison(
    results: Sequence[Result],
    names: Sequence[str] | None = None,
    classes: Sequence[str] | None = None,
    quantities: Sequence[str] = QUANTITIES,
    width: Width = "wide",
) -> Figure:
    """Latencies of several answers side by side, a panel a class, with intervals and targets.

    Args:
        results: answers, from the top down.
        names: what to call them; their titles if left out.
        classes: names of those to draw; the first six of all answers if left out.
        quantities: of latency, by their names in an answer.
        width: "wide" for a page, "narrow" for a telephone.

    Raises:
        ValueError: no answer, or not a name for each.
    """
    labels = [each.title for each in results] if names is None else list(names)
    if not results or len(labels) != len(results):
        raise ValueError(
            f"{len(labels)} names for {len(results)} answers; accepted: a name for each of at least one"
        )
    found = list(dict.fromkeys(each.name for result in results for each in result.classes))
    shown = [name for name in found if classes is None or name in classes][:MOST_PANELS]
    rows = [_with_class(results, labels, name) for name in shown]
    sizes = [0.75 + 0.36 * len(each) for each in rows] or [1.0]
    figure, panels = style.canvas(width, 0.9 + sum(sizes), rows=len(sizes), height_ratios=sizes)
    if not shown:
        style.nothing(panels[0], "no latency was measured", width)
        return figure
    for axes, name, mine in zip(panels, shown, rows, strict=True):
        _panel(axes, mine, name, quantities, width)
    style.legend(figure, panels, width, "bars: 95 % intervals")
    return figure


def _with_class(
    results: Sequence[Result], labels: Sequence[str], name: str
) -> list[tuple[str, ClassResult | None]]:
    """The class in the answers that have it; None in those of an overloaded server, which have no class at all."""
    rows = []
    for label, result in zip(labels, results, strict=True):
        mine = next((each for each in result.classes if each.name == name), None)
        if mine is not None or result.overload is not None:
            rows.append((label, mine))
    return rows


def _panel(
    axes: Axes,
    rows: Sequence[tuple[str, ClassResult | None]],
    name: str,
    quantities: Sequence[str],
    width: Width,
) -> None:
    mine = [each for _, each in rows if each is not None]
    values = (each.all.latency_s[quantity].value for each in mine for quantity in quantities)
    known = [value for value in values if value is not None]
    unit = unit_of("time", known)
    scale = 1 / unit.size
    reach = [value * scale for value in known]
    for place, (_, each) in enumerate(rows):
        if each is not None:
            reach += style.latencies(axes, [place], [each], quantities, scale, lying=True)
        else:
            across, small = axes.get_yaxis_transform(), style.SMALL_PT[width]
            said = "overloaded: no latency"
            axes.text(0.01, place, said, transform=across, va="center", fontsize=small, color=style.FAINT)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_yticks(range(len(rows)), [style.shown(label, "narrow") for label, _ in rows])
    axes.tick_params(axis="y", length=0)
    if reach:
        axes.set_xlim(min(reach) / 1.4, max(reach) * 1.4)
        style.log_axis(axes.xaxis)
    axes.set_xlabel(f"latency, {unit.name}")
    style.title(axes, f"Class {name}", width)
