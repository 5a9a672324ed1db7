"""Lines over one axis, panel by panel, as the lessons need them, with their table."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from tailrace.answer.result import Result
from tailrace.lessons.lesson import Drawing
from tailrace.lessons.trials import figures
from tailrace.measure.estimate import Estimate
from tailrace.report.figures import number
from tailrace.report.pictures import style
from tailrace.report.pictures.style import Width
from tailrace.report.table import Cell, Head, Table, unknown

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_Place = TypeVar("_Place", int, float)


@dataclass(frozen=True)
class Series:
    """What was found at each place, in SI units, and what theory says there, if it says anything."""

    label: str
    x: tuple[float, ...]
    found: tuple[Estimate, ...]
    exact: tuple[float, ...] | None = None


def latencies(
    label: str,
    quantity: str,
    answers: Mapping[_Place, Result],
    places: Sequence[_Place],
    exact: Callable[[_Place], float] | None = None,
    *,
    name: str | None = None,
    factor: float = 1.0,
) -> Series:
    """Mean or quantile of a class, the first without a name, at places of which ``factor`` times the value is shown."""
    return Series(
        label,
        tuple(factor * place for place in places),
        tuple(figures(answers[place], name).latency_s[quantity] for place in places),
        None if exact is None else tuple(exact(place) for place in places),
    )


@dataclass(frozen=True)
class Panel:
    """Series on one vertical axis; ``factor`` brings them from SI into the unit that the label names."""

    label: str
    series: tuple[Series, ...]
    factor: float = 1e3
    logarithmic: bool = True


def drawing(
    name: str,
    panels: Sequence[Panel],
    x_label: str,
    alternative: str,
    caption: str,
    written: Callable[[float], str] | None = None,
    logarithmic: bool = False,
) -> Drawing:
    """Panels one above the other as a picture of a lesson, with their numbers.

    The common axis has a label at each place where ``written`` makes one, or is ``logarithmic``, or linear.
    """
    several = sum(len(panel.series) for panel in panels) > 1
    numbers = (f"Points of the line{'s' if several else ''}", _table(panels, x_label))
    return Drawing(name, _lines(panels, x_label, written, logarithmic), alternative, caption, (numbers,))


def _lines(
    panels: Sequence[Panel], x_label: str, written: Callable[[float], str] | None, logarithmic: bool
) -> Callable[[Width], Figure]:
    def drawn(width: Width) -> Figure:
        figure_, axes = style.canvas(width, 2.9 * len(panels) + 1.2, rows=len(panels), sharex=True)
        place = 0
        for panel, each in zip(panels, axes, strict=True):
            for one in panel.series:
                look = style.line(place)
                style.curve(each, one.x, one.found, panel.factor, look, style.shown(one.label, width))
                if one.exact is not None:
                    exact = [value * panel.factor for value in one.exact]
                    each.plot(one.x, exact, color=style.FAINT, linewidth=1.1, zorder=1.5, label="exact value")
                place += 1
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
        axes[-1].set_xlabel(x_label)
        style.legend(figure_, axes, width, "bands: 95 % intervals")
        return figure_

    return drawn


def _table(panels: Sequence[Panel], x_label: str) -> Table:
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
