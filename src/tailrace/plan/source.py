"""Sources of requests: blocks of rows with their paths, handed to an engine in order.

What a row holds never depends on how the stream is cut into blocks.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.plan.columns import READ, WRITE, Chunk, Steps
from tailrace.plan.path import Path
from tailrace.plan.server import ServerPlan
from tailrace.plan.stations import Stations
from tailrace.scenario.workload import Workload
from tailrace.workload.arrivals import ArrivalStream
from tailrace.workload.requests import Requests, RequestStream
from tailrace.workload.streams import Purpose, Streams


class ClassPlan:
    """Requests of one class, or of one of its clients, laid over the server block by block."""

    def __init__(
        self, server: ServerPlan, workload: Workload, span: tuple[int, int], streams: Streams, number: int
    ) -> None:
        """``span`` is (start, length) in bytes; ``number`` the place of the class in order of name."""
        self.workload, self.streams, self.number = workload, streams, number
        self._server = server
        self._requests = RequestStream(workload, *span, streams)
        self._state = server.new_state(streams)
        self._planned = 0

    def block(self, clients: IntArray) -> tuple[Requests, Path]:
        """The next requests, issued by ``clients``, and their paths."""
        index = np.arange(self._planned, self._planned + clients.size)
        self._planned += clients.size
        requests = self._requests.requests(index, clients)
        return requests, self._server.path(self.workload, requests, self._state)

    def chunk(self, gaps: FloatArray, clients: IntArray) -> Chunk:
        """The next requests as a block of their own."""
        part = (np.arange(gaps.size), self.number, *self.block(clients))
        return assemble(gaps, [part], self._server.stations)


class Source(ABC):
    """Rows in the order in which they are consumed."""

    @abstractmethod
    def next_chunk(self) -> Chunk:
        """The next block of rows: never empty, and there is always another."""


class OpenSource(Source):
    """All open classes merged by time; ties go by the class's name, then by client."""

    def __init__(
        self, classes: Sequence[ClassPlan], arrivals: Sequence[ArrivalStream], stations: Stations, rows: int
    ) -> None:
        """``rows`` is the mean number of rows in a block."""
        self._classes, self._arrivals, self._stations = classes, arrivals, stations
        self._width_s = rows / sum(stream.rate_per_s for stream in arrivals)
        self._windows = 0
        self._last_s = 0.0

    def next_chunk(self) -> Chunk:
        times: FloatArray = np.empty(0)
        while times.size == 0:
            self._windows += 1
            drawn = [stream.until(self._windows * self._width_s) for stream in self._arrivals]
            times = np.concatenate([each for each, _ in drawn])
        clients = np.concatenate([each for _, each in drawn])
        numbers = np.repeat([plan.number for plan in self._classes], [each.size for each, _ in drawn])
        if bool((times[1:] <= times[:-1]).any()):
            order = np.lexsort((clients, numbers, times))
            times, clients, numbers = times[order], clients[order], numbers[order]
        gaps = np.diff(times, prepend=self._last_s)
        self._last_s = float(times[-1])
        parts = []
        for plan in self._classes:
            mine = np.flatnonzero(numbers == plan.number)
            if mine.size:
                parts.append((mine, plan.number, *plan.block(clients[mine])))
        return assemble(gaps, parts, self._stations)


class ClosedSource(Source):
    """A closed class, or one client of it: row i is the i-th request that is issued.

    The first rows, one for each of ``slots``, carry what spreads the start: without thinking they are issued
    at random within ``spread_s``.
    """

    def __init__(self, plan: ClassPlan, client: int | None, slots: int, spread_s: float, rows: int) -> None:
        self._plan, self._client, self._slots = plan, client, slots
        self._spread_s, self._rows = spread_s, rows
        self._issued = 0

    def next_chunk(self) -> Chunk:
        index = np.arange(self._issued, self._issued + self._rows)
        self._issued += self._rows
        clients = np.full(self._rows, 0 if self._client is None else self._client)
        return self._plan.chunk(self._thinking(index), clients)

    def _thinking(self, index: IntArray) -> FloatArray:
        workload, uniforms = self._plan.workload, self._plan.streams.uniforms
        mean = workload.think_time or 0.0
        if mean > 0.0 and workload.think == "constant":
            return np.full(index.size, mean)
        if mean > 0.0:
            return np.log(uniforms(Purpose.THINK, index)) * -mean
        first = uniforms(Purpose.SPREAD, index) * self._spread_s
        return np.where(index < self._slots, first, 0.0)


def assemble(
    gaps: FloatArray, parts: Sequence[tuple[IntArray, int, Requests, Path]], stations: Stations
) -> Chunk:
    """Lay the requests of several classes into one block; each part says which rows, class, requests, paths."""
    lengths = np.empty(gaps.size, dtype=np.int64)
    for rows, _, _, path in parts:
        lengths[rows] = path.lengths
    first = np.cumsum(lengths + 1) - lengths - 1
    steps = Steps.empty(int(lengths.sum()) + gaps.size, stations.have_arms)
    chunk = Chunk(
        first,
        gaps,
        np.empty(gaps.size, dtype=np.uint16),
        np.empty(gaps.size, dtype=np.uint32),
        np.empty(gaps.size, dtype=np.int64),
        np.empty(gaps.size, dtype=np.uint8),
        steps,
    )
    for rows, number, requests, path in parts:
        path.write(steps, first[rows])
        chunk.class_index[rows] = number
        chunk.client[rows] = requests.client
        chunk.size_bytes[rows] = requests.size_bytes
        chunk.kind[rows] = np.where(requests.read, READ, WRITE)
    return chunk
