"""Sources of requests: blocks of rows with their paths, handed to an engine in order.

What a row holds never depends on how the stream is cut into blocks.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import replace
from typing import TypeAlias

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.plan.columns import READ, WRITE, Chunk, Steps
from tailrace.plan.filled import Filling, put_before
from tailrace.plan.path import Path
from tailrace.plan.server import ServerPlan
from tailrace.plan.stations import Stations
from tailrace.scenario.tables.workload import Workload
from tailrace.workload.arrivals import ArrivalStream
from tailrace.workload.replay import TraceArrivals, TraceRequests
from tailrace.workload.requests import Requests, RequestStream
from tailrace.workload.streams import Purpose, Streams

Arrivals: TypeAlias = tuple[FloatArray, IntArray]
"""Times and clients of what arrives."""

FIRST_ROWS = 256
FIRST_STEPS = 2**13
LIKELY_STEPS = 32
"""Steps of a row, reckoned where nothing has shown how many they are."""

BLOCK_STEPS = 2**18
"""Steps in a block: few enough to lie in a cache, enough to spread what a block costs."""


class ClassPlan:
    """Requests of one class, or of one of its clients, laid over the server block by block."""

    def __init__(
        self,
        server: ServerPlan,
        workload: Workload,
        span: tuple[int, int],
        streams: Streams,
        number: int,
        sample: int | None = None,
        at_a_time: int = 1,
    ) -> None:
        """``span`` is (start, length) in bytes; ``number`` the place of the class in order of name.

        With ``sample`` that many requests are wanted as a sample of all that the class will ask. ``at_a_time`` is how
        many are issued where the class issues one: those of a step of a transaction.
        """
        self.workload, self.streams, self.number = workload, streams, number
        self._server, self._at_a_time = server, at_a_time
        self._requests: RequestStream | TraceRequests
        if workload.is_recorded:
            self._requests = TraceRequests(workload, *span, streams, sample)
        else:
            self._requests = RequestStream(workload, *span, streams)
        self._state = server.new_state(workload, streams)
        self._planned = 0
        self.foresight_s = server.foresight_s(workload)

    def block(
        self, clients: IntArray, arrival_s: FloatArray | None = None, later: Arrivals | None = None
    ) -> tuple[Requests, Path]:
        """The next requests, issued by ``clients``, and their paths.

        ``arrival_s`` where it is known when they arrive, and then ``later``: what arrives soon after them.
        """
        index = np.arange(self._planned, self._planned + clients.size)
        self._planned += clients.size
        requests = self._requests.requests(index, clients)
        if arrival_s is not None:
            foreseen = None if later is None else self._foreseen(*later)
            requests = replace(requests, arrival_s=arrival_s, later=foreseen)
        elif not self.workload.is_open:
            requests = replace(requests, most_per_s=self._most_per_s)
        return requests, self._server.path(self.workload, requests, self._state)

    def _foreseen(self, times: FloatArray, clients: IntArray) -> Requests:
        order = np.lexsort((clients, times))
        index = np.arange(self._planned, self._planned + times.size)
        return replace(self._requests.foreseen(index, clients[order]), arrival_s=times[order])

    @property
    def _most_per_s(self) -> float:
        """Requests per second of a closed source of which each comes back as soon as it has been thought of."""
        cycles = (
            (self.workload.queue_depth or 1)
            * self._at_a_time
            * (self.workload.clients if self.streams.client is None else 1)
        )
        return cycles / self.workload.think_time if self.workload.think_time else float("inf")

    def chunk(self, gaps: FloatArray, clients: IntArray) -> Chunk:
        """The next requests as a block of their own."""
        part = (np.arange(gaps.size), self.number, *self.block(clients))
        return assemble(gaps, [part], self._server.stations)


class RebuildSource(ClassPlan):
    """Chunks of a rebuild, which the server issues to itself, or of a recovery, which servers do to one another."""

    def __init__(self, server: ServerPlan, workload: Workload, streams: Streams, number: int) -> None:
        self.workload, self.streams, self.number = workload, streams, number
        self._server = server
        self._chunks = server.rebuild_requests(workload.name, streams)
        self._state = server.new_state(workload, streams)
        self._planned = 0
        self.foresight_s = 0.0

    def block(
        self, clients: IntArray, arrival_s: FloatArray | None = None, later: Arrivals | None = None
    ) -> tuple[Requests, Path]:
        del arrival_s, later  # chunks follow one another as fast as they may, so no page is left in part
        index = np.arange(self._planned, self._planned + clients.size)
        self._planned += clients.size
        requests = self._chunks.requests(index, clients)
        return requests, self._server.rebuild_path(self.workload.name, requests, self._state)


class Source(ABC):
    """Rows in the order in which they are consumed, in blocks of at most so many rows and about so many steps."""

    def __init__(self, rows: int, steps: int, steps_a_row: float = LIKELY_STEPS) -> None:
        self._most_rows, self._steps = rows, steps
        self._rows = max(min(rows, FIRST_ROWS, int(min(steps, FIRST_STEPS) / steps_a_row)), 1)

    def next_chunk(self) -> Chunk:
        """The next block of rows: never empty, and there is always another."""
        chunk = self._block(self._rows)
        steps_a_row = chunk.steps.op.size / len(chunk)
        self._rows = max(min(int(self._steps / steps_a_row), self._most_rows), 1)
        return chunk

    @abstractmethod
    def _block(self, rows: int) -> Chunk:
        """The next block, of about ``rows`` rows."""


class OpenSource(Source):
    """All open classes merged by time; ties go by the class's name, then by client."""

    def __init__(
        self,
        classes: Sequence[ClassPlan],
        arrivals: Sequence[ArrivalStream | TraceArrivals],
        stations: Stations,
        rows: int,
    ) -> None:
        """``rows`` is about the largest number of rows in a block."""
        super().__init__(rows, BLOCK_STEPS)
        self._classes, self._arrivals, self._stations = classes, arrivals, stations
        self._rate_per_s = sum(stream.rate_per_s for stream in arrivals)
        self._horizon_s = 0.0
        self._last_s = 0.0

    def _block(self, rows: int) -> Chunk:
        times: FloatArray = np.empty(0)
        while times.size == 0:
            self._horizon_s += rows / self._rate_per_s
            drawn = [stream.until(self._horizon_s) for stream in self._arrivals]
            times = np.concatenate([each for each, _ in drawn])
        clients = np.concatenate([each for _, each in drawn])
        numbers = np.repeat([plan.number for plan in self._classes], [each.size for each, _ in drawn])
        if bool((times[1:] <= times[:-1]).any()):
            order = np.lexsort((clients, numbers, times))
            times, clients, numbers = times[order], clients[order], numbers[order]
        gaps = np.diff(times, prepend=self._last_s)
        self._last_s = float(times[-1])
        parts = []
        for plan, stream in zip(self._classes, self._arrivals, strict=True):
            mine = np.flatnonzero(numbers == plan.number)
            if mine.size:
                later = stream.ahead(self._horizon_s + plan.foresight_s) if plan.foresight_s else None
                parts.append((mine, plan.number, *plan.block(clients[mine], times[mine], later)))
        return assemble(gaps, parts, self._stations)


