"""What is written down of requests: those that have completed, and steps of transactions that are done."""

from __future__ import annotations

from tailrace.engine.loop.compilation import inlined
from tailrace.engine.loop.layout import OPEN, Arrays, Record


@inlined
def note_lap(loop: Record, arrays: Arrays, way: Record, step: int) -> None:
    """A transaction has done a step."""
    entry = arrays.laps[loop.lapped_count]
    loop.lapped_count += 1
    entry.order = way.order
    entry.step = step
    entry.at_s = loop.now
    for stage in range(4):
        entry.wait_s[stage] = way.wait_s[stage]
        entry.service_s[stage] = way.service_s[stage]


@inlined
def note_finished(loop: Record, arrays: Arrays, way: Record) -> None:
    """A request has completed: its record is added to those that are handed out next."""
    row, entry = arrays.rows[way.owner], arrays.finished[loop.finished_count]
    loop.finished_count += 1
    entry.order = way.order
    entry.size_bytes = row.size_bytes
    entry.client = row.client if way.sort == OPEN else arrays.cycles[way.cycle].client
    entry.class_index = row.class_index
    entry.kind = row.kind
    entry.arrival_s = way.issued_s
    entry.completion_s = loop.now
    for stage in range(4):
        entry.wait_s[stage] = way.wait_s[stage]
        entry.service_s[stage] = way.service_s[stage]
