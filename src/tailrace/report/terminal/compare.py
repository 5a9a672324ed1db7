"""Designs side by side on a terminal: verdicts, what each costs and carries, and how their latencies differ."""

from __future__ import annotations

from rich.console import RenderableType
from rich.text import Text

from tailrace.report.columns.answer import targets
from tailrace.report.columns.studies import boxes, class_differences, differences
from tailrace.report.sentences import CAUTION, judged_sentence
from tailrace.report.study_words import PAIRED, matching_sentences
from tailrace.report.terminal.layout import hanging, listed, under
from tailrace.study.compare import Comparison


def parts(comparison: Comparison, width: int) -> list[RenderableType]:
    """The whole comparison for a terminal of that many columns."""
    first, *others = comparison.designs
    found: list[RenderableType] = [
        Text(f"{first.name}, and against it {', '.join(each.name for each in others)}", style="bold")
    ]
    results = [(each.name, each.result) for each in comparison.designs]
    found += under("Verdicts", targets(results), width)
    found += under("What one carries", boxes(comparison), width)
    found += [hanging("-", line) for line in matching_sentences(comparison)]
    for said, design, mine in class_differences(comparison):
        found += under(said, differences(comparison, design, mine), width)
    found += listed("Notes", dict.fromkeys(note for _, each in results for note in each.notes))
    method = (
        f"Method: tailrace {first.result.version}, seed {first.result.seed}, the same requests for every design. "
        f"{PAIRED}"
    )
    return [*found, Text(), Text(method + judged_sentence(each for _, each in results)), Text(CAUTION)]
