"""How does every picture look? Colours, marks, sizes and axes, the same in all of them.

The colours are the house's own. Under simulated red, green and blue blindness they stay at least 25 apart in CIELAB
(a test reckons it), and no line or bar is told from its neighbours by colour alone: lines differ in dash and marker,
bars in hatch, so that a grey print says the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import fill
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np

from tailrace.answer.result import ClassResult
from tailrace.arrays import FloatArray
from tailrace.measure.interval import IntervalEstimate
from tailrace.quantity import Quantity
from tailrace.report.figures import cut

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

Width: TypeAlias = Literal["wide", "narrow"]
"""For a page or a screen, or for a telephone held upright."""

COLOURS = ("#2340b0", "#e8487c", "#2196d4", "#4a1a5e", "#918c0f", "#6b2f0c")
DARK_COLOURS = ("#a08cf5", "#ee8b7a", "#45a8bd", "#e2ee4a", "#b3931a", "#3ff5d4")
"""What the same colours become on a dark ground."""
MARKERS = ("o", "s", "^", "D", "v", "P")
DASHES: tuple[Any, ...] = (
    "solid",
    (0, (6, 2)),
    (0, (2, 1.3)),
    (0, (7, 2, 1.5, 2)),
    (0, (9, 3)),
    (0, (4, 1.5, 1, 1.5, 1, 1.5)),
)
HATCHES = ("", "///", "...", "xxx", "\\\\\\", "ooo")

INK, FAINT, GRID, PAPER = "#1b2530", "#5a6672", "#d5dbe1", "#ffffff"
DARK_INK, DARK_FAINT, DARK_GRID, DARK_PAPER = "#e6ebf0", "#a7b2bd", "#3a444e", "#14191f"

PAGE_COLOURS = {
    ground: dict(zip(("ink", "faint", "grid", "paper"), plain, strict=True))
    | {f"line{place}": colour for place, colour in enumerate(lines)}
    for ground, plain, lines in (
        ("light", (INK, FAINT, GRID, PAPER), COLOURS),
        ("dark", (DARK_INK, DARK_FAINT, DARK_GRID, DARK_PAPER), DARK_COLOURS),
    )
}
"""Colours on a light and on a dark ground, by the name of the variable that stands for each on a page."""

WIDTH_IN = {"wide": 7.4, "narrow": 3.5}
TEXT_PT = {"wide": 10.2, "narrow": 9.2}
SMALL_PT = {"wide": 9.4, "narrow": 8.6}
"""The smallest text; at the size at which a picture is shown it is about 12 pixels high."""
LONGEST_NAME = {"wide": 44, "narrow": 26}
NARROW_NAME = 14
"""Letters of the longest name in a legend up to which two stand beside each other on a telephone."""
LONGEST_LABEL = {"wide": 80, "narrow": 38}
"""Letters of the name of an axis that find room beside each other."""

MOST_LINES = len(COLOURS)
"""Lines, or classes, that one picture can tell apart."""


@dataclass(frozen=True)
class Line:
    """How one of several lines is drawn."""

    colour: str
    marker: str
    dash: Any


def line(place: int) -> Line:
    """The look of the line at that place; behind `MOST_LINES` a colour comes again with another marker and dash."""
    other = (place + place // MOST_LINES) % MOST_LINES
    return Line(COLOURS[place % MOST_LINES], MARKERS[other], DASHES[other])


def bar(place: int) -> dict[str, Any]:
    """How the bar at that place among several is filled; it repeats behind `MOST_LINES`."""
    place %= MOST_LINES
    return {"color": COLOURS[place], "hatch": HATCHES[place], "edgecolor": PAPER, "linewidth": 0.6}


def canvas(
    width: Width, height_in: float, rows: int = 1, columns: int = 1, **options: Any
) -> tuple[Figure, list[Axes]]:
    """An empty figure of the house's size and its axes, row by row. It belongs to no window and no global state."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_IN[width], height_in), layout="constrained", facecolor=PAPER)
    axes = figure.subplots(rows, columns, squeeze=False, **options)
    every: list[Axes] = list(axes.flat)
    for each in every:
        _plain(each, width)
    return figure, every


