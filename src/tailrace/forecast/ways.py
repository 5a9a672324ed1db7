"""How long does a request take that goes several ways at once? As long as the slowest of them."""

from __future__ import annotations

import numpy as np

from tailrace.arrays import BoolArray, FloatArray
from tailrace.plan.columns import BRANCH, COLLECT, DETACH, END, SPLIT, TAKE, TAKE_RANKED, VISIT, Chunk

MOST_ROWS = 400
"""Requests whose ways are walked."""


def slowest_way_mean_s(
    chunk: Chunk,
    wanted: BoolArray,
    per_station: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
) -> float:
    """Mean seconds of the requests ``wanted``, shape (rows,): of several ways at once the longest.

    ``per_station``: mean wait, probability of a wait, slowdown and service beyond the work, shape (stations,) each.
    Of K ways the longest service counts, and the longest of K independent waits that are zero or exponential,
    (w / p) sum_{j<=K} (1 - (1 - p)^j) / j for waits of mean w with probability p (derived). What is done for all that
    are collected is left out.
    """
    rows = np.flatnonzero(wanted)[:MOST_ROWS]
    walk = _Walk(chunk, per_station)
    return float(np.mean([walk.time_s(int(chunk.first[row])) for row in rows]))


class _Walk:
    """Walks paths as they are written; service and waits are kept apart until ways meet."""

    def __init__(
        self,
        chunk: Chunk,
        per_station: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    ) -> None:
        self._op, self._arg, self._work = (
            column.tolist() for column in (chunk.steps.op, chunk.steps.arg, chunk.steps.work)
        )
        wait, probability, slowdown, beyond = (column.tolist() for column in per_station)
        self._wait, self._probability, self._slowdown, self._beyond = wait, probability, slowdown, beyond

    def time_s(self, at: int) -> float:
        service, wait, _ = self._way(at)
        return service + wait

    def _way(self, at: int) -> tuple[float, float, float]:
        """Service, mean wait and probability of waiting on the way that begins here."""
        service, wait, unhindered = 0.0, 0.0, 1.0
        while (op := self._op[at]) != END:
            arg = self._arg[at]
            if op == DETACH:
                at += arg
            elif op == COLLECT:
                at += int(self._work[at])
            elif op == SPLIT:
                served, waited, free, at = self._split(at + 1, arg)
                service, wait, unhindered = service + served, wait + waited, unhindered * free
                continue
            elif op in (VISIT, TAKE, TAKE_RANKED):
                if op == VISIT:
                    service += self._work[at] * self._slowdown[arg] + self._beyond[arg]
                wait += self._wait[arg]
                unhindered *= 1.0 - self._probability[arg]
            at += 1
        return service, wait, 1.0 - unhindered

    def _split(self, at: int, branches: int) -> tuple[float, float, float, int]:
        """The longest service and wait of several ways, the probability of none waiting, and where the path goes on."""
        ways = []
        for _ in range(branches):
            assert self._op[at] == BRANCH
            ways.append(self._way(at + 1))
            at += 1 + self._arg[at]
        service = max(way[0] for way in ways)
        wait = sum(way[1] for way in ways) / branches
        probability = sum(way[2] for way in ways) / branches
        if probability > 0.0:
            numbers = np.arange(1, branches + 1)
            wait *= float(np.sum((1 - (1 - probability) ** numbers) / numbers)) / probability
        return service, wait, (1 - probability) ** branches, at
