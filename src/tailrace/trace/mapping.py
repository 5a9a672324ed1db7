"""Which column of a recorded file holds what, and in which unit."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, field

from tailrace.errors import Fault, TraceError

READ_WORDS = ("r", "read")
WRITE_WORDS = ("w", "write")


@dataclass(frozen=True)
class FileColumn:
    """A column by its heading or by its position, counted from 1. ``scale`` is what one of its unit is in SI.

    ``is_date`` is for instants written as dates (ISO 8601).
    """

    name: str | None = None
    position: int | None = None
    scale: float = 1.0
    is_date: bool = False

    def __str__(self) -> str:
        return f"column {self.position}" if self.name is None else f'column "{self.name}"'


@dataclass(frozen=True)
class Kinds:
    """The words, in small letters, that mean a read, a write, or a row to pass over."""

    read: tuple[str, ...] = READ_WORDS
    write: tuple[str, ...] = WRITE_WORDS
    skip: tuple[str, ...] = ()


@dataclass(frozen=True)
class ColumnMapping:
    """Columns by what they hold (time, kind, address, size, client ...), and what lies between them."""

    columns: dict[str, FileColumn] = field(default_factory=dict)
    kinds: Kinds = Kinds()
    separator: str = ","

    def __hash__(self) -> int:
        return hash((tuple(sorted(self.columns.items(), key=str)), self.kinds, self.separator))

    @property
    def by_position(self) -> bool:
        """Whether no heading is named, so that the file may do without any."""
        return all(column.name is None for column in self.columns.values())

    def places(self, headings: list[str], file: str) -> dict[str, int]:
        """Position, from 0, of what each column holds. Raises TraceError for headings that are not there."""
        found, faults = {}, []
        for what, column in self.columns.items():
            if column.position is not None:
                found[what] = column.position - 1
                if column.position > len(headings):
                    accepted = f"a position from 1 to {len(headings)}"
                    faults.append(Fault(("columns", what), "beyond the last column", accepted))
                continue
            same = [place for place, heading in enumerate(headings) if heading == column.name]
            if len(same) == 1:
                found[what] = same[0]
            else:
                wrong = f"no {column}" if not same else f"{len(same)} columns {column.name!r}"
                faults.append(Fault(("columns", what), wrong, _accepted(column.name or "", headings, same)))
        if faults:
            raise TraceError(file, faults)
        return found


def _accepted(name: str, headings: list[str], same: list[int]) -> str:
    if same:
        return f"one by position: {', '.join(str(place + 1) for place in same)}"
    shown = ", ".join(f'"{heading}"' for heading in headings[:12]) + (" ..." if len(headings) > 12 else "")
    near = difflib.get_close_matches(name, headings, n=1)
    return shown + (f' (nearest: "{near[0]}")' if near else "")
