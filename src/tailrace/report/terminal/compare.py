"""Designs side by side on a terminal: verdicts, what each costs and carries, and how their latencies differ."""

from __future__ import annotations

import json
import math

from rich.console import Console, Group, RenderableType
from rich.constrain import Constrain
from rich.table import Table
from rich.text import Text

from tailrace.measure.estimate import Estimate
from tailrace.report.figures import TIME_UNITS, aligned, number, rounded_down, time_unit
from tailrace.report.sentences import CAUTION, quantity_name
from tailrace.report.terminal.answer import LATENCIES, STYLES
from tailrace.report.terminal.layout import WIDEST, Footnotes, as_text, fitted, hanging, heading, plain_table
from tailrace.study.compare import Comparison, Design, Difference


def comparison_answer(comparison: Comparison, width: int) -> RenderableType:
    """The whole comparison for a terminal of that many columns."""
    width = min(width, WIDEST)
    designs = comparison.designs
    parts: list[RenderableType] = [
        Text(
            f"{designs[0].name}, and against it {', '.join(each.name for each in designs[1:])}", style="bold"
        )
    ]
    parts += [*heading("Verdicts"), *fitted(lambda _: _verdicts(comparison), width)]
    parts += [*heading("What one carries"), *fitted(lambda _: _boxes(comparison), width)]
    parts += [hanging("-", line) for line in _box_sentences(comparison)]
    for design in designs[1:]:
        for name in dict.fromkeys(each.class_name for each in comparison.differences):
            found = [
                each
                for each in comparison.differences
                if (each.design, each.class_name) == (design.name, name)
            ]
            if found:
                parts += _difference(comparison, design, name, found, width)
    notes = {note: None for each in designs for note in each.result.notes}
    if notes:
        parts += [*heading("Notes"), *(hanging("-", note) for note in notes)]
    first = designs[0].result
    parts += [
        Text(),
        Text(
            f"Method: tailrace {first.version}, seed {first.seed}, the same requests for every design. ± is half of "
            "the 95 % confidence interval, of differences and ratios from pairs of replications. Each holds by itself: "
            "of twenty that are 0, one is expected to look different."
        ),
        Text(CAUTION),
    ]
    return Constrain(Group(*parts), width)


def comparison_text(comparison: Comparison, console: Console | None = None) -> str:
    """The same as text: for a console of 80 columns without colours if none is given."""
    return as_text(lambda width: [comparison_answer(comparison, width)], console)


def comparison_json(comparison: Comparison) -> str:
    """The same as one JSON document, in SI units."""
    return json.dumps(comparison.as_dict(), indent=2, allow_nan=False) + "\n"


def _verdicts(comparison: Comparison) -> tuple[Table, Footnotes]:
    """A row for each target of each design; an overloaded design has one row."""
    notes, table = (
        Footnotes(),
        plain_table("design", "class", "quantity", "limit", "found", "unit", "verdict"),
    )
    for design in comparison.designs:
        result = design.result
        if result.overload is not None:
            said = Text("overloaded", style=STYLES["overloaded"])
            table.add_row(Text(design.name), "", "", "", "", Text(""), said)
        for each in result.classes:
            for target in each.targets:
                unit, size = "", 1.0
                if target.is_upper:
                    unit = time_unit([target.limit])
                    size = TIME_UNITS[unit]
                table.add_row(
                    Text(design.name),
                    Text(each.name),
                    quantity_name(target),
                    number(target.limit / size, 4),
                    *aligned([notes.figure(target.estimate.scaled(1 / size), 4)]),
                    Text(unit),
                    Text(target.verdict, style=STYLES.get(target.verdict, "")),
                )
        if result.overload is None and not any(each.targets for each in result.classes):
            table.add_row(Text(design.name), "", "", "", "", Text(""), Text("no target"))
    for place in (1, 2, 5, 6):
        table.columns[place].justify = "left"
    return table, notes


