"""How near does what was fitted come to what was measured? A drive at its points, and laws at their quantiles."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.fit.calibration import Calibration
from tailrace.fit.law_fit import FittedLaw
from tailrace.fit.left_out import Residual
from tailrace.report.figures import unit_of
from tailrace.report.pictures import style
from tailrace.report.pictures.style import Width

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

QUANTILES = 400
LAWS = 4


def fitted_drive(fitted: Calibration, width: Width = "wide") -> Figure:
    """Every measured quantity beside the fitted one, and by how much they differ: latencies left, rates right."""
    groups = [
        [each for each in fitted.residuals if (each.quantity == "throughput") == rates]
        for rates in (False, True)
    ]
    groups = [group for group in groups if group]
    narrow = width == "narrow"
    rows, columns = (2 * len(groups), 1) if narrow else (2, len(groups))
    height = 2.7 * rows if narrow else 5.6
    figure, every = style.canvas(width, height, rows, columns)
    upper = every[::2] if narrow else every[: len(groups)]
    lower = every[1::2] if narrow else every[len(groups) :]
    for group, above, below in zip(groups, upper, lower, strict=True):
        _points(group, above, below)
    style.legend(figure, every, width)
    return figure


def _points(residuals: Sequence[Residual], above: Axes, below: Axes) -> None:
    is_rate = residuals[0].quantity == "throughput"
    what = "throughput" if is_rate else "latency"
    unit = unit_of("request rate" if is_rate else "time", [each.measured for each in residuals])
    measured, told = (
        np.array([getattr(each, side) for each in residuals]) / unit.size for side in ("measured", "fitted")
    )
    ends = [min(measured.min(), told.min()) / 1.2, max(measured.max(), told.max()) * 1.2]
    above.plot(ends, ends, color=style.FAINT, linewidth=1.0, label="the same")
    below.axhline(0.0, color=style.FAINT, linewidth=1.0)
    apart = 100 * (told / measured - 1)
    is_read = np.array([each.point.read for each in residuals])
    for place, (chosen, name) in enumerate(((is_read, "reads"), (~is_read, "writes"))):
        if chosen.any():
            look = style.line(place)
            for axes, y in ((above, told), (below, apart)):
                axes.plot(
                    measured[chosen],
                    y[chosen],
                    look.marker,
                    color=look.colour,
                    markersize=5,
                    alpha=0.8,
                    label=name,
                )
    for axes in (above, below):
        axes.set_xlim(*ends)
        style.log_axis(axes.xaxis)
        axes.set_xlabel(f"measured {what}, {unit.name}")
    above.set_ylim(*ends)
    style.log_axis(above.yaxis)
    above.set_ylabel(f"fitted {what}, {unit.name}")
    below.set_ylabel("fitted above measured, %")
    most = max(1.15 * float(np.abs(apart).max()), 1.0)
    below.set_ylim(-most, most)


def fitted_laws(laws: Sequence[FittedLaw], values: FloatArray, width: Width = "wide") -> Figure:
    """Quantiles of the laws that fit best against those of the ``values`` in seconds, shape (n,)."""
    figure, (axes,) = style.canvas(width, 4.6 if width == "wide" else 4.4)
    levels = (np.arange(QUANTILES) + 0.5) / QUANTILES
    measured = np.quantile(values, levels)
    unit = unit_of("time", measured.tolist())
    size = unit.size
    for place, law in enumerate(laws[:LAWS]):
        look = style.line(place)
        axes.plot(
            measured / size,
            law.quantiles(levels) / size,
            color=look.colour,
            linestyle=look.dash,
            label=law.name,
        )
    ends = measured[[0, -1]] / size
    axes.plot(ends, ends, color=style.FAINT, linewidth=1.0, label="the same")
    axes.set_xlim(*ends)
    axes.set_ylim(ends[0] / 2, ends[1] * 2)
    for axis in (axes.xaxis, axes.yaxis):
        style.log_axis(axis)
    axes.set_xlabel(f"measured quantile, {unit.name}")
    axes.set_ylabel(f"quantile of the law, {unit.name}")
    style.legend(figure, [axes], width)
    return figure
