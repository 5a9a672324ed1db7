"""The columns of a file of measured points."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pydantic import Field, field_validator

from tailrace import units
from tailrace.errors import Fault, TraceError
from tailrace.scenario.tables.fields import Text, optional
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

    unit: Text = optional('Unit of the times, such as "us".', "s")
    dimension: ClassVar[units.Dimension] = "time"


class RateColumn(UnitColumn):
    """How many requests per time."""

    unit: Text = optional('Unit of the rates, such as "/s".', "/s")
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


def columns_by_heading(file: Path) -> PointColumns:
    """The columns that the headings of a file name, all in SI. Raises TraceError as `checked`."""
    found = headings(file)
    columns = PointColumns.model_validate(by_heading(found), context=FROM_FILE)
    return checked(file, columns, found, by_option=False)


def checked(file: Path, columns: PointColumns, found: Sequence[str], by_option: bool = True) -> PointColumns:
    """The columns, which options can name if ``by_option``; ``found`` are the headings of the file.

    Raises TraceError where it lacks what a fit needs.
    """
    faults = []
    more = " ..." if len(found) > 12 else ""
    shown = f"the file has {', '.join(quoted(each) for each in found[:12])}{more}"
    if columns.queue_depth is None and columns.rate is None:
        faults.append(
            Fault(("columns",), f"no column queue_depth and none rate ({shown})", _named("rate", by_option))
        )
    if columns.size is None:
        faults.append(Fault(("columns",), f"no column size ({shown})", _named("size", by_option)))
    if not any(columns.of(name) for name in QUANTITIES):
        further = " or by --column mean=HEADING" if by_option else ""
        accepted = f"at least one of {', '.join(QUANTITIES)}, so headed{further}"
        faults.append(Fault(("columns",), f"nothing measured ({shown})", accepted))
    if faults:
        raise TraceError(str(file), faults)
    return columns


def by_heading(found: Sequence[str]) -> dict[str, Any]:
    """The headings that name what a column holds, by that name."""
    alike = {heading.strip().lower().replace(" ", "_").replace("-", "_"): heading for heading in found}
    return {name: alike[name] for name in NAMES if name in alike}


def _named(name: str, by_option: bool) -> str:
    return f"such a heading, or --column {name}=HEADING" if by_option else "such a heading"


def quoted(text: str) -> str:
    """A heading as a message shows it."""
    return f'"{text}"'
