"""How does a terminal show it? Tables without lines, in as many columns as there are, with notes below them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from io import StringIO

from rich import table as rich
from rich.console import Console, Group, RenderableType
from rich.constrain import Constrain
from rich.padding import Padding
from rich.text import Text

from tailrace.report.figures import FEW_DIGITS, MOST_DIGITS, aligned, cut_apart
from tailrace.report.table import Head, Table

WIDEST = 100
"""Columns beyond which no answer spreads."""
SHORTEST_NAME = 8
"""Columns that a name keeps where there is no room."""
STYLES = {"met": "green", "missed": "bold red", "undecided": "yellow", "overloaded": "bold red"}
"""How verdicts are coloured."""


def text_of(show: Callable[[int], Sequence[RenderableType]], console: Console | None = None) -> str:
    """What is shown in so many columns, as text for a console: one of 80 columns without colours if none is given."""
    console = console or Console(file=StringIO(), width=80, color_system=None)
    width = min(console.width, WIDEST)
    with console.capture() as captured:
        console.print(Constrain(Group(*show(width)), width))
    return "".join(f"{line.rstrip()}\n" for line in captured.get().splitlines())


def heading(text: str) -> list[RenderableType]:
    """An empty line and a title."""
    return [Text(), Text(text, style="bold")]


def hanging(mark: str, text: str) -> RenderableType:
    """Prose that hangs beside its mark."""
    grid = rich.Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column()
    grid.add_row(Text(mark), Text(text))
    return Padding(grid, (0, 0, 0, 2))


def listed(title: str, texts: Iterable[str]) -> list[RenderableType]:
    """Prose below a title, an item each; nothing where there is none."""
    items = [hanging("-", text) for text in texts]
    return [*heading(title), *items] if items else []


def under(title: str, given: Table, width: int) -> list[RenderableType]:
    """A table below a title; nothing where it has no rows."""
    return [*heading(title), *shown(given, width)] if given.rows else []


def shown(given: Table, width: int) -> list[RenderableType]:
    """The table with all its digits, or with few if that is too wide; then the longest names give way."""
    console = Console(width=10_000, file=StringIO())
    for digits in (MOST_DIGITS, FEW_DIGITS):
        written = given.written(digits)
        drawn = _drawn(given, written.rows)
        excess = console.measure(drawn).maximum - (width - 2)
        if excess <= 0:
            break
    else:
        names = [place for place, head in enumerate(given.heads) if head.kind == "name"]
        columns = [drawn.columns[place] for place in names]
        widths = [console.measure(Group(column.header, *column.cells)).maximum for column in columns]
        while excess > 0 and max(widths, default=0) > SHORTEST_NAME:
            widths[widths.index(max(widths))] -= 1
            excess -= 1
        for place, size in zip(names, widths, strict=True):
            room = size - 2 if given.groups and place == 0 else size
            for row, text in zip(
                written.rows, cut_apart([row[place][0] for row in written.rows], room), strict=True
            ):
                row[place] = (text, row[place][1])
        drawn = _drawn(given, written.rows)
        for place, size in zip(names, widths, strict=True):
            drawn.columns[place].max_width = size
    return [Padding(drawn, (0, 0, 0, 2)), *(hanging(mark, reason) for mark, reason in written.notes)]


def _drawn(given: Table, rows: Sequence[Sequence[tuple[str, str]]]) -> rich.Table:
    drawn = rich.Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for text, head in zip(_headings(given.heads), given.heads, strict=True):
        side = "right" if head.kind == "figure" else "left"
        drawn.add_column(Text(text), no_wrap=True, overflow="ellipsis", justify=side)  # type: ignore[arg-type]
    columns = [
        aligned(column) if head.kind == "figure" else [text for text, _ in column]
        for column, head in zip(zip(*rows, strict=True), given.heads, strict=False)
    ]
    groups = given.groups or [""] * len(rows)
    group = ""
    for mine, *cells in zip(groups, *columns, strict=True):
        if mine != group:
            group = mine
            drawn.add_row(Text(group, style="italic"))
        texts = [
            Text(cell, style=STYLES.get(cell, "") if head.kind == "verdict" else "")
            for cell, head in zip(cells, given.heads, strict=True)
        ]
        if group:
            texts[0] = Text("  ").append_text(texts[0])
        drawn.add_row(*texts)
    return drawn


def _headings(heads: Sequence[Head]) -> list[str]:
    """The headings; one that stands over several columns is written once."""
    above = ["", *(head.over for head in heads)]
    return [
        f"{head.over if head.over != left else ''}\n{head.text}" if head.over else head.text
        for left, head in zip(above, heads, strict=False)
    ]
