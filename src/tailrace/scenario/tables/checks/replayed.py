"""Does a recorded file hold what the class that replays it needs?"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from tailrace import units
from tailrace.errors import TraceError
from tailrace.scenario.tables.model import Finding, KeyPath
from tailrace.scenario.tables.workload import Workload


def findings(workload: Workload, here: KeyPath) -> Iterator[Finding]:
    """What is wrong with the file of a class, and between it and the class. ``here`` leads to the class."""
    if workload.file is None or workload.columns is None or not workload.columns.is_sound:
        return
    at = partial(Finding, rests_on=((*here, "file"), (*here, "columns")))
    try:
        facts = workload.recording.facts
    except TraceError as error:
        for fault in error.faults:
            yield at((*here, *fault.key), fault.wrong, fault.accepted)
        return
    if facts.bad_share > workload.bad_rows:
        wrong = f"{facts.bad} of {facts.bad + facts.rows} rows are bad ({facts.bad_rows})"
        yield at((*here, "file"), wrong, f"at most {workload.bad_rows:.6g} of the rows, by bad_rows")
    most = facts.rows if facts.clients is None else facts.clients
    if workload.clients > most:
        wrong = f"more than the {most} {'rows' if facts.clients is None else 'clients'} of the trace"
        yield at((*here, "clients"), wrong, f"at most {most}")
    if workload.columns.time is not None and workload.queue_depth is None and facts.rate_per_s is None:
        accepted = "at least two rows at different instants, or queue_depth for a closed replay"
        yield at((*here, "columns", "time"), "all rows are at the same instant", accepted)


def beyond_span(workload: Workload, here: KeyPath, length: int) -> Iterator[Finding]:
    """Addresses behind the end of the class's span, if these are refused."""
    columns = workload.columns
    if workload.file is None or columns is None or not columns.is_sound or workload.beyond_span == "wrap":
        return
    try:
        end = workload.recording.facts.end
    except TraceError:
        return
    if end is not None and end > length:
        wrong = f"the addresses reach to {units.write(end, 'size')}, beyond the span of {units.write(length, 'size')}"
        accepted = 'a span at least as long, or beyond_span = "wrap"'
        yield Finding((*here, "columns", "address"), wrong, accepted, ((*here, "span"), (*here, "file")))
