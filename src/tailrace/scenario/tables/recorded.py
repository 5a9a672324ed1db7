"""A trace as a scenario names it: the columns of the file, with their units, and what the file says of a class."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from pydantic import Field, ValidationError, field_validator

from tailrace import units
from tailrace.errors import TraceError, UnitError
from tailrace.scenario.tables.fields import Text, Whole, optional
from tailrace.scenario.tables.model import Finding, Model
from tailrace.trace.mapping import READ_WORDS, WRITE_WORDS, ColumnMapping, FileColumn, Kinds

if TYPE_CHECKING:
    from tailrace.trace.recording import Recording

DATE = "date"
"""Stands for a unit of time where instants are written as dates."""


class TraceColumn(Model):
    """One column of a recorded file, by its heading or by its position."""

    column: Annotated[Text, Field(min_length=1, max_length=1000)] | None = optional("Heading of the column.")
    position: Annotated[Whole, Field(ge=1, le=10_000)] | None = optional(
        "Position of the column instead of its heading, counted from 1."
    )

    def findings(self) -> Iterator[Finding]:
        """A heading or a position."""
        if (self.column is None) == (self.position is None):
            wrong = "neither column nor position" if self.column is None else "both column and position"
            yield Finding((), wrong, "either column or position", (("column",), ("position",)))

    @property
    def scale(self) -> float:
        """What one unit of the column is in SI."""
        return 1.0

    def mapped(self) -> FileColumn:
        """The same for the reader of files."""
        return FileColumn(self.column, self.position, self.scale, getattr(self, "unit", None) == DATE)


class UnitColumn(TraceColumn):
    """A column of quantities of one dimension."""

    unit: Text
    dimension: ClassVar[units.Dimension]

    def findings(self) -> Iterator[Finding]:
        """The unit is one of the dimension."""
        yield from super().findings()
        yield from unit_findings(self.unit, self.dimension)

    @property
    def scale(self) -> float:
        """What one unit of the column is in SI."""
        return float(units.parse_exact(with_number(self.unit), self.dimension))


class TimeColumn(TraceColumn):
    """When each request was made."""

    unit: Text = optional(
        'Unit of the times, such as "us" or "100 ns", or "date" for dates as in ISO 8601.', "s"
    )

    def findings(self) -> Iterator[Finding]:
        """The unit is one of time."""
        yield from super().findings()
        if self.unit != DATE:
            yield from unit_findings(self.unit, "time", ', or "date"')

    @property
    def scale(self) -> float:
        """Seconds in a unit."""
        return 1.0 if self.unit == DATE else float(units.parse_exact(with_number(self.unit), "time"))


class SizeColumn(UnitColumn):
    """How much each request asks for, or where."""

    unit: Text = optional('Unit of the numbers, such as "KiB" or "512 B".', "B")
    dimension: ClassVar[units.Dimension] = "size"


class KindColumn(TraceColumn):
    """Whether each request reads or writes, in words of the file's own. Capitals do not matter."""

    read: tuple[Text, ...] = optional(
        'Words that mean a read; "r" and "read" if left out.', READ_WORDS, min_length=1
    )
    write: tuple[Text, ...] = optional(
        'Words that mean a write; "w" and "write" if left out.', WRITE_WORDS, min_length=1
    )
    skip: tuple[Text, ...] = optional("Words of rows to pass over.", ())

    def findings(self) -> Iterator[Finding]:
        """No word means two things."""
        yield from super().findings()
        seen: set[str] = set()
        for key, words in (("read", self.read), ("write", self.write), ("skip", self.skip)):
            for word in words:
                if word.lower() in seen:
                    yield Finding(
                        (key,), f'"{word}" means two things', "each word once", (("read",), ("write",))
                    )
                seen.add(word.lower())


