"""What was fitted to measurements: figures on a terminal, and a part for the catalogue."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from rich.console import Console, RenderableType
from rich.text import Text

from tailrace.fit.calibration import Calibration, Parameter
from tailrace.fit.latencies import Distance
from tailrace.fit.law_fit import FittedLaw
from tailrace.fit.left_out import MEANS, Residual, apart
from tailrace.fit.ranking import AS_GOOD, SUPPORTED, Candidate
from tailrace.quantity import Quantity
from tailrace.report.figures import Unit, change_text, key_unit, number, percent, unit_of
from tailrace.report.sentences import CAUTION
from tailrace.report.table import Cell, Head, Table
from tailrace.report.terminal.layout import hanging, shown, text_of, under
from tailrace.scenario.reading.keys import field_shape
from tailrace.scenario.reading.toml import toml_text
from tailrace.scenario.tables.measured import Measured, MeasuredKind
from tailrace.scenario.tables.points import MeasuredPoint
from tailrace.units import write

MOST_RESIDUALS = 100
FAR = 0.15
"""How far a figure may lie from the measured one before it is said."""


def calibration_text(
    name: str, fitted: Calibration, unused: Sequence[str] = (), console: Console | None = None
) -> str:
    """The fit as text for a console: for one of 80 columns without colours if none is given.

    ``unused`` are headings of the file that stood for nothing.
    """
    said = (
        f"{len(fitted.residuals)} measured quantities, fitted by {fitted.by}; what is left scatters by "
        f"{percent(fitted.spread)} %."
    )
    worth = "\n".join(left_out_sentences(fitted))
    others = {(each.point.condition, each.quantity): each.fitted for each in fitted.left_out}
    rows = []
    for each in fitted.parameters:
        unit = _unit(fitted, each)
        values = (each.value, each.low, each.high, each.start)
        rows.append([each.name, *(_figure(value, unit) for value in values), unit.name])
    heads = ["parameter", "fitted", "from", "to", "began at", "unit"]
    remarks = [*fitted.warnings]
    if unused:
        remarks.append(f"Not used of the file: {', '.join(unused)}.")
    left, shown_here = len(fitted.residuals) - MOST_RESIDUALS, fitted.residuals[:MOST_RESIDUALS]
    both = len({each.point.read for each in fitted.residuals}) > 1

    def show(width: int) -> list[RenderableType]:
        return [
            Text(name, style="bold"),
            Text(),
            Text(said),
            *([Text(worth)] if worth else []),
            *under("Parameters, with 95 % intervals", Table.of(heads, rows), width),
            *([Text()] if remarks else []),
            *(hanging("-", remark) for remark in remarks),
            *under(
                "Measured and fitted",
                Table.of(RESIDUALS, (_residual(each, others, both) for each in shown_here)),
                width,
            ),
            *([Text(f"  and {left:,} more: --json has them all.")] if left > 0 else []),
            Text(),
            Text(CAUTION),
        ]

    return text_of(show, console)


def laws_text(name: str, laws: Sequence[FittedLaw], values: int, console: Console | None = None) -> str:
    """Fitted laws, the best first, as text for a console."""
    rows = []
    for law in laws:
        said = ", ".join(f"{key} {value:.4g}" for key, value in law.parameters.items())
        rows.append([law.name, said, f"{law.aic - laws[0].aic:,.1f}", percent(law.distance)])
    heads: list[Head | str] = ["law", Head("parameters", "name"), "AIC above the best", "distance, %"]

    def show(width: int) -> list[RenderableType]:
        return [
            Text(name, style="bold"),
            Text(),
            Text(f"{values:,} values. By Akaike's criterion (AIC) the {laws[0].name} law fits best."),
            Text(),
            *shown(Table.of(heads, rows), width),
            Text(),
            Text(
                "Distance: root mean square of the differences between quantiles, as a share of the mean. Where it "
                'stays large for the best, take the values as they are: law = "empirical".'
            ),
        ]

    return text_of(show, console)


def distances_text(apart: Mapping[str, Distance | None], console: Console | None = None) -> str:
    """How far the latencies of each design lie from measured ones, as text for a console."""
    rows = [
        [name, "overloaded", "", "", ""]
        if each is None
        else [name, percent(each.value), percent(each.floor), f"{each.simulated:,}", f"{each.measured:,}"]
        for name, each in apart.items()
    ]
    given = Table.of(["design", "distance, %", "chance, %", "simulated", "measured"], rows)
    said = (
        "Distance: root mean square of the differences between 1,000 quantiles, as a share of the measured mean. "
        "Chance: the same between two halves of what was simulated."
    )
    return text_of(lambda width: [*under("Beside what was measured", given, width), Text(said)], console)


def fitted_part(name: str, fitted: Calibration) -> str:
    """A part for a catalogue: the drive with its fitted parameters, their intervals in comments."""
    if isinstance(fitted.media, Measured):
        return toml_text(
            {"title": f"drive known by {name}", "media": measured_table(fitted.media)},
            f"Fitted to {len(fitted.residuals)} quantities of {name}, by {fitted.by}.",
            *left_out_sentences(fitted),
            *fitted.warnings,
            *(f"{each.name}: {_beside(fitted, each)}" for each in fitted.parameters),
        )
    known = {each.name: each for each in fitted.parameters}
    table: dict[str, float | int | str] = {}
    media = fitted.media
    for key, info in type(media).model_fields.items():
        value = getattr(media, key)
        is_told = key in media.model_fields_set or key in known
        if key != "count" and is_told and value is not None and not isinstance(value, tuple | dict):
            quantity = field_shape(info).quantity
            table[key] = value if quantity is None else write(_short(value), quantity)
    return toml_text(
        {"title": f"{media.kind} drive fitted to {name}", "media": table},
        f"Fitted to {len(fitted.residuals)} quantities of {name}, by {fitted.by}.",
        *left_out_sentences(fitted),
        *fitted.warnings,
        *(f"{key}: {_beside(fitted, known[key])}" for key in table if key in known),
    )


RESIDUALS = (
    Head("line", "name"),
    Head("condition", "name"),
    Head("quantity", "text"),
    "measured",
    "fitted",
    "apart,\n%",
    "others\nsay, %",
)


def _residual(each: Residual, others: Mapping[tuple[Any, str], float], with_kind: bool) -> list[Cell]:
    """``others`` has what a fit to all other conditions says, by condition and quantity."""
    point = each.point
    unit = unit_of("request rate" if each.quantity == "throughput" else "time", [each.measured])
    sides = [_figure(value, unit) for value in (each.measured, each.fitted)]
    name = f"{Quantity(each.quantity).shown}, {unit.name}"
    told = others.get((point.condition, each.quantity))
    by_others = "–" if told is None else change_text(told / each.measured - 1)
    return [str(point.line), _condition(point, with_kind), name, *sides, change_text(each.apart), by_others]


def _condition(point: MeasuredPoint, with_kind: bool = True) -> str:
    load = f"depth {point.queue_depth}" if point.queue_depth else f"{number(point.rate_per_s or 0, 4)} /s"
    size = write(point.size_bytes, "size")
    return f"{'read' if point.read else 'write'} {size} {load}" if with_kind else f"{size}, {load}"


def left_out_sentences(fitted: Calibration) -> list[str]:
    """How well points are predicted that are left out, and what the fit itself misses."""
    said = []
    for of_means, what in ((True, "means and throughputs"), (False, "quantiles")):
        some = [each for each in fitted.left_out if (each.quantity in MEANS) == of_means]
        if some:
            far = apart(some, of_means)
            worst = some[int(np.argmax(far))]
            said.append(
                f"Left out and predicted by the others, {what} lie {percent(float(np.median(far)))} % off in "
                f"the median, {percent(float(far.max()))} % at worst ({_condition(worst.point)})."
            )
    if fitted.repeated is not None:
        said.append(
            f"Measured again, a point differs from its own mean by {percent(fitted.repeated)} % (standard deviation)."
        )
    missed = [each for each in fitted.residuals if abs(each.apart) > FAR]
    if missed:
        worst = max(missed, key=lambda each: abs(each.log_difference))
        said.append(
            f"Not fitted within {FAR * 100:.0f} %: {len(missed)} of {len(fitted.residuals)} quantities, the worst "
            f"{Quantity(worst.quantity).shown} of {_condition(worst.point)} ({change_text(worst.apart)} %)."
        )
    return said


def ranking_text(name: str, found: Sequence[Candidate], console: Console | None = None) -> str:
    """Descriptions of a drive, the one that predicts best first, as text for a console."""
    rows: list[list[Cell]] = []
    for each in found:
        if each.fitted is None:
            continue
        cells = []
        for of_means in (True, False):
            far = apart(each.fitted.left_out, of_means)
            cells += [percent(float(np.median(far))), percent(float(far.max()))] if far.size else ["–", "–"]
        rows.append([each.kind, *cells, f"{len(each.fitted.parameters)}"])
    heads: list[Head | str] = [
        Head("media", "name"),
        "means:\nmedian, %",
        "worst,\n%",
        "quantiles:\nmedian, %",
        "worst,\n%",
        "parameters",
    ]

    not_fitted = [f"{each.kind}: not fitted, {each.reason}." for each in found if each.fitted is None]

    def show(width: int) -> list[RenderableType]:
        return [
            Text(name, style="bold"),
            *under("How far off is a point that is predicted by the others?", Table.of(heads, rows), width),
            *(hanging("-", each) for each in not_fitted),
            Text(),
            Text(support_sentence(found)),
            Text(),
        ]

    return text_of(show, console)


def support_sentence(found: Sequence[Candidate]) -> str:
    """Which description the points support."""
    best = found[0]
    if not np.isfinite(best.median):
        return "The points support no description: none can be fitted to all points but one."
    off = f"a point left out is {percent(best.median)} % off in the median"
    if best.median > SUPPORTED:
        return (
            f"The points support none of these descriptions: even by the best ({best.kind}) {off}. What follows is "
            "that one, to be taken with care."
        )
    others = [each for each in found[1:] if each.median <= best.median + AS_GOOD]
    beside = f" {', '.join(each.kind for each in others)} would do as well." if others else ""
    return f'The points support kind = "{best.kind}": {off}.{beside}'


def _unit(fitted: Calibration, parameter: Parameter) -> Unit:
    """The unit in which a parameter and its interval are told."""
    field = type(fitted.media).model_fields.get(parameter.name)
    if field is not None:
        return unit_of(field_shape(field).quantity, [parameter.value])
    if parameter.dimension == "size":
        return key_unit("B", [parameter.value])
    return unit_of(parameter.dimension, [parameter.value]) if parameter.dimension else Unit("")


def _figure(value: float, unit: Unit) -> str:
    """A value in a unit; where an interval has no end there is none."""
    return unit.number(value, 4) if 0 < value < np.inf else "–"


def _beside(fitted: Calibration, parameter: Parameter) -> str:
    unit = _unit(fitted, parameter)
    low, high = (_figure(value, unit) for value in (parameter.low, parameter.high))
    return f"95 % interval {low} to {high} {unit.name}".rstrip()


def measured_table(media: Measured) -> dict[str, Any]:
    """The table of a measured drive as a part has it."""
    table: dict[str, Any] = {"kind": media.kind}
    for key, kind in (("reads", media.reads), ("writes", media.writes)):
        if kind is not None:
            table[key] = _kind_table(kind)
    return table


def _kind_table(kind: MeasuredKind) -> dict[str, Any]:
    curve = [
        {"queue_depth": each.queue_depth, "rate": write(_short(each.rate), "request rate")}
        for each in kind.curve
    ]
    table: dict[str, Any] = {"size": write(kind.size, "size"), "curve": curve}
    if kind.overhead is not None:
        table["overhead"] = write(kind.overhead, "size")
    if kind.byte_rate is not None:
        table["byte_rate"] = write(_short(kind.byte_rate), "data rate")
    return {**table, "variability": _short(kind.variability)}


def _short(value: float) -> Any:
    return value if isinstance(value, int) else float(f"{value:.4g}")