def _plain(axes: Axes, width: Width) -> None:
    axes.set_facecolor("none")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(FAINT)
    axes.tick_params(which="both", colors=FAINT, labelcolor=INK, labelsize=SMALL_PT[width])
    axes.grid(color=GRID, linewidth=0.7)
    axes.set_axisbelow(True)
    for axis in (axes.xaxis, axes.yaxis):
        axis.label.set(color=INK, fontsize=TEXT_PT[width])
    axes.title.set(color=INK, fontsize=TEXT_PT[width])


def title(axes: Axes, text: str, width: Width) -> None:
    """A title at the left, above the axes."""
    axes.set_title(
        shown(text, width), loc="left", fontsize=TEXT_PT[width], color=INK, fontweight="bold", wrap=True
    )


def shown(text: str, width: Width) -> str:
    """A name from outside, as it may stand in a picture: clipped, on one line, and never taken for a formula."""
    flat = "".join(character if character.isprintable() else " " for character in text)
    return cut(flat, LONGEST_NAME[width]).replace("$", r"\$")


def wrapped(label: str, width: Width) -> str:
    """The name of an axis, in several lines where it would be cut off."""
    return fill(label, LONGEST_LABEL[width])


def legend(figure: Figure, axes: Sequence[Axes], width: Width, said: str = "") -> None:
    """One legend for all axes, below them, where it hides nothing; ``said`` is a line of its own under it."""
    found: dict[str, Any] = {}
    for each in axes:
        for handle, name in zip(*each.get_legend_handles_labels(), strict=True):
            found.setdefault(name, handle)
    longest = max((len(name) for name in found), default=0)
    if width == "narrow":
        columns = 1 if longest > NARROW_NAME else 2
    else:
        columns = 2 if longest > 26 else 3 if longest > 12 else 5
    if found:
        drawn = figure.legend(
            found.values(),
            found.keys(),
            loc="outside lower left",
            ncols=min(columns, len(found)),
            frameon=False,
            fontsize=SMALL_PT[width],
            labelcolor=INK,
            handlelength=3.2,
            title=said or None,
            title_fontsize=SMALL_PT[width],
            alignment="left",
        )
        drawn.get_title().set_color(FAINT)


def curve(
    axes: Axes,
    x: Sequence[float],
    estimates: Sequence[IntervalEstimate],
    factor: float,
    look: Line,
    label: str,
    **options: Any,
) -> None:
    """A line through estimates with a band of their intervals; what is not known is left out, not bridged by 0."""
    places, value, low, high = figures(x, estimates, factor)
    if not places.size:
        return
    settings = {"linewidth": 1.6, "markersize": 4.5} | options
    axes.plot(
        places, value, color=look.colour, marker=look.marker, linestyle=look.dash, label=label, **settings
    )
    band = np.isfinite(low)
    axes.fill_between(
        places[band], np.maximum(low[band], 0.0), high[band], color=look.colour, alpha=0.22, linewidth=0
    )


