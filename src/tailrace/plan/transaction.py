"""Transactions: every row is a whole one, its path the steps one after the other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.plan.path import InTurn, Path, Series, fork, lap
from tailrace.plan.server import ServerPlan
from tailrace.plan.source import Arrivals, ClassPlan
from tailrace.scenario.tables.step import Step
from tailrace.scenario.tables.workload import Workload
from tailrace.workload.requests import Requests
from tailrace.workload.streams import Streams


class TransactionPlan(ClassPlan):
    """Transactions of one class, or of one of its clients, laid over the server block by block.

    The i-th request of a step of the j-th transaction is request j·n + i of the step, of n requests each, and draws
    by this number alone.
    """

    def __init__(
        self,
        server: ServerPlan,
        workload: Workload,
        part_of: Callable[[Workload], ClassPlan],
        streams: Streams,
        number: int,
    ) -> None:
        """``part_of`` plans what one of the class's `Workload.parts` asks for."""
        self.workload, self.streams, self.number = workload, streams, number
        self._server = server
        self._planned = 0
        asking = iter([part_of(part) for part in workload.parts])
        self._steps: list[tuple[Step, ClassPlan | None]] = [
            (step, next(asking) if step.count else None) for step in workload.step
        ]
        self.foresight_s = max(part.foresight_s for _, part in self._steps if part is not None)

    def block(
        self, clients: IntArray, arrival_s: FloatArray | None = None, later: Arrivals | None = None
    ) -> tuple[Requests, Path]:
        """The next transactions, each summed up as one request: its bytes, and whether it only reads."""
        count = clients.size
        index = np.arange(self._planned, self._planned + count)
        self._planned += count
        size, read = np.zeros(count, dtype=np.int64), np.ones(count, dtype=np.bool_)
        whole = Requests(self.streams, index, clients, size, np.zeros(count, dtype=np.int64), read)
        path: list[Path] = []
        for place, (step, part) in enumerate(self._steps):
            if step.compute is not None:
                at_client = step.compute_at == "client"
                path.append(self._server.compute(self.workload.name, whole, step.compute, at_client, place))
            if part is not None:
                n = step.requests
                ahead = later and (np.repeat(later[0], n), np.repeat(later[1], n))
                arrived = None if arrival_s is None else np.repeat(arrival_s, n)
                requests, each = part.block(np.repeat(clients, n), arrived, ahead)
                path.append(_in_waves(each, count, n, step.at_once))
                size += requests.size_bytes.reshape(count, n).sum(axis=1)
                read &= requests.read.reshape(count, n).all(axis=1)
            path.append(lap(count, place))
        return replace(whole, size_bytes=size, read=read), Series(count, path)


def _in_waves(each: Path, count: int, requests: int, at_once: int) -> Path:
    """The paths of so many requests of each transaction: side by side up to ``at_once``, then the next so many."""
    waves = -(-requests // at_once)
    sizes = np.full(waves, at_once)
    sizes[-1] = requests - at_once * (waves - 1)
    return InTurn(fork(each, np.tile(sizes, count)), np.full(count, waves))