def _boxes(comparison: Comparison) -> tuple[Table, Footnotes]:
    first = comparison.designs[0]
    priced = any(each.cost.price is not None for each in comparison.designs)
    powered = any(each.cost.power_w is not None for each in comparison.designs)
    headings = ["carries, times\nthis load", "for one\nof the first"]
    headings += (["price of\none", "of all\nthese"] if priced else []) + (
        ["power of\none, W", "of all\nthese, W"] if powered else []
    )
    notes, table = Footnotes(), plain_table("design", *headings)
    for each in comparison.designs:
        reason = each.unknown or f"{first.name}: {first.unknown}"
        row = [
            f"–{notes.mark(each.unknown)}" if each.carries is None else rounded_down(each.carries),
            f"–{notes.mark(reason)}" if each.boxes is None else f"{each.boxes:,}",
        ]
        for wanted, figure, lacking in (
            (priced, each.cost.price, each.cost.lacking_price),
            (powered, each.cost.power_w, each.cost.lacking_power),
        ):
            if wanted:
                mark = notes.mark(f"without {', '.join(lacking)}") if lacking else ""
                row.append(f"–{mark}" if figure is None else f"{figure:,.0f}{mark}")
                row.append("–" if figure is None or each.boxes is None else f"{figure * each.boxes:,.0f}")
        table.add_row(Text(each.name), *row)
    return table, notes


def _box_sentences(comparison: Comparison) -> list[str]:
    """How many of the one do what one of the other does, whichever way round it is one or more."""
    first, said = comparison.designs[0], []
    for other in comparison.designs[1:]:
        if first.carries is None or other.carries is None:
            continue
        weak, strong = (first, other) if first.carries <= other.carries else (other, first)
        assert weak.carries is not None
        assert strong.carries is not None
        count = math.ceil(strong.carries / weak.carries * (1 - 1e-9))
        said.append(
            f"{count:,} of {weak.name} {'do' if count > 1 else 'does'} what one {strong.name} does at the targets, "
            "the load shared evenly."
        )
    return said


def _difference(
    comparison: Comparison, design: Design, name: str, found: list[Difference], width: int
) -> list[RenderableType]:
    """Both designs' latencies, and difference and ratio, for all requests and for reads and writes."""
    first = comparison.designs[0]
    kinds = list(dict.fromkeys(each.kind for each in found))
    if len(kinds) == 2:  # only reads, or only writes: the same twice
        kinds = kinds[:1]

    def build(digits: int) -> tuple[Table, Footnotes]:
        notes, table = Footnotes(), plain_table("", "first", "this one", "difference", "ratio")
        for kind in kinds:
            mine = [each for each in found if each.kind == kind]
            ours, theirs = (_latencies(each, name, kind) for each in (first, design))
            unit = time_unit([e.value for e in (*ours.values(), *theirs.values()) if e.value is not None])
            size = TIME_UNITS[unit]
            columns = [
                aligned([notes.figure(figures[each.quantity].scaled(1 / size), digits) for each in mine])
                for figures in (ours, theirs)
            ]
            columns.append(
                aligned([_signed(notes, each.paired.difference.scaled(1 / size), digits) for each in mine])
            )
            columns.append(aligned([notes.figure(each.paired.ratio, digits) for each in mine]))
            label = "" if kind == "all" else f"{kind} "
            for each, *cells in zip(mine, *columns, strict=True):
                table.add_row(f"{label}{LATENCIES[each.quantity]}, {unit}", *cells)
        return table, notes

    return [*heading(f"Class {name}: {design.name} against {first.name}"), *fitted(build, width)]


def _signed(notes: Footnotes, estimate: Estimate, digits: int) -> tuple[str, str]:
    value, rest = notes.figure(estimate, digits)
    if estimate.value is not None and estimate.value > 0:
        value = f"+{value}"
    return value.replace("-", "−"), rest


def _latencies(design: Design, name: str, kind: str) -> dict[str, Estimate]:
    each = design.result.class_named(name)
    figures = each.all if kind == "all" else each.kinds["read" if kind == "read" else "write"]
    return dict(figures.latency_s)
