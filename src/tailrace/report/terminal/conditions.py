"""An answer with conditions on a terminal: the conditions, their promises, what each class sees."""

from __future__ import annotations

from rich.console import RenderableType
from rich.text import Text

from tailrace.report.columns import conditions as tables
from tailrace.report.columns.answer import class_figures
from tailrace.report.condition_words import FLUID, conditions_method, conditions_sentence
from tailrace.report.sentences import CAUTION
from tailrace.report.terminal.layout import STYLES, listed, under
from tailrace.study.conditions import Conditions


def parts(found: Conditions, width: int) -> list[RenderableType]:
    """The whole answer for a terminal of that many columns."""
    said: list[RenderableType] = [Text(found.title, style="bold"), Text()]
    said.append(Text(conditions_sentence(found), style=STYLES.get(found.verdict, "")))
    said += under("Conditions", tables.states(found), width)
    if found.spells:
        said += under("Overloaded spells", tables.spells(found.spells), width)
        said += under("Promises broken by what waits", tables.broken(found.spells), width)
        said += [Text(), Text(FLUID)]
    said += under("Targets", tables.promises(found), width)
    if found.work:
        said += under("Work", tables.work(found), width)
    names = dict.fromkeys(one.name for each in found.conditions for one in each.result.classes)
    for name in names:
        said += under(f"Class {name}", tables.class_in_each(found, name), width)
    for each in found.classes:
        said += under(f"Class {each.name} over all conditions", class_figures(each), width)
    said += listed("Notes", found.notes)
    said += [Text(), Text(conditions_method(found))]
    said.append(Text("Where the time goes in one of them: --condition NAME."))
    return [*said, Text(CAUTION)]
