"""What closed forms alone say of every condition, on a terminal."""

from __future__ import annotations

from rich.console import RenderableType
from rich.text import Text

from tailrace.forecast.conditions import ConditionEstimates
from tailrace.report.columns.conditions import broken, estimated, spells
from tailrace.report.condition_words import FLUID, estimates_sentence
from tailrace.report.terminal.layout import listed, under


def parts(found: ConditionEstimates, width: int) -> list[RenderableType]:
    """The whole answer for a terminal of that many columns."""
    said: list[RenderableType] = [Text(found.title, style="bold"), Text(), Text(estimates_sentence(found))]
    said += under("Conditions", estimated(found), width)
    if found.spells:
        said += under("Overloaded spells", spells(found.spells), width)
        said += under("Promises broken by what waits", broken(found.spells), width)
        said += [Text(), Text(FLUID)]
    said += listed("Notes", dict.fromkeys(note for each in found.conditions for note in each.theory.notes))
    closing = (
        "Nothing was simulated: tailrace run gives intervals, and all quantiles. How a figure was come by: "
        "--condition NAME."
    )
    return [*said, Text(), Text(closing)]
