"""Designs side by side in every condition, on a terminal."""

from __future__ import annotations

from rich.console import RenderableType
from rich.text import Text

from tailrace.report.columns.answer import targets
from tailrace.report.columns.conditions import spells
from tailrace.report.columns.studies import boxes, class_differences, differences
from tailrace.report.condition_words import FLUID, conditions_sentence, place_words
from tailrace.report.sentences import CAUTION, judged_sentence
from tailrace.report.study_words import PAIRED, matching_sentences
from tailrace.report.terminal.layout import hanging, listed, under
from tailrace.study.compare_conditions import ConditionsComparison


def parts(found: ConditionsComparison, width: int) -> list[RenderableType]:
    """The whole comparison for a terminal of that many columns."""
    first, *others = found.answers
    said: list[RenderableType] = [Text(f"{first}, and against it {', '.join(others)}", style="bold"), Text()]
    said += [hanging("-", f"{name}: {conditions_sentence(each)}") for name, each in found.answers.items()]
    for condition, comparison in found.conditions.items():
        results = [(each.name, each.result) for each in comparison.designs]
        if any(each.overload is not None or any(one.targets for one in each.classes) for _, each in results):
            said += under(f"Verdicts, {place_words(condition)}", targets(results), width)
    for name, each in found.answers.items():
        said += under(f"Overloaded spells of {name}", spells(each.spells), width)
    if any(each.spells for each in found.answers.values()):
        said += [Text(), Text(FLUID)]
    said += under("What one carries in every condition", boxes(found.whole), width)
    said += [hanging("-", line) for line in matching_sentences(found.whole)]
    for condition, comparison in found.conditions.items():
        for title, design, mine in class_differences(comparison):
            whole = [
                each for each in mine if each.kind == "all"
            ]  # reads and writes apart would be three times as much
            said += under(f"{title}, {place_words(condition)}", differences(comparison, design, whole), width)
    notes = {name: each.notes for name, each in found.answers.items()}
    shared = [note for note in notes[first] if all(note in mine for mine in notes.values())]
    own = [f"{name}: {note}" for name, mine in notes.items() for note in mine if note not in shared]
    said += listed("Notes", [*shared, *own])
    answer = found.answers[first]
    method = (
        f"Method: tailrace {answer.version}, seed {answer.seed}, the same requests for every design. {PAIRED}"
    )
    results_ = [each.result for answer in found.answers.values() for each in answer.conditions]
    return [*said, Text(), Text(method + judged_sentence(results_)), Text(CAUTION)]