def figures(
    x: Sequence[float], estimates: Sequence[IntervalEstimate], factor: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Places, values and ends of the intervals of those estimates that are known; ends that are not are NaN."""
    known = [
        (at, each.scaled(factor)) for at, each in zip(x, estimates, strict=True) if each.value is not None
    ]
    table = np.array([(at, each.value, each.low, each.high) for at, each in known], dtype=np.float64)
    places, value, low, high = table.reshape(-1, 4).T
    return places, value, low, high


def latencies(
    axes: Axes,
    x: Sequence[float],
    classes: Sequence[ClassResult],
    quantities: Sequence[str],
    factor: float,
    lying: bool,
) -> list[float]:
    """Marks with bars of their intervals, upright or lying, and a dash for each target of these quantities.

    Returns the limits of those targets, as drawn.
    """
    for number, quantity in enumerate(quantities):
        look = line(number)
        places, value, low, high = figures(x, [each.all.latency_s[quantity] for each in classes], factor)
        (axes.hlines if lying else axes.vlines)(places, low, high, color=look.colour, linewidth=2.2)
        axes.plot(
            *((value, places) if lying else (places, value)), color=look.colour, marker=look.marker,
            linestyle="none", label=Quantity(quantity).shown if value.size else None,
        )  # fmt: skip
    promised = [(at, each) for at, one in zip(x, classes, strict=True) for each in one.targets]
    promised = [(at, each) for at, each in promised if each.quantity in quantities]
    for at, target in promised:
        across, along = [at - 0.4, at + 0.4], [target.limit * factor] * 2
        axes.plot(
            *((along, across) if lying else (across, along)), color=INK, linewidth=1.2,
            linestyle=(0, (4, 1.5)), label=f"target: {target.quantity.shown}",
        )  # fmt: skip
    return [target.limit * factor for _, target in promised]


SHORT_AXIS = 8.0
"""Ratio of its ends below which an axis has hardly two of the labels 1, 2, 5."""


def limit(axes: Axes, value: float, label: str, colour: str = INK) -> None:
    """What was promised, as a line across."""
    axes.axhline(value, color=colour, linewidth=1.1, linestyle=(0, (5, 2)), label=label)


def log_axis(axis: Axis, subs: tuple[float, ...] = (1.0, 2.0, 5.0)) -> None:
    """A logarithmic axis labelled 1, 2, 5, 10 … in plain numbers: fewer where they would crowd, more on a short one."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axis.axes.set(**{f"{axis.axis_name}scale": "log"})  # type: ignore[attr-defined]
    low, high = axis.get_view_interval()
    figure = axis.axes.get_figure(root=True)
    narrow = figure is not None and figure.get_figwidth() < WIDTH_IN["wide"] - 1
    if low > 0 and high / low > (30 if narrow else 200):
        subs = (1.0,)
    elif low > 0 and high / low < SHORT_AXIS and axis is axis.axes.yaxis:
        subs = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0)
    axis.set_major_locator(LogLocator(subs=subs, numticks=30))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.12g}"))
    axis.set_minor_formatter(NullFormatter())


def plain_axis(axis: Axis) -> None:
    """Plain numbers with separated thousands on a linear axis, few enough not to touch."""
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    axis.set_major_locator(MaxNLocator(nbins=6))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.12g}"))


def rows(axes: Axes, labels: Sequence[str]) -> None:
    """A row for each label, from the top down, over a linear axis."""
    axes.set_yticks(range(len(labels)), labels)
    axes.invert_yaxis()
    axes.grid(axis="y", visible=False)
    axes.tick_params(axis="y", length=0)
    plain_axis(axes.xaxis)


def power_axis(axis: Axis, values: Sequence[float], written: Sequence[str]) -> None:
    """A logarithmic axis with exactly these places, thinned so that their labels do not touch."""
    from matplotlib.ticker import NullLocator

    axis.axes.set(**{f"{axis.axis_name}scale": "log"})  # type: ignore[attr-defined]
    figure = axis.axes.get_figure(root=True)
    narrow = figure is not None and figure.get_figwidth() < WIDTH_IN["wide"] - 1
    room = 5 if narrow else 9
    step = max(-(-len(values) // room), 1)
    axis.set_ticks(list(values)[::step], list(written)[::step])
    axis.set_minor_locator(NullLocator())


def nothing(axes: Axes, why: str, width: Width) -> None:
    """Axes without anything in them but the reason."""
    axes.set_axis_off()
    axes.text(
        0.5, 0.5, why, transform=axes.transAxes, ha="center", va="center", color=INK, fontsize=TEXT_PT[width]
    )
