"""What is kept of a request that has completed in the reference engine? A row of numbers, packed block by block."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from tailrace.engine.loop.layout import FINISHED, Records
from tailrace.engine.observations import Marks, Observations
from tailrace.engine.paths import Request

BLOCK = 8192
"""Requests kept as Python objects before they are packed into arrays."""
FIELDS = ("order", "class_index", "client", "kind", "size_bytes", "arrival_s", "completion_s")
"""The first columns of a row; behind them wait and service at each of the four stages."""


class Finished:
    """Requests in order of completion."""

    def __init__(self) -> None:
        self._rows: list[tuple[Any, ...]] = []
        self._tables: list[np.ndarray[Any, Any]] = []

    def add(self, request: Request, now: float) -> None:
        """A request has completed."""
        which = (request.order, request.number, request.client, request.kind, request.size_bytes)
        self._rows.append((*which, request.began_s, now, *request.record))
        if len(self._rows) == BLOCK:
            self._pack()

    def _pack(self) -> None:
        self._tables.append(np.array(self._rows, dtype=np.float64).reshape(-1, len(FIELDS) + 8))
        self._rows.clear()

    def blocks(self) -> Iterator[Records]:
        """The same as records of type `layout.FINISHED`, block by block."""
        self._pack()
        for table in self._tables:
            yield _records(table)

    def observations(self, marks: Marks, complete: bool) -> Observations:
        """All of them in order of arrival; none of a run that was not complete."""
        self._pack()
        table = np.concatenate(self._tables)
        found = _records(table[np.argsort(table[:, 0])] if complete else table[:0])
        columns = {name: found[name].copy() for name in (*FIELDS[1:], "wait_s", "service_s")}
        return Observations(**columns, marks=marks, complete=complete)


def _records(table: np.ndarray[Any, Any]) -> Records:
    block = np.empty(len(table), dtype=FINISHED)
    for place, field in enumerate(FIELDS):
        block[field] = table[:, place]
    block["wait_s"], block["service_s"] = table[:, 7:11], table[:, 11:15]
    return block
