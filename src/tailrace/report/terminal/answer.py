"""The answer on a terminal: verdict, what each class sees, where its time goes, and what the stations bear.

Every table fits 80 columns: figures are never cut; long names are, with "…".
"""

from __future__ import annotations

from dataclasses import replace

from rich.console import RenderableType
from rich.padding import Padding
from rich.text import Text

from tailrace.answer.result import ClassResult, Result
from tailrace.report.columns import answer as tables
from tailrace.report.columns.theory import beside_simulated, method_sentences
from tailrace.report.sentences import (
    CAUTION,
    binding_sentence,
    interval_sentence,
    method_sentence,
    tail_sentence,
    transaction_sentence,
    verdict_sentence,
)
from tailrace.report.table import Table, table_of
from tailrace.report.terminal.layout import STYLES, hanging, heading, listed, shown, under


def parts(result: Result, width: int) -> list[RenderableType]:
    """The whole answer for a terminal of that many columns."""
    found: list[RenderableType] = [Text(result.title, style="bold"), Text()]
    found.append(Text(verdict_sentence(result), style=STYLES.get(result.verdict, "")))
    binding = binding_sentence(result)
    if binding is not None:
        found.append(Text(binding))
    found += under("Targets", tables.targets([("", result)]), width)
    for each in result.classes:
        found += _class(each, width)
    found += _theory(result, width)
    # Where nothing was run that could show how busy the stations are, the load says what it asks of them.
    found += under("Stations", _stations(result) or tables.offered_load(result.theory), width)
    found += under("Rebuild", table_of(tables.REBUILDS, result.rebuilds), width)
    found += listed("Notes", result.notes)
    found += [Text(), Text(method_sentence(result))]
    if result.classes:
        found.append(Text(interval_sentence(result)))
    return [*found, Text(CAUTION)]


def _class(each: ClassResult, width: int) -> list[RenderableType]:
    """What a class sees, its reads and writes apart, and where its time goes."""
    found = [*heading(f"Class {each.name}"), *shown(tables.class_figures(each), width)]
    transactions = transaction_sentence(each)
    if transactions is not None:
        found.append(_indented(transactions))
    if each.steps:
        found += [Text(), *shown(tables.steps(each), width)]
    samples = {"all requests": each.all.stages, "slowest 1 %": each.all.slowest_stages}
    found += [Text(), *shown(tables.stage_times(samples), width)]
    tail = tail_sentence(each.all)
    return [*found, *([_indented(tail)] if tail else [])]


def _indented(text: str) -> RenderableType:
    return Padding(Text(text), (0, 0, 0, 2))


def _theory(result: Result, width: int) -> list[RenderableType]:
    """Simulated and closed form side by side, and how the latter was come by; nothing where it says nothing."""
    methods = [hanging("-", text) for text in method_sentences(result.theory)] if result.classes else []
    beside = beside_simulated(result)
    return [*heading("Theory"), *(shown(beside, width) if beside.rows else []), *methods] if methods else []


def _stations(result: Result) -> Table | None:
    """The stations under the names of their stages; delays, where nobody waits, are left out."""
    busy = replace(result, stations=tuple(each for each in result.stations if each.discipline != "delay"))
    return tables.stations(busy).grouped("stage") if busy.stations else None
