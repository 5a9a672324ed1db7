"""What walks in the reference engine, and from where it comes: paths, and the rows of a plan as Python objects."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, TypeAlias

from simpy.events import Event

from tailrace.engine.stations import Way, Where
from tailrace.plan.columns import Chunk, Steps
from tailrace.plan.source import Source

Charges: TypeAlias = list[float]
"""Wait seconds of the four stages, then their service seconds."""


class Lists:
    """Steps as plain lists: the interpreter reads those three times as fast as arrays."""

    def __init__(self, steps: Steps) -> None:
        self.op = steps.op.tolist()
        self.arg = steps.arg.tolist()
        self.work = steps.work.tolist()
        self.access: list[Where] = []
        if steps.access is not None:
            columns = (column.tolist() for column in steps.access.columns())
            self.access = list(zip(*columns, strict=True))


PlannedRow: TypeAlias = tuple[Lists, int, float, int, int, int, int]
"""Steps, first step, gap, class, client, bytes, kind."""


def rows_of(source: Source) -> Iterator[PlannedRow]:
    """The requests of a source, one after the other."""
    while True:
        chunk: Chunk = source.next_chunk()
        steps = Lists(chunk.steps)
        columns = (chunk.first, chunk.gap_s, chunk.class_index, chunk.client, chunk.size_bytes, chunk.kind)
        for row in zip(*(column.tolist() for column in columns), strict=True):
            yield (steps, *row)


class Walker(Way):
    """A path that is being walked: where it stands in its steps, and what it has been charged so far.

    ``missing`` is how many branches of the split at which it stands are under way.
    """

    missing = 0

    def __init__(self, steps: Lists, at: int, rank: int) -> None:
        self.steps, self.at, self.rank = steps, at, rank
        self.record: Charges = [0.0] * 8


class Request(Walker):
    """The path of a request, the ``order``-th to arrive; ``slot`` is the closed client's slot that issued it."""

    def __init__(
        self, row: PlannedRow, rank: int, client: int, order: int, began_s: float, slot: Slot | None
    ) -> None:
        steps, first, _, self.number, _, self.size_bytes, self.kind = row
        super().__init__(steps, first, rank)
        self.client, self.order, self.began_s, self.slot = client, order, began_s, slot


class Quorum:
    """A split that waits for some of its branches: how many are under way, and how many are still waited for."""

    def __init__(self, branches: int, needed: int) -> None:
        self.under_way, self.needed = branches, needed


class Branch(Walker):
    """A branch of a split, or of a ``quorum``."""

    def __init__(self, steps: Lists, at: int, parent: Walker, quorum: Quorum | None = None) -> None:
        super().__init__(steps, at, parent.rank)
        self.parent, self.quorum = parent, quorum


class Detached(Walker):
    """A detached way."""


class OpenArrivals(Event):
    """The next open arrival."""

    _ok, _value = True, None

    def __init__(self, source: Source, callback: Callable[[Any], None]) -> None:
        self.rows = rows_of(source)
        self.row = next(self.rows)
        self.at = [callback]


class Slot(Event):
    """One of the cycles of a closed client: the event is the end of its thinking, ``row`` the request that follows."""

    _ok, _value = True, None
    row: PlannedRow

    def __init__(self, rows: Iterator[PlannedRow], client: int) -> None:
        self.rows, self.client = rows, client
