"""What would mend a missed target, and what could be saved, on a terminal: a row a resource, the best first."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import RenderableType
from rich.text import Text

from tailrace.report.columns.studies import costs, relieved
from tailrace.report.sentences import CAUTION
from tailrace.report.study_words import relief_sentence
from tailrace.report.terminal.layout import listed, under
from tailrace.study.relief import Relief, Relieved

NOTHING = "nothing that could be changed is written in the scenario"


def parts(found: Relief, width: int) -> list[RenderableType]:
    """The whole answer for a terminal of that many columns."""

    def changed(title: str, rows: Sequence[Relieved]) -> list[RenderableType]:
        return under(title, relieved(found, rows), width) or listed(title, [NOTHING])

    method = (
        f"Seed {found.seed}, {found.replications} replications with the same random numbers throughout, "
        f"{found.requests:,} requests in all. ± is half of the interval of the paired ratio; all of a table hold "
        "together at 95 %. Resources work together: mend one, and ask again."
    )
    return [
        Text(found.title, style="bold"),
        Text(),
        Text(relief_sentence(found)),
        *changed("Each resource doubled", found.doubled),
        *changed("Each resource halved: what could be saved", found.halved),
        *under("What that costs", costs(found), width),
        Text(),
        Text(method),
        Text(CAUTION),
    ]
