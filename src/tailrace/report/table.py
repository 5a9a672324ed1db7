"""What is a table? Headings and cells, the same for terminal and page, with the reasons of what is not known below.

A cell is a text, an `IntervalEstimate` in the unit of its heading, or anything that writes itself (`Writer`): `noted`,
`signed`, `shorter` and the like make those. How many digits a figure gets, and where a mark leads, is decided when a
table is written: `terminal/layout.py` does that for terminals, `page/parts.html` for pages.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Generic, Literal, TypeAlias, TypeVar

from tailrace.measure.interval import IntervalEstimate
from tailrace.report.figures import MOST_DIGITS, interval_figure

HeadKind: TypeAlias = Literal["figure", "name", "text", "prose", "verdict"]
"""What a column holds. Figures stand at the right, all else at the left. On a terminal names give way where there is no
room, and short texts do not; on a page prose may run over several lines.
"""


class Footnotes:
    """Marks for what is not known, one for each reason."""

    def __init__(self) -> None:
        self._marks: dict[str, str] = {}

    def mark(self, reason: str) -> str:
        """The mark of a reason: a raised number; nothing for no reason."""
        count = str(len(self._marks) + 1).translate(str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹"))
        return self._marks.setdefault(reason, count) if reason else ""

    @property
    def lines(self) -> list[tuple[str, str]]:
        """Every mark with its reason, in order."""
        return [(mark, reason) for reason, mark in self._marks.items()]

    def figure(self, estimate: IntervalEstimate, digits: int, finest: float = 0.0) -> tuple[str, str]:
        """Value and half-width; with a mark where there is no interval, or no value at all."""
        value, half = interval_figure(estimate, digits, finest)
        return (value, half) if estimate.has_interval else (value + self.mark(estimate.method), "")


Writer: TypeAlias = Callable[[int, Footnotes], tuple[str, str]]
"""Writes a cell with so many digits: a value, and what follows it, which lines up with that of the cells above."""
Cell: TypeAlias = str | IntervalEstimate | Writer


def noted(text: str, reason: str) -> Writer:
    """A text with a mark that leads to a reason."""
    return lambda _, notes: (text + notes.mark(reason), "")


def unknown(reason: str = "") -> Writer:
    """A dash, and why."""
    return noted("–", reason)


def known(value: float | None, write: Callable[[float], str], reason: str = "") -> Cell:
    """A number as it is written, or a dash and why there is none."""
    return unknown(reason) if value is None else write(value)


def pair(value: str, rest: str) -> Writer:
    """A value and what follows it."""
    return lambda *_: (value, rest)


def shorter(text: str, short: str) -> Writer:
    """A text, and a shorter one for where there is no room."""
    return lambda digits, _: (text if digits == MOST_DIGITS else short, "")


def signed(estimate: IntervalEstimate) -> Writer:
    """A difference: with its sign."""

    def write(digits: int, notes: Footnotes) -> tuple[str, str]:
        value, half = notes.figure(estimate, digits)
        plus = "+" if estimate.value is not None and estimate.value > 0 else ""
        return f"{plus}{value}".replace("-", "−"), half

    return write


@dataclass(frozen=True)
class Head:
    """A heading, which a line break divides on a terminal; ``over`` stands above it and its neighbours of the same."""

    text: str
    kind: HeadKind = "figure"
    over: str = ""

    @property
    def line(self) -> str:
        """The heading in one line."""
        text = self.text.replace("\n", " ").strip()
        return f"{self.over}: {text}" if self.over else text


@dataclass(frozen=True)
class Written:
    """A table in texts: of each cell the value and what follows it, and the reasons with their marks."""

    heads: tuple[Head, ...]
    rows: list[list[tuple[str, str]]]
    notes: list[tuple[str, str]]

    @property
    def lines(self) -> list[list[str]]:
        """The cells, each in one piece."""
        return [[" ".join(cell).strip() for cell in row] for row in self.rows]


@dataclass(frozen=True)
class Table:
    """Headings and rows of cells. Rows under a common name, such as those of a stage, have it in ``groups``."""

    heads: tuple[Head, ...]
    rows: tuple[tuple[Cell, ...], ...]
    groups: tuple[str, ...] = ()

    @classmethod
    def of(cls, heads: Sequence[Head | str], rows: Iterable[Sequence[Cell]]) -> Table:
        """A table; a heading that is a mere text is that of figures, the first that of names."""
        full = [
            head if isinstance(head, Head) else Head(head, "figure" if place else "name")
            for place, head in enumerate(heads)
        ]
        return cls(tuple(full), tuple(map(tuple, rows)))

    def grouped(self, name: str) -> Table:
        """The table with the texts of one column, by its heading, above the rows that have it."""
        place = [head.text for head in self.heads].index(name)
        rows = tuple((*row[:place], *row[place + 1 :]) for row in self.rows)
        groups = tuple(str(row[place]) for row in self.rows)
        return Table((*self.heads[:place], *self.heads[place + 1 :]), rows, groups)

    def written(self, digits: int = MOST_DIGITS) -> Written:
        """The cells as texts, figures with at most so many digits. Marks are counted column by column."""
        notes = Footnotes()
        columns = [
            [_write(cell, digits, notes) for cell in column] for column in zip(*self.rows, strict=True)
        ]
        return Written(self.heads, [list(row) for row in zip(*columns, strict=True)], notes.lines)


Row = TypeVar("Row")


@dataclass(frozen=True)
class Column(Generic[Row]):
    """A column of a table of like things: its heading, how it is read off one, and its name in files for programs."""

    head: Head
    cell: Callable[[Row], Cell]
    field: str = ""


def table_of(columns: Sequence[Column[Row]], things: Iterable[Row]) -> Table:
    """The table of these columns, a row a thing."""
    return Table.of(
        [each.head for each in columns], [[each.cell(thing) for each in columns] for thing in things]
    )


def _write(cell: Cell, digits: int, notes: Footnotes) -> tuple[str, str]:
    if isinstance(cell, str):
        return cell, ""
    return notes.figure(cell, digits) if isinstance(cell, IntervalEstimate) else cell(digits, notes)
