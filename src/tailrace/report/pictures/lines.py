"""Lines over one axis, panel by panel, and their numbers as a table."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tailrace.measure.interval import IntervalEstimate
from tailrace.report.figures import number
from tailrace.report.pictures import style
from tailrace.report.pictures.style import Width
from tailrace.report.table import Cell, Head, Table, unknown

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Series:
    """What was found at each place, in SI units, and what theory says there, if it says anything.

    ``ending`` follows the label, however much that is shortened. If no look is given, it is that of its place among the
    different labels of a picture: a legend shows each of them once.
    """

    label: str
    x: tuple[float, ...]
    found: tuple[IntervalEstimate, ...]
    exact: tuple[float, ...] | None = None
    ending: str = ""
    look: style.Line | None = None
    theory: str = "exact value"


@dataclass(frozen=True)
class Panel:
    """Series on one vertical axis; ``factor`` brings them from SI into the unit that the label names.

    ``limits`` are lines across, with a name each, in SI units.
    """

    label: str
    series: tuple[Series, ...]
    factor: float = 1e3
    logarithmic: bool = True
    limits: tuple[tuple[str, float], ...] = ()


def lines(
    panels: Sequence[Panel],
    x_label: str,
    written: Callable[[float], str] | None = None,
    logarithmic: bool = False,
    height_in: float | None = None,
) -> Callable[[Width], Figure]:
    """The panels one above the other over a common axis: with a label at each place, or logarithmic, or linear."""

    def drawn(width: Width) -> Figure:
        height = 2.9 * len(panels) + 1.2 if height_in is None else height_in
        figure, axes = style.canvas(width, height, rows=len(panels), sharex=True)
        names = dict.fromkeys((one.label, one.ending) for panel in panels for one in panel.series)
        looks = {name: style.line(place) for place, name in enumerate(names)}
        for panel, each in zip(panels, axes, strict=True):
            for one in panel.series:
                label = f"{style.shown(one.label, width)}{one.ending}".removeprefix(": ")
                look = one.look or looks[one.label, one.ending]
                style.curve(each, one.x, one.found, panel.factor, look, label)
                if one.exact is not None:
                    exact = [value * panel.factor for value in one.exact]
                    each.plot(one.x, exact, color=style.FAINT, linewidth=1.1, zorder=1.5, label=one.theory)
            for label, value in panel.limits:
                style.limit(each, value * panel.factor, label)
            each.set_ylabel(panel.label)
            if panel.logarithmic:
                style.log_axis(each.yaxis)
            else:
                style.plain_axis(each.yaxis)
                each.set_ylim(bottom=0)
        places = sorted({x for panel in panels for one in panel.series for x in one.x})
        if written is not None:
            style.power_axis(axes[-1].xaxis, places, [written(x) for x in places])
        elif logarithmic:
            style.log_axis(axes[-1].xaxis)
        axes[-1].set_xlabel(style.wrapped(x_label, width))
        said = "bands: 95 % intervals"
        if any(each.value is None for panel in panels for one in panel.series for each in one.found):
            said += "; no mark: runs too short"
        style.legend(figure, axes, width, said)
        return figure

    return drawn


def table(panels: Sequence[Panel], x_label: str) -> Table:
    """The numbers of these lines, a row for each place."""
    columns = [(panel, one) for panel in panels for one in panel.series]
    places = sorted({x for _, one in columns for x in one.x})
    rows = []
    for place in places:
        cells: list[Cell] = []
        for panel, one in columns:
            at = dict(zip(one.x, range(len(one.x)), strict=True)).get(place)
            cells.append(unknown() if at is None else one.found[at].scaled(panel.factor))
            if one.exact is not None:
                cells.append("–" if at is None else number(one.exact[at] * panel.factor, 4))
        rows.append((number(place), *cells))
    head: list[Head | str] = [x_label]
    for panel, one in columns:
        head.append(f"{one.label}, {_unit(panel)}")
        if one.exact is not None:
            head.append("exact")
    return Table.of(head, rows)


def _unit(panel: Panel) -> str:
    return panel.label.rsplit(", ", 1)[-1]
