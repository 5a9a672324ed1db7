"""How is a table laid out on a terminal? Without lines, in as many columns as there are, with notes below."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from io import StringIO

from rich.console import Console, Group, RenderableType
from rich.constrain import Constrain
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from tailrace.measure.estimate import Estimate
from tailrace.report.figures import FEW_DIGITS, MOST_DIGITS, interval_figure

WIDEST = 100
"""Columns beyond which no answer spreads."""


def as_text(show: Callable[[int], Sequence[RenderableType]], console: Console | None = None) -> str:
    """What is shown in so many columns, as text for a console: one of 80 columns without colours if none is given."""
    console = console or Console(file=StringIO(), width=80, color_system=None)
    width = min(console.width, WIDEST)
    with console.capture() as captured:
        console.print(Constrain(Group(*show(width)), width))
    return "".join(f"{line.rstrip()}\n" for line in captured.get().splitlines())


class Footnotes:
    """Marks for what is not known, one for each reason, and the reasons under the table."""

    def __init__(self) -> None:
        self._marks: dict[str, str] = {}

    def mark(self, reason: str) -> str:
        """The mark of a reason: a raised number."""
        count = str(len(self._marks) + 1).translate(str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹"))
        return self._marks.setdefault(reason, count)

    def lines(self) -> list[RenderableType]:
        """A line for each reason."""
        return [hanging(mark, reason) for reason, mark in self._marks.items()]

    def figure(self, estimate: Estimate, digits: int) -> tuple[str, str]:
        """Value and half-width; with a mark where there is no interval, or no value at all."""
        value, half = interval_figure(estimate, digits)
        return (value, half) if estimate.has_interval else (value + self.mark(estimate.method), "")


def heading(text: str) -> list[RenderableType]:
    """An empty line and a title."""
    return [Text(), Text(text, style="bold")]


def hanging(mark: str, text: str) -> RenderableType:
    """Prose that hangs beside its mark."""
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column()
    grid.add_row(Text(mark), Text(text))
    return Padding(grid, (0, 0, 0, 2))


def plain_table(first: str, *others: str) -> Table:
    """A table without lines: names at the left, figures to the right of them."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in (first, *others):
        table.add_column(Text(name), no_wrap=True, overflow="ellipsis", justify="right")
    table.columns[0].justify = "left"
    return table


def fitted(build: Callable[[int], tuple[Table, Footnotes]], width: int) -> Sequence[RenderableType]:
    """The table with all its digits, or with few if that is too wide; then the names in its first column give way."""
    console = Console(width=10_000, file=StringIO())
    room = width - 2
    for digits in (MOST_DIGITS, FEW_DIGITS):
        table, notes = build(digits)
        excess = console.measure(table).maximum - room
        if excess <= 0:
            break
    else:
        names = console.measure(Group(*table.columns[0].cells)).maximum
        table.columns[0].max_width = max(names - excess, 8)
    return [Padding(table, (0, 0, 0, 2)), *notes.lines()]
