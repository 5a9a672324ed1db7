"""Between the columns of plans and observations and the records of the loop, in one pass over memory."""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from tailrace.arrays import FloatArray, IntArray
from tailrace.engine.loop.compilation import kept
from tailrace.engine.loop.layout import Records

Values = NDArray[Any]


@kept
def put_steps(steps: Records, at: int, op: Values, arg: Values, work: FloatArray) -> None:
    """Put the columns of a chunk's steps into the records from ``at`` on."""
    for i in range(op.size):
        step = steps[at + i]
        step.op = op[i]
        step.arg = arg[i]
        step.work = work[i]


@kept
def put_rows(
    rows: Records,
    at: int,
    first_step: int,
    first: IntArray,
    client: Values,
    class_index: Values,
    kind: Values,
    size_bytes: IntArray,
    gap_s: FloatArray,
) -> None:
    """Put the columns of a chunk's rows into the records from ``at`` on; its steps start at ``first_step``."""
    for i in range(first.size):
        row = rows[at + i]
        row.first = first_step + first[i]
        row.client = client[i]
        row.class_index = class_index[i]
        row.kind = kind[i]
        row.size_bytes = size_bytes[i]
        row.gap_s = gap_s[i]


@kept
def take_finished(
    finished: Records,
    class_index: Values,
    client: Values,
    kind: Values,
    size_bytes: IntArray,
    arrival_s: FloatArray,
    completion_s: FloatArray,
    wait_s: FloatArray,
    service_s: FloatArray,
) -> None:
    """Put the records of finished requests into columns, each at its place in order of arrival."""
    for i in range(finished.size):
        entry = finished[i]
        order = entry.order
        class_index[order] = entry.class_index
        client[order] = entry.client
        kind[order] = entry.kind
        size_bytes[order] = entry.size_bytes
        arrival_s[order] = entry.arrival_s
        completion_s[order] = entry.completion_s
        for stage in range(4):
            wait_s[order, stage] = entry.wait_s[stage]
            service_s[order, stage] = entry.service_s[stage]
