"""Which design is chosen, why none of the lesser ones would do, and what comes next, on a terminal."""

from __future__ import annotations

from rich.console import RenderableType
from rich.text import Text

from tailrace.report.choice_words import choice_method, choice_sentence, lesser_sentence
from tailrace.report.columns.choice import designs
from tailrace.report.sentences import CAUTION
from tailrace.report.terminal.layout import under
from tailrace.study.choose import Choice

NEAREST, FEW = 10, 3
"""Lesser designs that are shown, the dearest of them, and combinations that cannot be; all are in the files."""


def parts(found: Choice, width: int) -> list[RenderableType]:
    """The whole answer for a terminal of that many columns."""
    nearest = found.lesser[-NEAREST:]
    more = len(found.lesser) - len(nearest)
    title = "Designs that would take less" if found.chosen else "The dearest designs"
    title += f": the nearest {len(nearest)} of {len(found.lesser)}" if more else ""
    body: list[RenderableType] = [
        Text(found.title, style="bold"),
        Text(),
        Text(choice_sentence(found)),
        Text(lesser_sentence(found)),
    ]
    if found.chosen is not None:
        body += under("Chosen, and the next ones up", designs(found, [found.chosen, *found.next_up]), width)
    body += under(title, designs(found, nearest), width)
    impossible = "What cannot be"
    if len(found.impossible) > FEW:
        impossible += f": {len(found.impossible):,} designs, such as"
    body += under(impossible, designs(found, found.impossible[:FEW]), width)
    return [*body, Text(), Text(choice_method(found)), Text(CAUTION)]
