"""What was fitted to measurements: figures on a terminal, and a part for the catalogue."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from importlib.metadata import version
from typing import Any

import numpy as np
from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.text import Text

from tailrace.fit.calibration import Calibration, Parameter
from tailrace.fit.latencies import Distance
from tailrace.fit.law_fit import FittedLaw
from tailrace.report.figures import BYTES_PER_MB, TIME_UNITS, number, percent, time_unit
from tailrace.report.sentences import CAUTION
from tailrace.report.terminal.layout import as_text, hanging, heading, plain_table
from tailrace.scenario.reading.keys import field_shape
from tailrace.units import Dimension, write

MOST_RESIDUALS = 100


def calibration_text(
    name: str, fitted: Calibration, unused: Sequence[str] = (), console: Console | None = None
) -> str:
    """The fit as text for a console: for one of 80 columns without colours if none is given.

    ``unused`` are headings of the file that stood for nothing.
    """
    parts: list[RenderableType] = [
        Text(name, style="bold"),
        Text(),
        Text(
            f"{len(fitted.residuals)} measured quantities, fitted by {fitted.by}; what is left scatters by "
            f"{percent(fitted.spread)} %."
        ),
        *heading("Parameters, with 95 % intervals"),
    ]
    table = plain_table("parameter", "fitted", "from", "to", "began at", "unit")
    for each in fitted.parameters:
        name, size = _unit(each.value, _dimension(fitted, each.name))
        values = (each.value, each.low, each.high, each.start)
        table.add_row(Text(each.name), *(_figure_of(value, size) for value in values), name)
    parts.append(Padding(table, (0, 0, 0, 2)))
    remarks = [*fitted.warnings]
    if unused:
        remarks.append(f"Not used of the file: {', '.join(unused)}.")
    if remarks:
        parts += [Text(), *(hanging("-", remark) for remark in remarks)]
    parts += _residuals(fitted)
    parts += [Text(), Text(CAUTION)]
    return as_text(lambda _: parts, console)


def laws_text(name: str, laws: Sequence[FittedLaw], values: int, console: Console | None = None) -> str:
    """Fitted laws, the best first, as text for a console."""
    table = plain_table("law", "parameters", "AIC above the best", "distance, %")
    table.columns[1].justify = "left"
    for law in laws:
        said = ", ".join(f"{key} {value:.4g}" for key, value in law.parameters.items())
        table.add_row(Text(law.name), said, f"{law.aic - laws[0].aic:,.1f}", percent(law.distance))
    parts: list[RenderableType] = [
        Text(name, style="bold"),
        Text(),
        Text(f"{values:,} values. By Akaike's criterion (AIC) the {laws[0].name} law fits best."),
        Text(),
        Padding(table, (0, 0, 0, 2)),
        Text(),
        Text(
            "Distance: root mean square of the differences between quantiles, as a share of the mean. Where it stays "
            'large for the best, take the values as they are: law = "empirical".'
        ),
    ]
    return as_text(lambda _: parts, console)


def distances_text(apart: Mapping[str, Distance | None], console: Console | None = None) -> str:
    """How far the latencies of each design lie from measured ones, as text for a console."""
    table = plain_table("design", "distance, %", "chance, %", "simulated", "measured")
    for name, each in apart.items():
        if each is None:
            table.add_row(Text(name), "overloaded", "", "", "")
        else:
            counts = (f"{each.simulated:,}", f"{each.measured:,}")
            table.add_row(Text(name), percent(each.value), percent(each.floor), *counts)
    said = (
        "Distance: root mean square of the differences between 1,000 quantiles, as a share of the measured mean. "
        "Chance: the same between two halves of what was simulated."
    )
    return as_text(
        lambda _: [*heading("Beside what was measured"), Padding(table, (0, 0, 0, 2)), Text(said)], console
    )


def calibration_document(name: str, fitted: Calibration) -> dict[str, Any]:
    """The fit in plain types, as for JSON, in SI units."""
    return {
        "tailrace": version("tailrace"),
        "measured": name,
        "by": fitted.by,
        "parameters": [
            asdict(each) | ({} if np.isfinite(each.high) else {"high": None}) for each in fitted.parameters
        ],
        "residuals": [asdict(each) for each in fitted.residuals],
        "spread": fitted.spread,
        "singular_values": list(fitted.singular_values),
        "warnings": list(fitted.warnings),
    }


def laws_document(name: str, laws: Sequence[FittedLaw]) -> dict[str, Any]:
    """Fitted laws in plain types, as for JSON."""
    listed = [
        {
            "law": law.name,
            "parameters": law.parameters,
            "aic": law.aic,
            "distance": law.distance,
            "service": law.service,
        }
        for law in laws
    ]
    return {"tailrace": version("tailrace"), "measured": name, "criterion": "AIC", "laws": listed}


def fitted_part(name: str, fitted: Calibration) -> str:
    """A part for a catalogue: the drive with its fitted parameters, each with its interval beside it."""
    known = {each.name: each for each in fitted.parameters}
    lines = [f"# Fitted to {len(fitted.residuals)} quantities of {name}, by {fitted.by}."]
    lines += [f"# {warning}" for warning in fitted.warnings]
    lines += ["", f'title = "{fitted.media.kind} drive fitted to {name}"', "", "[media]"]
    media = fitted.media
    for key, info in type(media).model_fields.items():
        value = getattr(media, key)
        if key == "count" or value is None or (key not in media.model_fields_set and key not in known):
            continue
        if isinstance(value, tuple | dict):
            continue
        quantity = field_shape(info).quantity
        if quantity is not None:
            text = f'"{write(_short(value), quantity)}"'
        else:
            text = f'"{value}"' if isinstance(value, str) else str(value).lower()
        lines.append(f"{key} = {text}" + (f"   # {_beside(fitted, known[key])}" if key in known else ""))
    return "\n".join(lines) + "\n"


def _residuals(fitted: Calibration) -> list[RenderableType]:
    table = plain_table("line", "condition", "quantity", "measured", "fitted", "apart, %")
    table.columns[1].justify = table.columns[2].justify = "left"
    for each in fitted.residuals[:MOST_RESIDUALS]:
        point = each.point
        name, size = _unit(each.measured, "request rate" if each.quantity == "throughput" else "time")
        load = f"depth {point.queue_depth}" if point.queue_depth else f"{number(point.rate_per_s or 0, 4)} /s"
        condition = f"{'read' if point.read else 'write'} {write(point.size_bytes, 'size')}, {load}"
        sides = [_figure_of(value, size) for value in (each.measured, each.fitted)]
        apart = f"{100 * np.expm1(each.log_difference):+.1f}".replace("-", "−")
        table.add_row(Text(str(point.line)), condition, f"{each.quantity}, {name}", *sides, apart)
    parts: list[RenderableType] = [*heading("Measured and fitted"), Padding(table, (0, 0, 0, 2))]
    left = len(fitted.residuals) - MOST_RESIDUALS
    return [*parts, Text(f"  and {left:,} more: --json has them all.")] if left > 0 else parts


def _dimension(fitted: Calibration, name: str) -> Dimension | None:
    return field_shape(type(fitted.media).model_fields[name]).quantity


def _unit(value: float, dimension: Dimension | None) -> tuple[str, float]:
    """The unit in which figures around a value are told, and its size in SI."""
    if dimension == "time":
        unit = time_unit([value])
        return unit, TIME_UNITS[unit]
    return ("MB/s", BYTES_PER_MB) if dimension == "data rate" else ("/s", 1.0)


def _figure_of(value: float, size: float) -> str:
    """A value in a unit; where an interval has no end there is none."""
    return number(value / size, 4) if 0 < value < np.inf else "–"


def _beside(fitted: Calibration, parameter: Parameter) -> str:
    name, size = _unit(parameter.value, _dimension(fitted, parameter.name))
    low, high = (_figure_of(value, size) for value in (parameter.low, parameter.high))
    return f"95 % interval {low} to {high} {name}"


def _short(value: float) -> Any:
    return value if isinstance(value, int) else float(f"{value:.4g}")