class TraceColumns(Model):
    """Which column of a recorded file holds what. Each is a heading, a position, or a table that says more."""

    time: TimeColumn | None = optional("When each request was made (open replay).")
    kind: KindColumn | None = optional("Read or write; drawn by `read_share` if left out.")
    address: SizeColumn | None = optional(
        "Address of the first byte, counted from the start of the span; drawn if left out."
    )
    size: SizeColumn | None = optional("Size; `request_size` says it if left out.")
    client: TraceColumn | None = optional("Any mark of who asked; drawn among `clients` if left out.")
    separator: Annotated[Text, Field(min_length=1, max_length=3)] = optional(
        'What lies between fields: one character, or "tab".', ","
    )

    @field_validator("time", "kind", "address", "size", "client", mode="before")
    @classmethod
    def _one_name(cls, value: object) -> object:
        return said_plainly(value)

    def findings(self) -> Iterator[Finding]:
        """One character between fields."""
        yield from separator_findings(self.separator)

    @property
    def is_sound(self) -> bool:
        """Whether nothing is wrong in this table or in those of its columns."""
        tables = (self, *(value for name in _NAMES if (value := getattr(self, name)) is not None))
        return not any(True for table in tables for _ in table.findings())

    def mapping(self) -> ColumnMapping:
        """The same for the reader of files."""
        columns = {name: value.mapped() for name in _NAMES if (value := getattr(self, name)) is not None}
        words = self.kind or KindColumn(position=1)
        kinds = Kinds(
            *(tuple(each.lower() for each in group) for group in (words.read, words.write, words.skip))
        )
        return ColumnMapping(columns, kinds, mark_of(self.separator))


_NAMES = ("time", "kind", "address", "size", "client")


def said_plainly(value: object) -> object:
    """The table of a column that is named by its heading or its position alone."""
    if isinstance(value, str):
        return {"column": value}
    return {"position": value} if type(value) is int else value


def separator_findings(separator: str) -> Iterator[Finding]:
    """What lies between fields is one character, or "tab"."""
    if separator != "tab" and (len(separator) > 1 or separator.isalnum()):
        yield Finding(("separator",), "not one mark", 'one character such as "," or ";", or "tab"')


def mark_of(separator: str) -> str:
    """The character that lies between fields."""
    return "\t" if separator == "tab" else separator


def with_number(unit: str) -> str:
    """A unit as a quantity: one of it, where it says no number itself."""
    return unit if unit[:1].isdigit() else f"1 {unit}"


_UNITS_OF = {"time": '"us"', "size": '"KiB"', "request rate": '"/s"', "data rate": '"MB/s"'}


def unit_findings(unit: str, dimension: units.Dimension, besides: str = "") -> Iterator[Finding]:
    """What is wrong with the unit of a column; ``besides`` is what else may stand there."""
    try:
        if units.parse_exact(with_number(unit), dimension) > 0:
            return
        wrong = "not above 0"
    except UnitError as error:
        wrong = error.wrong
    yield Finding(("unit",), wrong, f"a unit of {dimension}, such as {_UNITS_OF[dimension]}{besides}")


def filled_in(data: dict[str, Any], file: str) -> dict[str, Any]:
    """A class's table with what its trace says where the table says nothing: rate, clients, sizes, share of reads."""
    return {**(said_by_trace(data, file) or {}), **data}


def said_by_trace(data: dict[str, Any], file: str) -> dict[str, Any] | None:
    """What the trace of a class's table says, by key, as a scenario file would; None if it cannot be read."""
    try:
        columns = data["columns"]
        columns = columns if isinstance(columns, TraceColumns) else TraceColumns.model_validate(columns)
        if not columns.is_sound:
            return None
        facts = opened(file, columns).facts
    except (KeyError, TraceError, ValidationError):
        return None
    said: dict[str, Any] = {}
    if facts.clients is not None:
        said["clients"] = facts.clients
    if facts.reads is not None:
        said["read_share"] = facts.reads / facts.rows
    if facts.sizes is not None:
        said["request_size"] = [
            {"size": units.write(size, "size"), "share": count / facts.rows} for size, count in facts.sizes
        ]
    speed, clients = data.get("speed", 1.0), data.get("clients", said.get("clients", 1))
    closed = data.get("queue_depth") is not None or data.get("think_time") is not None
    usable = isinstance(speed, int | float) and isinstance(clients, int) and speed > 0 and clients > 0
    if not closed and usable and facts.rate_per_s is not None:
        said["rate"] = units.write(facts.rate_per_s * speed / clients, "request rate")
    return said


def opened(file: str, columns: TraceColumns) -> Recording:
    """The trace in a file. Raises TraceError if it cannot be read."""
    from tailrace.trace.recording import open_recording

    return open_recording(Path(file), columns.mapping())
