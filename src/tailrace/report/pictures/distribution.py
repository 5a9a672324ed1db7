"""Which share of the requests takes longer than this? The distribution of latency, tail first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tailrace.answer.result import ClassResult, Figures, Result
from tailrace.measure.interval import IntervalEstimate
from tailrace.quantity import Quantity
from tailrace.report.figures import cut, time_text, unit_of
from tailrace.report.pictures import style
from tailrace.report.pictures.style import Width

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Tail:
    """One line of the picture: quantiles of latency in seconds by probability, and those of closed forms.

    ``marked`` are the probabilities of the quantiles that stand in the tables.
    """

    label: str
    quantiles_s: Mapping[float, IntervalEstimate]
    marked: frozenset[float]
    theory_s: Mapping[float, float]


def latency_distribution(
    result: Result,
    classes: Sequence[str] | None = None,
    theory: Mapping[str, Mapping[float, float]] | None = None,
    width: Width = "wide",
) -> Figure:
    """The complementary distribution of latency on logarithmic axes, with its interval bands and the targets.

    Args:
        result: an answer; where it is overloaded there is nothing to draw but that.
        classes: names of those to draw; the first six if left out. A class drawn alone has its reads and writes apart.
        theory: seconds by probability, by class: quantiles that closed forms give. The p99 of the answer's own theory
            is drawn where that is left out.
        width: "wide" for a page, "narrow" for a telephone.

    Raises:
        KeyError: a class that the answer does not have.
    """
    figure, (axes,) = style.canvas(width, 4.4 if width == "wide" else 4.2)
    chosen = [result.class_named(name) for name in classes] if classes is not None else list(result.classes)
    shown = chosen[: style.MOST_LINES]
    tails = [tail for each in shown for tail in tails_of(each, result, theory, alone=len(shown) == 1)]
    # By the median and beyond: the few that are faster must not make the unit small.
    known = [
        e.value for tail in tails for p, e in tail.quantiles_s.items() if p >= 0.5 and e.value is not None
    ]
    if not known:
        style.nothing(
            axes, "overloaded: no latency to show" if result.overload else "no latency was measured", width
        )
        return figure
    unit = unit_of("time", known)
    scale = 1 / unit.size
    axes.set_xscale("log")
    for place, tail in enumerate(tails):
        _tail(axes, tail, scale, style.line(place), width)
    shares = [1 - p for tail in tails for p, e in tail.quantiles_s.items() if e.value is not None]
    # A promise is in the picture even where nothing is known that far out.
    promised = [t.quantity.probability for each in shown for t in each.targets]
    lowest = min(*shares, *(1 - p for p in promised if p is not None), 1.0)
    axes.set_ylim(lowest / 1.6, 1.15)
    for place, each in enumerate(shown):
        _targets(axes, each, scale, style.line(place).colour if len(shown) > 1 else style.INK)
    style.log_axis(axes.xaxis)
    _shares(axes)
    axes.set_xlabel(f"latency, {unit.name}")
    axes.set_ylabel("requests that take longer, %")
    hidden = len(chosen) - len(shown)
    said = "bands: 95 % intervals" + (f"; {hidden} more classes not drawn" if hidden else "")
    style.legend(figure, [axes], width, said)
    return figure


def tails_of(
    each: ClassResult,
    result: Result,
    theory: Mapping[str, Mapping[float, float]] | None = None,
    alone: bool = True,
) -> Iterator[Tail]:
    """The lines of one class: all its requests and, if it is alone and has both, reads and writes apart."""
    if theory is not None:
        closed = theory.get(each.name, {})
    else:
        found = result.theory.classes.get(each.name)
        closed = {} if found is None or found.p99_s is None else {0.99: found.p99_s}
    both = alone and len(each.kinds) > 1
    yield _tail_of(f"{each.name}: all requests" if both else each.name, each.all, closed)
    if both:
        for kind, figures in each.kinds.items():
            yield _tail_of(f"{each.name}: {kind}s", figures, {})


def _tail_of(label: str, figures: Figures, closed: Mapping[float, float]) -> Tail:
    told = {p: e for name, e in figures.latency_s.items() if (p := Quantity(name).probability) is not None}
    return Tail(label, figures.distribution_s or told, frozenset(told), closed)


def _tail(axes: Axes, tail: Tail, scale: float, look: style.Line, width: Width) -> None:
    label = style.shown(tail.label, width)
    known = sorted(p for p, estimate in tail.quantiles_s.items() if estimate.value is not None)
    share, value, low, high = style.figures(
        [1 - p for p in known], [tail.quantiles_s[p] for p in known], scale
    )
    axes.plot(
        value,
        share,
        color=look.colour,
        linestyle=look.dash,
        marker=look.marker,
        markersize=4.5,
        # On the quantiles of the tables, so that a line is told from another where they touch.
        markevery=[place for place, p in enumerate(known) if p in tail.marked],
        linewidth=1.7,
        label=label,
    )
    band = np.isfinite(low)
    axes.fill_betweenx(share[band], low[band], high[band], color=look.colour, alpha=0.22, linewidth=0)
    if tail.theory_s:
        points = sorted(tail.theory_s.items())
        axes.plot(
            [seconds * scale for _, seconds in points],
            [1 - p for p, _ in points],
            color=style.INK,
            linestyle=(0, (1, 1.6)) if len(points) > 1 else "none",
            marker="" if len(points) > 1 else "+",
            markersize=10,
            linewidth=1.6,
            zorder=4,
            label=f"{label.removesuffix(': all requests')}: closed form",
        )


def _targets(axes: Axes, each: ClassResult, scale: float, colour: str) -> None:
    """Each promise of a quantile as a corner that its line has to pass below and to the left of; means are ticks."""
    low, high = axes.get_xlim()
    for target in each.targets:
        quantity = target.quantity
        if not quantity.is_latency:
            continue
        limit = target.limit * scale
        low, high = min(low, limit / 1.6), max(high, limit * 1.6)
        probability = quantity.probability
        share = axes.get_ylim()[0] if probability is None else 1 - probability
        label = f"target: {quantity.shown} {quantity.bound} {time_text(target.limit, 6)}"
        axes.plot([limit, limit], [share, 1.15], color=colour, linewidth=1.1, linestyle=(0, (5, 2)))
        axes.plot(
            [limit],
            [share],
            color=colour,
            marker="|" if probability is None else 8,
            markersize=9,
            linestyle=(0, (5, 2)),
            linewidth=1.1,
            label=cut(label, 60),
        )
    axes.set_xlim(low, high)


def _shares(axes: Axes) -> None:
    """100, 50, 10, 1, 0.1 … % on the axis of shares."""
    from matplotlib.ticker import NullLocator

    axes.set_yscale("log")
    lowest = axes.get_ylim()[0]
    marks = [share for share in (1.0, 0.5, 0.1, 0.05, 0.01, 0.005, 1e-3, 1e-4, 1e-5, 1e-6) if share >= lowest]
    axes.set_yticks(marks, [f"{100 * mark:.6g}" for mark in marks])
    axes.yaxis.set_minor_locator(NullLocator())
