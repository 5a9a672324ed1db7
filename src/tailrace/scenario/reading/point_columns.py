"""Which column of a file of measured points holds what: said as for a trace, or told by the headings."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from tailrace.errors import Fault, Problem, ScenarioError
from tailrace.scenario.reading.trace_alone import columns_table
from tailrace.scenario.tables.model import FROM_FILE
from tailrace.scenario.tables.point_columns import (
    CONDITIONS,
    NAMES,
    QUANTITIES,
    PointColumns,
    by_heading,
    checked,
    quoted,
)
from tailrace.trace.table import headings


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
    table = by_heading(found) | table
    columns = _validated(source, table)
    return checked(file, columns, found)


def unused(file: Path, columns: PointColumns) -> tuple[str, ...]:
    """Headings of the file that stand for nothing."""
    used = {column.column for name in NAMES if (column := columns.of(name)) is not None}
    places = {column.position for name in NAMES if (column := columns.of(name)) is not None}
    found = headings(file, columns.mark)
    return tuple(each for place, each in enumerate(found, 1) if each not in used and place not in places)


def wrong_for_latencies(file: Path, column: str | None) -> Fault | None:
    """Why a column of a file, the first if none is named, is none of raw latencies; None if nothing speaks against it.

    Points, and conditions under which they were measured, are told by their headings; of several columns one is named.
    Raises TraceError for a file that cannot be read.
    """
    found = headings(file)
    alike = by_heading(found)
    accepted = "raw latencies, one a line, in the only column or in one that --unit COLUMN=UNIT names"
    taken = column or found[0]
    if any(alike.get(name) == taken for name in (*CONDITIONS, "throughput")):
        return Fault(("file",), f"the column {quoted(taken)} holds no latencies", accepted)
    if ("queue_depth" in alike or "rate" in alike) and any(name in alike for name in QUANTITIES):
        wrong = f"measured points, not raw latencies ({', '.join(quoted(each) for each in found[:12])})"
        return Fault(("file",), wrong, f"{accepted}; for points calibrate without --media generic")
    if column is None and len(found) > 1:
        shown = ", ".join(quoted(each) for each in found[:12])
        return Fault(("file",), f"{len(found)} columns, and none named ({shown})", accepted)
    return None


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
