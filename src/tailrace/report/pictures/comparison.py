"""How do several designs compare? Mean and p99 of each class, design by design."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from tailrace.answer.result import Result
from tailrace.quantity import Quantity
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
        _panel(axes, [each for _, each in mine], [label for label, _ in mine], name, quantities, width)
    style.legend(figure, panels, width, "bars: 95 % intervals")
    return figure


def _with_class(results: Sequence[Result], labels: Sequence[str], name: str) -> list[tuple[str, Result]]:
    """Answers that have the class, and those of an overloaded server, which have none at all."""
    both = zip(labels, results, strict=True)
    return [
        (label, each)
        for label, each in both
        if each.overload is not None or any(found.name == name for found in each.classes)
    ]


def _panel(
    axes: Axes,
    results: Sequence[Result],
    labels: Sequence[str],
    name: str,
    quantities: Sequence[str],
    width: Width,
) -> None:
    mine = [each for result in results for each in result.classes if each.name == name]
    values = (each.all.latency_s[quantity].value for each in mine for quantity in quantities)
    known = [value for value in values if value is not None]
    unit = unit_of("time", known)
    scale = 1 / unit.size
    reach = [value * scale for value in known]
    for place, result in enumerate(results):
        mine = [each for each in result.classes if each.name == name]
        if not mine:
            axes.text(
                0.01,
                place,
                "overloaded: no latency",
                transform=axes.get_yaxis_transform(),
                va="center",
                fontsize=style.SMALL_PT[width],
                color=style.FAINT,
            )
            continue
        for number, quantity in enumerate(quantities):
            look = style.line(number)
            at, value, low, high = style.figures([place], [mine[0].all.latency_s[quantity]], scale)
            axes.hlines(at, low, high, color=look.colour, linewidth=2.2)
            axes.plot(
                value,
                at,
                color=look.colour,
                marker=look.marker,
                markersize=6,
                linestyle="none",
                label=Quantity(quantity).shown if value.size else None,
            )
        for target in mine[0].targets:
            if target.quantity in quantities:
                limit = target.limit * scale
                reach.append(limit)
                axes.plot(
                    [limit, limit], [place - 0.4, place + 0.4], color=style.INK, linewidth=1.2,
                    linestyle=(0, (4, 1.5)), label=f"target: {target.quantity.shown}",
                )  # fmt: skip
    axes.set_ylim(len(results) - 0.5, -0.5)
    axes.set_yticks(range(len(results)), [style.shown(label, "narrow") for label in labels])
    axes.tick_params(axis="y", length=0)
    if reach:
        axes.set_xlim(min(reach) / 1.4, max(reach) * 1.4)
        style.log_axis(axes.xaxis)
    axes.set_xlabel(f"latency, {unit.name}")
    style.title(axes, f"Class {name}", width)
