"""Designs side by side on a terminal: verdicts, what each costs and carries, and how their latencies differ."""

from __future__ import annotations

import math

from rich.console import RenderableType
from rich.text import Text

from tailrace.report.columns.answer import targets
from tailrace.report.columns.studies import boxes, differences
from tailrace.report.sentences import CAUTION, judged_sentence
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
    found += [hanging("-", line) for line in _box_sentences(comparison)]
    for design in others:
        mine = [each for each in comparison.differences if each.design == design.name]
        for name in dict.fromkeys(each.class_name for each in mine):
            given = differences(comparison, design, [each for each in mine if each.class_name == name])
            found += under(f"Class {name}: {design.name} against {first.name}", given, width)
    found += listed("Notes", dict.fromkeys(note for _, each in results for note in each.notes))
    method = (
        f"Method: tailrace {first.result.version}, seed {first.result.seed}, the same requests for every design. ± is "
        "half of the 95 % confidence interval, of differences and ratios from pairs of replications. Each holds by "
        "itself: of twenty that are 0, one is expected to look different."
    )
    return [*found, Text(), Text(method + judged_sentence(each for _, each in results)), Text(CAUTION)]


def _box_sentences(comparison: Comparison) -> list[str]:
    """How many of the one do what one of the other does, whichever way round it is one or more."""
    first, said = comparison.designs[0], []
    for other in comparison.designs[1:]:
        if first.carries is None or other.carries is None:
            continue
        ratio = other.carries / first.carries
        weak, strong = (first, other) if ratio >= 1 else (other, first)
        count = math.ceil(max(ratio, 1 / ratio) * (1 - 1e-9))
        said.append(
            f"{count:,} of {weak.name} {'do' if count > 1 else 'does'} what one {strong.name} does at the targets, "
            "the load shared evenly."
        )
    return said
