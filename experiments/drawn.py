"""How the experiments draw, in the look of all other pictures: lines are closed forms, marks are simulated."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tailrace.report.pictures import style

WIDTH = "wide"
BARS = "bars: 95 % intervals"
SHORT = "no mark: runs too short for it"
JOINED = (0, (1, 2))
"""The dash of lines from mark to mark, which are no closed forms."""
COMPARED = f"lines: closed forms; marks: simulated; {BARS}"


def panels(rows: int, columns: int, height_in: float, **options: Any) -> tuple[Figure, list[Axes]]:
    """An empty figure and its axes, row by row."""
    return style.canvas(WIDTH, height_in, rows, columns, **options)


def title(axes: Axes, text: str) -> None:
    """A title above the axes."""
    style.title(axes, text, WIDTH)


def legend(figure: Figure, axes: Sequence[Axes], said: str = COMPARED) -> None:
    """One legend for all axes, below them, and above it a line that says how to read the picture."""
    style.legend(figure, axes, WIDTH, said)
    figure.align_ylabels()


def note(axes: Axes, x: float, y: float, text: str, **options: Any) -> None:
    """A short text within the axes, in the smallest size."""
    axes.text(x, y, text, fontsize=style.SMALL_PT[WIDTH], color=style.INK, **options)


def compared(
    axes: Axes,
    x: Sequence[float],
    closed_form: Sequence[float],
    rows: pd.DataFrame,
    place: int,
    label: str,
    factor: float = 1.0,
) -> None:
    """A closed form and what was simulated, under one name; from mark to mark where no closed form is known at all."""
    exact = factor * np.asarray(closed_form, dtype=float)
    known = bool(np.isfinite(exact).any())
    look = style.line(place)
    axes.plot(
        [],
        [],
        color=look.colour,
        marker=look.marker,
        linestyle=look.dash if known else JOINED,
        linewidth=1.5,
        markersize=4.5,
        label=label,
    )
    if known:
        line(axes, x, exact, place)
    marks(axes, x, rows, place, factor=factor, joined=not known)


def line(axes: Axes, x: Sequence[float], y: Sequence[float], place: int, label: str = "") -> None:
    """A closed form; what is not known is left out."""
    look = style.line(place)
    axes.plot(x, y, color=look.colour, linestyle=look.dash, linewidth=1.5, label=label or None)


def bound(axes: Axes, x: Sequence[float], y: Sequence[float], label: str) -> None:
    """A closed form that is no prediction but a limit."""
    axes.plot(x, y, color=style.FAINT, linestyle=(0, (1.5, 1.5)), linewidth=1.3, label=label)


def marks(
    axes: Axes,
    x: Sequence[float],
    rows: pd.DataFrame,
    place: int,
    label: str = "",
    factor: float = 1.0,
    joined: bool = False,
    ring: bool = False,
) -> None:
    """Simulated values with their 95 % intervals, columns `simulated`, `low` and `high`, times ``factor``.

    What is not known is left out, an interval that is not known is none. ``joined`` draws a line from mark to mark,
    where no closed form does; ``ring`` makes the marks large and hollow, for what lies under others.
    """
    value, low, high = (factor * rows[name].to_numpy(dtype=float) for name in ("simulated", "low", "high"))
    known = np.isfinite(value)
    if not known.any():
        return
    around = np.nan_to_num(np.array([value - low, high - value])[:, known])
    look = style.line(place)
    axes.errorbar(
        np.asarray(x, dtype=float)[known],
        value[known],
        yerr=np.maximum(around, 0.0),
        fmt=look.marker,
        linestyle=JOINED if joined else "none",
        color=look.colour,
        label=label or None,
        markersize=9.5 if ring else 4.5,
        fillstyle="none" if ring else "full",
        capsize=2.5,
        linewidth=0.9 if joined else 1.3,
    )


def band(
    axes: Axes,
    x: Sequence[float],
    value: Sequence[float],
    low: Sequence[float] | None,
    high: Sequence[float] | None,
    place: int,
    label: str,
) -> None:
    """Simulated values joined by a line, with a band of their intervals where these are given."""
    x, value = np.asarray(x, dtype=float), np.asarray(value, dtype=float)
    known, look = np.isfinite(value), style.line(place)
    axes.plot(
        x[known],
        value[known],
        color=look.colour,
        marker=look.marker,
        linestyle=look.dash,
        linewidth=1.6,
        markersize=4.5,
        label=label,
    )
    if low is not None and high is not None:
        ends = [np.asarray(end, dtype=float)[known] for end in (low, high)]
        axes.fill_between(x[known], *ends, color=look.colour, alpha=0.22, linewidth=0)
