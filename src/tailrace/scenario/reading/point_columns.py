"""Which column of a file of measured points holds what: said as for a trace, or told by the headings."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pydantic import Field, ValidationError, field_validator

from tailrace import units
from tailrace.errors import Fault, Problem, ScenarioError, TraceError
from tailrace.scenario.reading.trace_alone import columns_table
from tailrace.scenario.tables.fields import Text
from tailrace.scenario.tables.model import FROM_FILE, Finding, Model
from tailrace.scenario.tables.recorded import (
    KindColumn,
    SizeColumn,
    TraceColumn,
    UnitColumn,
    mark_of,
    said_plainly,
    separator_findings,
    unit_findings,
    with_number,
)
from tailrace.trace.table import headings

CONDITIONS = ("queue_depth", "rate", "size", "kind")
QUANTITIES = ("throughput", "mean", "p50", "p90", "p95", "p99")
"""What may have been measured at a point: requests per second (or data per second), and latencies."""

NAMES = (*CONDITIONS, *QUANTITIES)


class DurationColumn(UnitColumn):
    """How long requests took."""

    unit: Text = Field(default="s", description='Unit of the times, such as "us".')
    dimension: ClassVar[units.Dimension] = "time"


class RateColumn(UnitColumn):
    """How many requests per time."""

    unit: Text = Field(default="/s", description='Unit of the rates, such as "/s".')
    dimension: ClassVar[units.Dimension] = "request rate"


class ThroughputColumn(RateColumn):
    """How many requests, or how much data, per time."""

    @property
    def is_data(self) -> bool:
        """Whether data are counted, of which each request moves its size."""
        return not any(True for _ in unit_findings(self.unit, "data rate"))

    def findings(self) -> Iterator[Finding]:
        """Requests or data per time."""
        yield from TraceColumn.findings(self)
        if not self.is_data:
            for finding in unit_findings(self.unit, self.dimension):
                accepted = 'requests or data per time, such as "/s" or "MB/s"'
                yield Finding(finding.key, finding.wrong, accepted)

    @property
    def scale(self) -> float:
        """What one unit of the column is, in requests or bytes per second."""
        return float(
            units.parse_exact(with_number(self.unit), "data rate" if self.is_data else self.dimension)
        )


class PointColumns(Model):
    """Which column holds what. Each is a heading, a position, or a table that says more."""

    queue_depth: TraceColumn | None = None
    rate: RateColumn | None = None
    size: SizeColumn | None = None
    kind: KindColumn | None = None
    throughput: ThroughputColumn | None = None
    mean: DurationColumn | None = None
    p50: DurationColumn | None = None
    p90: DurationColumn | None = None
    p95: DurationColumn | None = None
    p99: DurationColumn | None = None
    separator: Annotated[Text, Field(min_length=1, max_length=3)] = ","

    @field_validator(*NAMES, mode="before")
    @classmethod
    def _one_name(cls, value: object) -> object:
        return said_plainly(value)

    def findings(self) -> Iterator[Finding]:
        """All that is wrong in this table and in those of its columns."""
        for name in NAMES:
            column = self.of(name)
            for finding in () if column is None else column.findings():
                yield replace(finding, key=(name, *finding.key))
        yield from separator_findings(self.separator)

    def of(self, name: str) -> TraceColumn | None:
        """The column that holds this, if the file has it."""
        column: TraceColumn | None = getattr(self, name)
        return column

    @property
    def mark(self) -> str:
        """What lies between fields."""
        return mark_of(self.separator)


def point_columns(file: Path, columns_file: Path | None, settings: Sequence[str]) -> PointColumns:
    """The columns that a TOML file and KEY=VALUE texts name, and of what they leave out those headed by its name.

    Raises ScenarioError for what is wrong with the names, TraceError where the file has not what a fit needs.
    """
    table, problems = columns_table(columns_file, settings, NAMES, "a table of columns")
    source = str(columns_file or "--column")
    problems += [_unknown(source, key) for key in table if key not in PointColumns.model_fields]
    if problems:
        raise ScenarioError(problems)
    columns = _validated(source, table)
    found = headings(file, columns.mark)
    table = _by_heading(found) | table
    columns = _validated(source, table)
    faults = []
    shown = (
        f"the file has {', '.join(_quoted(each) for each in found[:12])}{' ...' if len(found) > 12 else ''}"
    )
    if columns.queue_depth is None and columns.rate is None:
        faults.append(Fault(("columns",), f"no column queue_depth and none rate ({shown})", _named("rate")))
    if columns.size is None:
        faults.append(Fault(("columns",), f"no column size ({shown})", _named("size")))
    if not any(columns.of(name) for name in QUANTITIES):
        accepted = f"at least one of {', '.join(QUANTITIES)}, so headed or by --column mean=HEADING"
        faults.append(Fault(("columns",), f"nothing measured ({shown})", accepted))
    if faults:
        raise TraceError(str(file), faults)
    return columns


def unused(file: Path, columns: PointColumns) -> tuple[str, ...]:
    """Headings of the file that stand for nothing."""
    used = {column.column for name in NAMES if (column := columns.of(name)) is not None}
    places = {column.position for name in NAMES if (column := columns.of(name)) is not None}
    found = headings(file, columns.mark)
    return tuple(each for place, each in enumerate(found, 1) if each not in used and place not in places)


def _by_heading(found: list[str]) -> dict[str, Any]:
    alike = {heading.strip().lower().replace(" ", "_").replace("-", "_"): heading for heading in found}
    return {name: alike[name] for name in NAMES if name in alike}


def _named(name: str) -> str:
    return f"such a heading, or --column {name}=HEADING"


def _quoted(text: str) -> str:
    return f'"{text}"'


def _unknown(source: str, key: str) -> Problem:
    near = difflib.get_close_matches(key.lower(), PointColumns.model_fields, n=1)
    accepted = f"{near[0]} (the nearest)" if near else ", ".join(PointColumns.model_fields)
    return Problem(source, key, None, f"unknown key; accepted: {accepted}")


def _validated(source: str, table: dict[str, Any]) -> PointColumns:
    try:
        columns = PointColumns.model_validate(table, context=FROM_FILE)
    except ValidationError as error:
        accepted = (
            "a heading, a position, or a table {column, position, unit}, of kind {column, read, write, skip}"
        )
        raise ScenarioError(
            Problem(
                source, ".".join(map(str, each["loc"])), None, f"{_wrong(each['type'])}; accepted: {accepted}"
            )
            for each in error.errors(include_url=False)
        ) from None
    problems = [
        Problem(source, ".".join(map(str, each.key)), None, f"{each.wrong}; accepted: {each.accepted}")
        for each in columns.findings()
    ]
    if problems:
        raise ScenarioError(problems)
    return columns


def _wrong(kind: str) -> str:
    return "unknown key" if kind == "extra_forbidden" else "cannot be a column"