class ClosedSource(Source):
    """A closed class, or one client of it: row i is the i-th request that is issued.

    The first rows, one for each of ``slots``, carry what spreads the start: without thinking they are issued
    at random within ``spread_s``.
    """

    def __init__(
        self,
        plan: ClassPlan,
        client: int | None,
        slots: int,
        spread_s: float,
        rows: int,
        filling: Filling | None = None,
        steps: int = BLOCK_STEPS,
        steps_a_row: float = LIKELY_STEPS,
    ) -> None:
        """``filling`` is what the first row finds in the buffers, None where they begin empty.

        A block has about so many ``steps``; ``steps_a_row`` is how many a row is likely to have.
        """
        super().__init__(rows, steps, steps_a_row)
        self._plan, self._client, self._slots, self._spread_s = plan, client, slots, spread_s
        self._filling = filling
        self._issued = 0

    def _block(self, rows: int) -> Chunk:
        index = np.arange(self._issued, self._issued + rows)
        self._issued += rows
        client = 0 if self._client is None else self._client
        filling, self._filling = self._filling, None
        if filling is None:
            return self._plan.chunk(self._thinking(index), np.full(rows, client))
        written = self._plan.chunk(np.zeros(filling.rows), np.full(filling.rows, client))
        chunk = self._plan.chunk(self._thinking(index), np.full(rows, client))
        return put_before(filling.steps(written), chunk)

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
