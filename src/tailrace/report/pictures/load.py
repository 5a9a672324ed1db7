"""How do mean and p99 grow with the load, up to saturation?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from tailrace.measure.interval import IntervalEstimate
from tailrace.quantity import Quantity
from tailrace.report.figures import unit_of
from tailrace.report.pictures import style
from tailrace.report.pictures.style import Width
from tailrace.study.curve import LoadCurve

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

QUANTITIES = ("mean", "p99")
THOUSAND = 1e4
"""Requests per second from which on the axis counts thousands."""
FAR_AWAY = 30.0
"""Times the highest figure from which on a closed form or a target may lie outside of the picture."""


def load_curve(
    curve: LoadCurve,
    classes: Sequence[str] | None = None,
    quantities: Sequence[str] = QUANTITIES,
    width: Width = "wide",
) -> Figure:
    """Mean and p99 of latency against the open load, with today's load, the saturation and the targets marked.

    Args:
        curve: answers at several loads; see :func:`tailrace.plots.load_points`.
        classes: names of those to draw; the first three if left out.
        quantities: of latency, by their names in an answer.
        width: "wide" for a page, "narrow" for a telephone.
    """
    figure, (axes,) = style.canvas(width, 4.2 if width == "wide" else 4.0)
    names = list(dict.fromkeys(each.name for point in curve.points for each in point.result.classes))
    shown = [name for name in names if classes is None or name in classes][:3]
    x = [point.value * curve.rate_per_s for point in curve.points]
    estimates = {(name, quantity): _at(curve, name, quantity) for name in shown for quantity in quantities}
    known = [e.value for each in estimates.values() for e in each if e.value is not None]
    if not known:
        style.nothing(axes, "no load at which a latency was measured", width)
        return figure
    unit = unit_of("time", known)
    scale, divisor = 1 / unit.size, 1e3 if max(x) >= THOUSAND else 1.0
    places = [each / divisor for each in x]
    reach = [value * scale for value in known]
    for place, ((name, quantity), each) in enumerate(estimates.items()):
        look = style.Line(
            # One class alone has colours for its figures.
            style.COLOURS[shown.index(name) if len(shown) > 1 else place],
            style.MARKERS[place % 6],
            style.DASHES[quantity != quantities[-1]],
        )
        label = f"{style.shown(name, width)}: {Quantity(quantity).shown}"
        style.curve(axes, places, each, scale, look, label)
        reach += _theory(axes, curve, name, quantity, places, scale)
    reach += _limits(axes, curve, shown, quantities, scale, width)
    _marks(axes, curve, divisor, width)
    highest = scale * max(known)
    axes.set_ylim(0.8 * min(reach), 1.35 * max(each for each in reach if each < FAR_AWAY * highest))
    style.log_axis(axes.yaxis)
    style.plain_axis(axes.xaxis)
    axes.set_xlim(left=0)
    axes.set_xlabel(f"open load, {'1,000 ' if divisor > 1 else ''}requests/s")
    axes.set_ylabel(f"latency, {unit.name}")
    hidden = len([name for name in names if classes is None or name in classes]) - len(shown)
    said = "bands: 95 % intervals" + (f"; {hidden} more classes not drawn" if hidden else "")
    if any(e.value is None for each in estimates.values() for e in each):
        said += "; no mark: runs too short"
    style.legend(figure, [axes], width, said)
    return figure


def _at(curve: LoadCurve, name: str, quantity: str) -> list[IntervalEstimate]:
    """The figure at every point; not known where the server was overloaded."""
    overloaded = IntervalEstimate.unknown(0, "overloaded")
    return [
        point.result.class_named(name).all.latency_s[quantity] if point.result.classes else overloaded
        for point in curve.points
    ]


def _theory(
    axes: Axes, curve: LoadCurve, name: str, quantity: str, places: Sequence[float], scale: float
) -> list[float]:
    """What closed forms say at the same loads, as a dotted line; the values are handed back."""
    known = []
    for place, point in zip(places, curve.points, strict=True):
        theory = point.result.theory.classes.get(name)
        value = None if theory is None else {"mean": theory.mean_s, "p99": theory.p99_s}.get(quantity)
        if value is not None:
            known.append((place, value * scale))
    if len(known) > 1:
        axes.plot(
            [place for place, _ in known],
            [value for _, value in known],
            color=style.INK,
            linestyle=(0, (1, 1.6)),
            linewidth=1.3,
            zorder=4,
            label="closed forms",
        )
    return [value for _, value in known]


def _limits(
    axes: Axes, curve: LoadCurve, shown: Sequence[str], quantities: Sequence[str], scale: float, width: Width
) -> list[float]:
    drawn = []
    for place, name in enumerate(shown):
        for quantity, limit in curve.limits.get(name, {}).items():
            if quantity in quantities:
                label = f"target: {Quantity(quantity).shown} of {style.shown(name, width)}"
                colour = style.COLOURS[place] if len(shown) > 1 else style.INK
                axes.axhline(limit * scale, color=colour, linewidth=1.1, linestyle=(0, (5, 2)), label=label)
                drawn.append(limit * scale)
    return drawn


def _marks(axes: Axes, curve: LoadCurve, divisor: float, width: Width) -> None:
    today = curve.rate_per_s / divisor
    axes.axvline(today, color=style.INK, linewidth=1.4, label="today's load")
    end = max(point.value for point in curve.points) * curve.rate_per_s / divisor
    if curve.saturation is not None:
        end = curve.saturation.load_factor * curve.rate_per_s / divisor
        station = style.shown(curve.saturation.station, width)
        axes.axvspan(end, 1.5 * max(end, today), color=style.FAINT, alpha=0.18, linewidth=0)
        axes.axvline(
            end, color=style.FAINT, linewidth=1.4, linestyle=(0, (3, 1.5)), label=f"saturation: {station}"
        )
    axes.set_xlim(right=1.04 * max(end, today))
