"""What was fitted to measurements: figures on a terminal, and a part for the catalogue."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from rich.console import Console, RenderableType
from rich.text import Text

from tailrace.fit.calibration import Calibration, Parameter, Residual
from tailrace.fit.latencies import Distance
from tailrace.fit.law_fit import FittedLaw
from tailrace.quantity import Quantity
from tailrace.report.figures import Unit, change_text, number, percent, unit_of
from tailrace.report.sentences import CAUTION
from tailrace.report.table import Cell, Head, Table
from tailrace.report.terminal.layout import hanging, shown, text_of, under
from tailrace.scenario.reading.keys import field_shape
from tailrace.scenario.reading.toml import toml_text
from tailrace.units import write

MOST_RESIDUALS = 100


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
    rows = []
    for each in fitted.parameters:
        unit = _unit(fitted, each)
        values = (each.value, each.low, each.high, each.start)
        rows.append([each.name, *(_figure(value, unit) for value in values), unit.name])
    heads = ["parameter", "fitted", "from", "to", "began at", "unit"]
    remarks = [*fitted.warnings]
    if unused:
        remarks.append(f"Not used of the file: {', '.join(unused)}.")
    left = len(fitted.residuals) - MOST_RESIDUALS

    def show(width: int) -> list[RenderableType]:
        return [
            Text(name, style="bold"),
            Text(),
            Text(said),
            *under("Parameters, with 95 % intervals", Table.of(heads, rows), width),
            *([Text()] if remarks else []),
            *(hanging("-", remark) for remark in remarks),
            *under(
                "Measured and fitted",
                Table.of(RESIDUALS, map(_residual, fitted.residuals[:MOST_RESIDUALS])),
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
        *fitted.warnings,
        *(f"{key}: {_beside(fitted, known[key])}" for key in table if key in known),
    )


RESIDUALS = (
    Head("line", "name"),
    Head("condition", "name"),
    Head("quantity", "text"),
    "measured",
    "fitted",
    "apart, %",
)


def _residual(each: Residual) -> list[Cell]:
    point = each.point
    unit = unit_of("request rate" if each.quantity == "throughput" else "time", [each.measured])
    load = f"depth {point.queue_depth}" if point.queue_depth else f"{number(point.rate_per_s or 0, 4)} /s"
    condition = f"{'read' if point.read else 'write'} {write(point.size_bytes, 'size')}, {load}"
    sides = [_figure(value, unit) for value in (each.measured, each.fitted)]
    name = f"{Quantity(each.quantity).shown}, {unit.name}"
    return [str(point.line), condition, name, *sides, change_text(float(np.expm1(each.log_difference)))]


def _unit(fitted: Calibration, parameter: Parameter) -> Unit:
    """The unit in which a parameter and its interval are told."""
    return unit_of(field_shape(type(fitted.media).model_fields[parameter.name]).quantity, [parameter.value])


def _figure(value: float, unit: Unit) -> str:
    """A value in a unit; where an interval has no end there is none."""
    return unit.number(value, 4) if 0 < value < np.inf else "–"


def _beside(fitted: Calibration, parameter: Parameter) -> str:
    unit = _unit(fitted, parameter)
    low, high = (_figure(value, unit) for value in (parameter.low, parameter.high))
    return f"95 % interval {low} to {high} {unit.name}"


def _short(value: float) -> Any:
    return value if isinstance(value, int) else float(f"{value:.4g}")
