"""A recorded trace as arrivals and requests: which row is the j-th request of a class?

A replication begins at its own place in the trace and goes round: behind the last row comes the first again, one mean
gap later. The places are those of van der Corput's sequence (Niederreiter, Random Number Generation and Quasi-Monte
Carlo Methods, SIAM 1992, section 3.1; from memory), so that 16 replications with consecutive numbers begin evenly
spread over the trace, a sixteenth of it apart, and together see all of it alike.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.scenario.tables.workload import Workload
from tailrace.workload.requests import SECTOR_BYTES, Requests, RequestStream
from tailrace.workload.streams import Purpose, Streams

SAMPLED_RUNS = 16
"""Parts of a trace, evenly spread, from which a sample of its requests is taken."""


def begins_at(replication: int) -> float:
    """Where in the trace a replication begins, as a share of its rows: the bits of its number behind the point."""
    share, weight = 0.0, 0.5
    while replication:
        share += weight * (replication & 1)
        replication >>= 1
        weight /= 2
    return share


class Replay:
    """Which row of its trace the j-th request of a class, or of one of its clients, is.

    ``sample`` is the number of requests that are wanted of the whole trace, where not a run but a sample of it is.
    """

    def __init__(self, workload: Workload, streams: Streams, sample: int | None = None) -> None:
        self.recording = workload.recording
        self._rows: IntArray | None = None
        if streams.client is not None and self.recording.client is not None:
            self._rows = _rows_of(workload, self.recording.by_client, streams.client)
        elif streams.client is not None:  # nobody is told apart: in turn
            self._rows = np.arange(streams.client, len(self.recording), workload.clients)
        self.count = len(self.recording) if self._rows is None else self._rows.size
        self._first = int(begins_at(streams.replication) * self.count)
        self._stride = self._run = 1
        if sample is not None and sample < self.count:
            self._run = max(sample // SAMPLED_RUNS, 1)
            self._stride = self.count // SAMPLED_RUNS
        self._sampled = sample is not None

    def rows(self, index: IntArray) -> IntArray:
        """Rows of the requests at the positions ``index``, both of shape (m,)."""
        if self._sampled:
            index = index // self._run * self._stride + index % self._run
        place = (index + self._first) % self.count
        return place if self._rows is None else np.asarray(self._rows[place])

    def times_s(self, index: IntArray) -> FloatArray:
        """Recorded instants of the requests at the positions ``index``, counted from the first of the replication."""
        times, rate = self.recording.time_s, self.recording.facts.rate_per_s
        assert times is not None
        assert rate is not None
        round_s = self.count / rate
        lap, place = np.divmod(index + self._first, self.count)
        return np.asarray(times[place] + lap * round_s - times[self._first])


def _rows_of(workload: Workload, by_client: tuple[IntArray, IntArray], client: int) -> IntArray:
    """The rows of a client of the class: of all those in the trace that are numbered like it."""
    order, first = by_client
    recorded = range(client, first.size - 1, workload.clients)
    rows = np.concatenate([order[first[each] : first[each + 1]] for each in recorded])
    return rows if len(recorded) == 1 else np.sort(rows)


class TraceArrivals:
    """Arrivals of a class that replays a trace at its recorded times, handed out in order."""

    def __init__(self, workload: Workload, load: float, streams: Streams) -> None:
        """``load`` multiplies the pace."""
        self._replay = Replay(workload, streams)
        self._pace = workload.speed * load
        self._clients, self._streams = workload.clients, streams
        rate = self._replay.recording.facts.rate_per_s
        assert rate is not None
        self.rate_per_s = rate * self._pace
        self._handed = 0

    def until(self, horizon_s: float) -> tuple[FloatArray, IntArray]:
        """Times (s) and clients of all arrivals not yet handed out that come before ``horizon_s``."""
        times, clients = self.ahead(horizon_s)
        self._handed += times.size
        return times, clients

    def ahead(self, horizon_s: float) -> tuple[FloatArray, IntArray]:
        """The same, but what is told is not handed out."""
        size, times = 4096, np.empty(0)
        while times.size == 0 or times[-1] < horizon_s:
            index = np.arange(self._handed, self._handed + size)
            times = self._replay.times_s(index) / self._pace
            size *= 2
        count = int(np.searchsorted(times, horizon_s, side="left"))
        index = index[:count]
        clients = _clients(self._replay, self._clients, self._streams, index)
        return times[:count], clients


class TraceRequests:
    """The requests of a class that replays a trace. What the file does not tell is drawn as for any other class."""

    def __init__(
        self, workload: Workload, start: int, span: int, streams: Streams, sample: int | None = None
    ) -> None:
        """``start`` and ``span`` in bytes; addresses beyond are taken modulo the span. ``sample`` as in `Replay`."""
        self._replay = Replay(workload, streams, sample)
        self._start, self._span = start, span
        self._workload, self._streams = workload, streams
        self._drawn = RequestStream(workload, start, span, streams)

    def requests(self, index: IntArray, client: IntArray) -> Requests:
        """The requests at the positions ``index``; ``client`` counts where the file does not tell who asked."""
        return self._laid_out(index, client, self._drawn.requests)

    def foreseen(self, index: IntArray, client: IntArray) -> Requests:
        """The same, without taking a step: what `requests` will say when its turn comes."""
        return self._laid_out(index, client, self._drawn.foreseen)

    def _laid_out(self, index: IntArray, client: IntArray, draw: Callable[..., Requests]) -> Requests:
        rows, recording = self._replay.rows(index), self._replay.recording
        if recording.client is not None:
            client = recording.client[rows].astype(np.int64) % self._workload.clients
        recorded = None if recording.size_bytes is None else np.array(recording.size_bytes[rows])
        drawn = draw(index, client, recorded)
        size, read, address = drawn.size_bytes, drawn.read, drawn.address
        if recording.read is not None:
            read = np.array(recording.read[rows])
        if recording.address is not None:
            address = self._start + self._wrapped(np.array(recording.address[rows]), size)
        return Requests(self._streams, index, client, size, address, read)

    def _wrapped(self, address: IntArray, size: IntArray) -> IntArray:
        """Modulo the span; what would then cross its end is moved back to end there, at a whole sector."""
        inside = address % self._span
        return np.asarray(
            np.where(inside + size > self._span, (self._span - size) // SECTOR_BYTES * SECTOR_BYTES, inside)
        )


def _clients(replay: Replay, clients: int, streams: Streams, index: IntArray) -> IntArray:
    recorded = replay.recording.client
    if recorded is not None:
        return np.asarray(recorded[replay.rows(index)].astype(np.int64) % clients)
    return (streams.uniforms(Purpose.CLIENT, index) * clients).astype(np.int64)
