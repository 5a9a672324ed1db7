"""The figures of an answer with conditions: the conditions, what each class sees in them, and what overloads leave."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from tailrace.answer.result import ClassResult, Figures, Result
from tailrace.answer.work import Work
from tailrace.forecast.conditions import ConditionEstimates, EstimatedCondition
from tailrace.forecast.spells import Spell
from tailrace.measure.interval import IntervalEstimate
from tailrace.quantity import Quantity
from tailrace.report.columns.answer import statistics, targets
from tailrace.report.figures import duration_text, number, percent, unit_of
from tailrace.report.table import Cell, Column, Footnotes, Head, Table, known, table_of, unknown
from tailrace.study.conditions import ConditionResult, Conditions
from tailrace.units import short_size

WHOLE = "over all"
"""Stands in tables where the name of a condition would."""
SEEN = tuple(map(Quantity, ("rate", "mean", "p50", "p99", "p999")))
"""What is told of a class in each condition."""


def states(found: Conditions) -> Table:
    """The conditions in their order: how long, how much comes, what binds, and whether the promises are kept."""
    columns: tuple[Column[ConditionResult], ...] = (
        Column(Head("condition", "name"), lambda each: each.name),
        Column(Head(_lasting(found)), _lasts),
        Column(Head("requests/s"), _rate),
        Column(Head("binds first", "name"), lambda each: binding(each.result)),
        Column(Head("load, % of\nsaturation"), _load),
        Column(Head("verdict", "verdict"), _verdict),
    )
    return table_of(columns, found.conditions)


def _lasting(found: Conditions | ConditionEstimates) -> str:
    """In what it is told how long conditions last, as a heading."""
    return "hours" if found.conditions[0].hours is not None else "of the\ntime, %"


def _lasts(each: ConditionResult | EstimatedCondition) -> str:
    return number(each.hours, 4) if each.hours is not None else percent(each.share)


def _verdict(each: ConditionResult) -> str:
    return each.result.verdict.replace("none", "") if each.is_known else "left out"


def _rate(each: ConditionResult) -> Cell:
    if not each.is_known:
        return "–"
    overload = each.result.overload
    if overload is not None:
        factor = overload.largest_load_factor
        return known(overload.largest_rate_per_s / factor if factor else None, lambda rate: number(rate, 4))
    rates = [one.all.rate_per_s.value for one in each.result.classes]
    return number(sum(rate for rate in rates if rate is not None), 4)


def binding(result: Result) -> str:
    """The station that binds first; nothing where no class is open."""
    if result.overload is not None:
        return result.overload.station
    return "" if result.theory.saturation is None else result.theory.saturation.station


def _load(each: ConditionResult) -> Cell:
    overload, saturation = each.result.overload, each.result.theory.saturation
    if overload is not None:
        return known(1 / overload.largest_load_factor if overload.largest_load_factor else None, percent)
    return known(None if saturation is None else 1 / saturation.load_factor, percent, "no class is open")


def promises(found: Conditions) -> Table:
    """Each promise in the condition, or over all conditions, in which it is judged."""
    answers = [
        (each.name, each.result)
        for each in found.conditions
        if each.result.overload is not None or any(one.targets for one in each.result.classes)
    ]
    if found.targets:
        answers.append((WHOLE, _judged_over_all(found)))
    if len(answers) == 1:  # a single answer has no name in its table
        answers.append(("", replace(answers[0][1], classes=(), overload=None)))
        table = targets(answers, "condition")
        return replace(table, rows=table.rows[:-1])
    return targets(answers, "condition") if answers else Table.of(["condition"], [])


def _judged_over_all(found: Conditions) -> Result:
    """An answer of nothing but the targets over all conditions, class by class."""
    first = found.conditions[0].result
    nothing = IntervalEstimate.unknown(0, "")
    figures = Figures(0, nothing, nothing, {}, {}, {}, {})
    names = dict.fromkeys(each.class_name for each in found.targets)
    classes = [
        ClassResult(name, figures, {}, tuple(each for each in found.targets if each.class_name == name))
        for name in names
    ]
    return replace(first, classes=tuple(classes), overload=None)


def work(found: Conditions) -> Table:
    """How long amounts of work take over the conditions, and at what time of day they are done."""
    columns: list[Column[Work]] = [
        Column(Head("class", "name"), lambda each: each.class_name),
        Column(Head("amount"), lambda each: short_size(each.amount)),
        Column(Head("from the\nbeginning of", "name"), lambda each: each.begins),
        Column(Head("takes"), lambda each: duration(each.time)),
        Column(Head("done in", "name"), lambda each: each.ends or "–"),
    ]
    if any(done_at(found, each) for each in found.work):
        columns.append(Column(Head("done at"), lambda each: done_at(found, each) or "–"))
    return table_of(columns, found.work)


def duration(estimate: IntervalEstimate) -> Cell:
    """A time in the unit that suits it, with the unit behind it."""
    unit = unit_of("duration", [estimate.value])

    def write(digits: int, notes: Footnotes) -> tuple[str, str]:
        value, half = notes.figure(unit.of(estimate), digits)
        return value, f"{half} {unit.name}".strip() if estimate.value is not None else ""

    return write


def done_at(found: Conditions, each: Work) -> str:
    """The time of day at which work is done, with its error; empty where nobody knows when the day begins."""
    value, half = each.time.value, each.time.half_width
    if found.begins is None or value is None:
        return ""
    hours, minutes = map(int, found.begins.split(":"))
    at = round((hours * 60 + minutes) + (each.after_s + value) / 60)
    days = f" on day {at // 1440 + 1}" if at >= 2 * 1440 else ""
    error = "" if half is None else f" ±{max(math.ceil(half / 60), 1)} min"
    return f"{at // 60 % 24}:{at % 60:02d}{error}{days}"


def class_in_each(found: Conditions, name: str) -> Table:
    """What a class sees in every condition that has it, and over all of them."""
    mine: list[tuple[str, ClassResult | None, str]] = []
    for each in found.conditions:
        classes = {one.name: one for one in each.result.classes}
        if each.result.overload is not None:
            mine.append((each.name, None, "overloaded: no latency is quoted"))
        elif name in classes:
            mine.append((each.name, classes[name], ""))
        elif not each.is_known:
            mine.append((each.name, None, "left out"))
    whole = {one.name: one for one in found.classes}
    overloaded = any(each.result.overload is not None for each in found.conditions)
    mine.append((WHOLE, whole.get(name), f"a condition {'is overloaded' if overloaded else 'was left out'}"))
    return _side_by_side(mine)


def _side_by_side(mine: Sequence[tuple[str, ClassResult | None, str]]) -> Table:
    figures = [
        (label, {} if each is None else dict(statistics(each.all)), said) for label, each, said in mine
    ]
    times = [e.value for _, row, _ in figures for q, e in row.items() if q in SEEN and q.is_latency]
    units = [unit_of(quantity.dimension, times) for quantity in SEEN]
    rows: list[list[Cell]] = []
    for label, row, said in figures:
        cells = (
            unit.of(row[quantity]) if quantity in row else unknown(said)
            for quantity, unit in zip(SEEN, units, strict=True)
        )
        rows.append([label, *cells])
    heads = [f"{quantity.shown},\n{unit.name}" for quantity, unit in zip(SEEN, units, strict=True)]
    return Table.of([Head("condition", "name"), *heads], rows)


def spells(found: Sequence[Spell]) -> Table:
    """What overloaded conditions leave behind."""
    never = "the cycle cannot drain"
    columns: tuple[Column[Spell], ...] = (
        Column(Head("condition", "name"), lambda each: each.condition),
        Column(Head("cannot keep up", "name"), lambda each: each.station),
        Column(Head("backlog at its\nend, requests"), lambda each: number(each.backlog)),
        Column(Head("longest\nwait"), lambda each: _time(each.longest_wait_s, never)),
        Column(Head("gone after\nits end by"), lambda each: _time(each.drain_s, never)),
    )
    return table_of(columns, found)


def broken(found: Sequence[Spell]) -> Table:
    """For how long promises are broken by overloaded conditions, the limits of latencies taken as those of the wait."""
    rows = [(spell.condition, name, q.shown, s) for spell in found for (name, q), s in spell.broken_s.items()]
    return Table.of(
        [Head("condition", "name"), Head("class", "name"), Head("quantity", "name"), "broken for"],
        [(*row, _time(seconds, "for good")) for *row, seconds in rows],
    )


def _time(seconds: float | None, reason: str) -> Cell:
    return known(None if seconds is None or math.isinf(seconds) else seconds, duration_text, reason)


def estimated(found: ConditionEstimates) -> Table:
    """What closed forms say of every condition: what binds, how full it is, and mean and p99 of each class."""
    names = list(dict.fromkeys(name for each in found.conditions for name in each.theory.classes))
    figures = [each.theory.classes.get(name) for each in found.conditions for name in names]
    values = [value for one in figures if one is not None for value in (one.mean_s, one.p99_s)]
    unit = unit_of("time", values)
    heads: list[Head | str] = [
        Head("condition", "name"),
        _lasting(found),
        Head("binds first", "name"),
        "load, % of\nsaturation",
        *(Head(f"{said}, {unit.name}", over=name) for name in names for said in ("mean", "p99")),
    ]
    rows: list[list[Cell]] = []
    for each in found.conditions:
        saturation = each.theory.saturation
        row: list[Cell] = [
            each.name,
            _lasts(each),
            "" if saturation is None else saturation.station,
            known(None if saturation is None else 1 / saturation.load_factor, percent, "no class is open"),
        ]
        for name in names:
            one = each.theory.classes.get(name)
            over = "overloaded" if saturation is not None and saturation.is_exceeded else "none known"
            reason = over if one is None else one.p99_reason or "none known"
            both = (None, None) if one is None else (one.mean_s, one.p99_s)
            row += [known(figure, lambda value: unit.number(value, 4), reason) for figure in both]
        rows.append(row)
    return Table.of(heads, rows)
