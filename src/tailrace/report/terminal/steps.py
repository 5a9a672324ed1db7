"""The steps of a transaction as a table: what each takes, in the mean, in its own tail and in the slowest 1 %."""

from __future__ import annotations

from rich.console import RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from tailrace.answer.result import ClassResult
from tailrace.measure.estimate import Estimate
from tailrace.report.figures import TIME_UNITS, aligned, number, time_unit
from tailrace.report.terminal.layout import Footnotes, fitted, plain_table

STEP_FIGURES = ("mean", "p50", "p99")


def transaction_sentence(each: ClassResult) -> str | None:
    """How transactions and requests go together; None where a class has no transactions."""
    count, rate = each.requests_per_transaction, each.all.rate_per_s.value
    if count is None:
        return None
    said = f"Rates, counts and latencies are of transactions. Each is of {count:,} request{'s' * (count > 1)}"
    if rate is None:
        return f"{said}."
    return f"{said}: {number(rate, 4)} transactions/s are {number(rate * count, 4)} requests/s."


def step_figures(each: ClassResult) -> tuple[str, list[list[Estimate]]]:
    """The unit in which the steps of a class are told, and for each step its figures in that unit: `STEP_FIGURES`, and
    the mean in the slowest 1 %.
    """
    rows = [[*(step.latency_s[name] for name in STEP_FIGURES), step.slowest_s] for step in each.steps]
    unit = time_unit([e.value for row in rows for e in row if e.value is not None])
    return unit, [[e.scaled(1 / TIME_UNITS[unit]) for e in row] for row in rows]


def steps_block(each: ClassResult, width: int) -> list[RenderableType]:
    """The table of the steps; nothing where a class has none."""
    sentence = transaction_sentence(each)
    if sentence is None:
        return []
    said: list[RenderableType] = [Padding(Text(sentence), (0, 0, 0, 2))]
    if not each.steps:
        return said

    def build(digits: int) -> tuple[Table, Footnotes]:
        notes = Footnotes()
        unit, rows = step_figures(each)
        table = plain_table(f"step, {unit}", "\nrequests", "all\nmean", "\np50", "\np99", "slowest 1 %\nmean")
        cells = [aligned([notes.figure(e, digits) for e in column]) for column in zip(*rows, strict=True)]
        for step, *row in zip(each.steps, *cells, strict=True):
            table.add_row(Text(step.name), f"{step.requests:,}" if step.requests else "–", *row)
        return table, notes

    return [*said, Text(), *fitted(build, width)]
