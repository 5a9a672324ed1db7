"""How far a key can go, on a terminal: the bracket, what plain division would have said, and every value tried."""

from __future__ import annotations

from rich.console import RenderableType
from rich.text import Text

from tailrace.report.columns.studies import one_target, rules, target_unit, tried
from tailrace.report.sentences import CAUTION
from tailrace.report.study_words import headroom_sentence
from tailrace.report.terminal.layout import listed, under
from tailrace.study.headroom import RESOLUTION, Headroom


def parts(found: Headroom, width: int) -> list[RenderableType]:
    """The whole answer for a terminal of that many columns."""
    alike = one_target(found)
    promised = ""
    if alike is not None:
        limit = target_unit(alike).text(alike.limit, 6)
        promised = f" (promised: {alike.quantity.bound} {limit})"
    closing = "Plain division knows no queue: at its value every request waits without end."
    if found.tried:
        closing = (
            f"Seed {found.seed}, {found.requests:,} requests in all. ± is half of an interval so wide that all "
            f"verdicts hold together with 95 %; values closer than {100 * RESOLUTION:g} % are not told apart."
        )
    return [
        Text(found.title, style="bold"),
        Text(),
        Text(headroom_sentence(found)),
        *under("What each rule allows", rules(found), width),
        *under(f"Every value tried{promised}", tried(found), width),
        *listed("Notes", found.notes),
        Text(),
        Text(closing),
        Text(CAUTION),
    ]
