"""What closed forms alone say, on a terminal."""

from __future__ import annotations

from rich.console import Console, RenderableType
from rich.text import Text

from tailrace.forecast.result import Theory
from tailrace.report.columns.answer import offered_load
from tailrace.report.columns.theory import alone, method_sentences
from tailrace.report.sentences import estimate_sentence
from tailrace.report.terminal.layout import hanging, heading, listed, shown, text_of, under


def estimate_text(title: str, theory: Theory, console: Console | None = None) -> str:
    """The answer of closed forms as text: for a console of 80 columns without colours if none is given."""
    return text_of(lambda width: [Text(title, style="bold"), Text(), *parts(theory, width)], console)


def parts(theory: Theory, width: int) -> list[RenderableType]:
    """The same for a terminal of that many columns."""
    found: list[RenderableType] = [Text(estimate_sentence(theory))]
    if theory.classes:
        found += [*heading("Latency by closed forms"), *shown(alone(theory), width)]
        found += [hanging("-", text) for text in method_sentences(theory)]
    found += under("Stations", offered_load(theory), width)
    found += listed("Notes", theory.notes)
    return [*found, Text(), Text("Nothing was simulated: tailrace run gives intervals, and all quantiles.")]
