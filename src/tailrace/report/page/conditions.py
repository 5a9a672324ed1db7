"""The report of a scenario with conditions: one page for all of them, that needs nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from tailrace.report.columns import conditions as columns
from tailrace.report.columns.answer import class_figures
from tailrace.report.columns.studies import boxes, class_differences, differences
from tailrace.report.condition_words import FLUID, conditions_method, conditions_sentence, place_words
from tailrace.report.page.beside import told_alike
from tailrace.report.page.site import Drawing, command, page
from tailrace.report.pictures.conditions import conditions_picture
from tailrace.report.study_words import PAIRED, matching_sentences
from tailrace.report.table import Head, Table
from tailrace.scenario.reading.conditions import settings
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.beside import Beside
from tailrace.study.compare_conditions import ConditionsComparison
from tailrace.study.conditions import Conditions


@dataclass(frozen=True)
class ConditionsAccount:
    """A scenario with its answer in every condition, the text of its file and the keys set over it."""

    name: str
    scenario: Scenario
    source: str
    settings: tuple[str, ...]
    answer: Conditions
    beside: Beside = field(default_factory=Beside)


def conditions_page(
    accounts: Sequence[ConditionsAccount],
    files: Sequence[str] = (),
    extras: Sequence[str] = (),
    comparison: ConditionsComparison | None = None,
) -> str:
    """The page of one scenario with conditions, or of several side by side in front; otherwise as `report_page`."""
    first, several = accounts[0], len(accounts) > 1
    context: dict[str, Any] = {
        "title": "Designs compared" if several else first.answer.title,
        "version": first.answer.version,
        "compared": None if comparison is None else _compared(comparison),
        "scenarios": [_told(each, f"s{place}", several) for place, each in enumerate(accounts)],
        "command": command(files, first.settings, extras, first.answer.seed),
        "several": several,
    }
    return page("conditions.html", context)


def _told(each: ConditionsAccount, prefix: str, several: bool) -> dict[str, Any]:
    answer, scenario = each.answer, each.scenario
    names = dict.fromkeys(one.name for part in answer.conditions for one in part.result.classes)
    return {
        **told_alike(scenario, answer, each.source, each.settings, each.beside, prefix),
        "name": each.name if several else "",
        "verdict_said": conditions_sentence(answer),
        "sets": sets(scenario),
        "promises": columns.promises(answer),
        "work": columns.work(answer),
        "states": columns.states(answer),
        "picture": _picture(answer, prefix),
        "spells": columns.spells(answer.spells),
        "broken": columns.broken(answer.spells),
        "fluid": FLUID,
        "classes": [(name, columns.class_in_each(answer, name)) for name in names],
        "over_all": [(one.name, class_figures(one)) for one in answer.classes],
        "method": conditions_method(answer),
    }


def sets(scenario: Scenario) -> Table:
    """What every condition sets, key by key."""
    rows = [
        (each.name, key, str(value))
        for each in scenario.condition
        for key, value in settings(each.set).items() or [("nothing", "")]
    ]
    return Table.of([Head("condition", "name"), Head("key", "name"), Head("value", "name")], rows)


def _picture(answer: Conditions, prefix: str) -> Drawing:
    said = conditions_sentence(answer)
    return Drawing(
        f"{prefix}-conditions",
        lambda width: conditions_picture(answer, width=width),
        f"Mean and p99 latency of each class in every condition, and the load in each. {said}",
        "Marks are the figures, bars through them their 95 % intervals, dashed strokes the targets; below stands the "
        "load of each condition, of what saturates the server. The loads as numbers stand above, the latencies under "
        "“What each class sees”.",
        (),
    )


def _compared(comparison: ConditionsComparison) -> dict[str, Any]:
    found = []
    for condition, one in comparison.conditions.items():
        for title, design, mine in class_differences(one):
            whole = [each for each in mine if each.kind == "all"]
            found.append((f"{title}, {place_words(condition)}", differences(one, design, whole)))
    return {
        "boxes": boxes(comparison.whole),
        "matching": matching_sentences(comparison.whole),
        "differences": found,
        "paired": PAIRED,
    }
