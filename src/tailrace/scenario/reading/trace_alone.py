"""A recorded file without a scenario around it: the same columns, the same checks."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Any

from tailrace.errors import Problem, ScenarioError, TraceError
from tailrace.scenario.reading import override
from tailrace.scenario.reading.complaint import examine
from tailrace.scenario.reading.path import shown_path, shown_value
from tailrace.scenario.reading.toml import tables_in
from tailrace.scenario.tables.recorded import TraceColumns, said_plainly
from tailrace.scenario.tables.workload import Workload
from tailrace.trace.table import headings

_CLASS = ("workload", 0)


def trace_class(
    file: Path, columns_file: Path | None = None, settings: Sequence[str] = (), bad_rows: float = 0.0
) -> tuple[Workload, dict[str, Any]]:
    """A class that replays a file, and its table as a scenario would write it; closed if the file tells no times.

    Args:
        file: CSV, plain or gzip.
        columns_file: a TOML file with the keys of `[workload.columns]`.
        settings: KEY=VALUE texts over these keys, such as `time=when` or `time.unit=us`. Without any mapping
            columns headed time, kind, address, size and client count, in seconds and bytes.
        bad_rows: largest share of rows that may be left out.

    Raises:
        ScenarioError: with everything that is wrong.
    """
    columns, problems = columns_table(columns_file, settings, TraceColumns.model_fields)
    if not columns and not problems:
        columns = _by_heading(file)
    size = {} if "size" in columns else {"request_size": "512 B"}
    closed = {} if "time" in columns else {"queue_depth": 1}
    table = {
        "name": "trace",
        "arrivals": "trace",
        "file": str(file.absolute()),
        "columns": columns,
        "beyond_span": "wrap",
        "bad_rows": bad_rows,
        **size,
        **closed,
    }
    data = {
        "server": {"media": {"kind": "generic", "capacity": "1024 PiB", "service": _SERVICE}},
        "workload": [table],
    }
    scenario, faults = examine(data)
    for fault in faults:
        depth = 3 if fault.path[:3] == (*_CLASS, "columns") else 2 if fault.path[:2] == _CLASS else 0
        path = fault.path[depth:]
        key = "" if path == ("file",) else shown_path(path, {})
        problems.append(
            Problem(str(file), key, shown_value(data, fault.path) if key else None, fault.message)
        )
    if scenario is None or problems:
        raise ScenarioError(problems)
    return scenario.workload[0], table


_SERVICE = {"law": "constant", "value": "1 us"}


def columns_table(
    file: Path | None, settings: Sequence[str], names: Collection[str], what: str = "[workload.columns]"
) -> tuple[dict[str, Any], list[Problem]]:
    """The table of columns that a TOML file and KEY=VALUE texts over it say; ``names`` are its keys.

    A key that says no more than a unit, or words, is the column headed by its own name.
    """
    columns: dict[str, Any] = {}
    problems: list[Problem] = []
    if file is not None:
        try:
            columns = tables_in(file)
        except ValueError as error:
            message = f"{error}; accepted: the keys of {what} in TOML"
            problems.append(Problem(str(file), "", None, message))
    for one in settings:
        key, _, value = one.partition("=")
        if value and key.strip() in names and key.strip() in columns:
            columns.pop(key.strip())
        name, dot, _ = key.partition(".")
        if dot and name in columns:  # time=when, then time.unit=us
            columns[name] = said_plainly(columns[name])
        _, problem = override.apply(columns, one)
        problems += [problem] if problem else []
    for name in names:
        table = columns.get(name)
        if isinstance(table, dict) and not table.keys() & {"column", "position"}:
            columns[name] = {"column": name, **table}
    return columns, problems


def _by_heading(file: Path) -> dict[str, Any]:
    """The columns whose headings are the names of what they hold."""
    names = [name for name in TraceColumns.model_fields if name != "separator"]
    try:
        found = headings(file)
    except TraceError as error:
        raise ScenarioError(
            Problem(error.file, "", None, f"{fault.wrong}; accepted: {fault.accepted}")
            for fault in error.faults
        ) from None
    columns = {name: heading for name in names for heading in found if heading.lower() == name}
    if not columns:
        shown = ", ".join(f'"{heading}"' for heading in found[:12])
        accepted = f"headings {', '.join(names)}, or columns by --column, such as --column time={found[0]}"
        raise ScenarioError(
            [Problem(str(file), "", None, f"headings that say nothing: {shown}; accepted: {accepted}")]
        )
    return columns
