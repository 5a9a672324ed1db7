"""What does each request of a class ask for: how much, of which kind, where?"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray, running_before
from tailrace.physics.zipf import scatter, zipf_law, zipf_rank
from tailrace.scenario.tables.workload import Workload
from tailrace.workload.streams import Purpose, Streams

SECTOR_BYTES = 512
ITEM_BYTES = 16 * 1024


@dataclass(frozen=True)
class Requests:
    """Requests of one class in columns, all of shape (m,).

    ``index`` is the position in the class (or in the client's own source), by which every further draw for a
    request is keyed. ``arrival_s`` are the arrivals, where planning knows them (open), and ``later`` the requests of
    the same source that arrive soon after these, as far as a medium has to look ahead. Where it does not (closed),
    ``most_per_s`` is the rate at which the source can issue at most: that of its thinking. ``server`` is the number of
    the server that each is sent to, where there are several.
    """

    streams: Streams
    index: IntArray
    client: IntArray
    size_bytes: IntArray
    address: IntArray
    read: BoolArray
    arrival_s: FloatArray | None = None
    later: Requests | None = None
    most_per_s: float = np.inf
    server: IntArray | None = None

    def __len__(self) -> int:
        return self.index.size

    def uniforms(self, purpose: Purpose, ordinal: int | IntArray = 0) -> FloatArray:
        """One uniform draw in (0, 1) for each request."""
        return self.streams.uniforms(purpose, self.index, ordinal)

    def where(self, chosen: BoolArray) -> Requests:
        """The requests for which ``chosen`` holds, in the same order, without those that come later."""
        at = np.flatnonzero(chosen)
        return replace(
            self,
            index=self.index[at],
            client=self.client[at],
            size_bytes=self.size_bytes[at],
            address=self.address[at],
            read=self.read[at],
            arrival_s=None if self.arrival_s is None else self.arrival_s[at],
            later=None,
            server=None if self.server is None else self.server[at],
        )

    @property
    def writes(self) -> Requests:
        """The writes among them, and among those that come later."""
        mine = self.where(~self.read)
        return mine if self.later is None else replace(mine, later=self.later.where(~self.later.read))


class RequestStream:
    """Draws the requests of one class, or of one client of a class that walks sequentially.

    ``start`` and ``span`` in bytes say which part of the capacity the class touches. Sequential clients keep
    their place from block to block, so blocks are asked for in order.
    """

    def __init__(self, workload: Workload, start: int, span: int, streams: Streams) -> None:
        self._workload = workload
        self._start = start
        self._span = span
        self._streams = streams
        self._sizes = np.array([part.size for part in workload.sizes], dtype=np.int64)
        self._size_edges = np.cumsum([part.share for part in workload.sizes])[:-1]
        self._law = None
        if workload.popularity is not None:
            self._law = zipf_law(max(span // ITEM_BYTES, 1), workload.popularity)
        if workload.pattern == "sequential":
            largest = workload.largest_size
            self._share = span // workload.clients
            if workload.aligned:
                self._share -= self._share % largest
            self._first = streams.client or 0
            walkers = 1 if streams.client is not None else workload.clients
            of_class = Streams(streams.seed, streams.replication, streams.owner)
            begin = of_class.uniforms(Purpose.ADDRESS, np.arange(self._first, self._first + walkers))
            self._walked = (begin * (self._share // largest)).astype(np.int64) * largest

    def requests(self, index: IntArray, client: IntArray, size: IntArray | None = None) -> Requests:
        """The requests at the positions ``index``, issued by ``client``, both of shape (m,), as has ``size`` in bytes.

        Sizes are drawn if they are not given.
        """
        if size is None:
            size = self._drawn_sizes(index)
        read = self._streams.uniforms(Purpose.KIND, index) < self._workload.reads
        if self._workload.pattern == "sequential":
            address = self._walk(client, size)
        else:
            address = self._scattered(index, size)
        return Requests(self._streams, index, client, size, address, read)

    def foreseen(self, index: IntArray, client: IntArray, size: IntArray | None = None) -> Requests:
        """The same, without taking a step: what `requests` will say when its turn comes."""
        if self._workload.pattern == "random":
            return self.requests(index, client, size)
        walked = self._walked.copy()
        seen = self.requests(index, client, size)
        self._walked[:] = walked
        return seen

    def _drawn_sizes(self, index: IntArray) -> IntArray:
        if self._sizes.size == 1:
            return np.full(index.size, self._sizes[0])
        drawn = np.searchsorted(self._size_edges, self._streams.uniforms(Purpose.SIZE, index), side="right")
        return self._sizes[drawn]

    def _scattered(self, index: IntArray, size: IntArray) -> IntArray:
        grain = size if self._workload.aligned else np.full_like(size, SECTOR_BYTES)
        where = self._streams.uniforms(Purpose.ADDRESS, index)
        places = (self._span - size) // grain + 1
        if self._law is None:
            return self._start + (where * places).astype(np.int64) * grain
        items = self._law.items
        # One permutation for all replications: what is popular belongs to the data, not to the run.
        key = Streams(self._streams.seed, 0, self._streams.owner).key(Purpose.SCATTER)
        item = scatter(zipf_rank(where, self._law), items, int(key))
        inside = self._streams.uniforms(Purpose.ADDRESS, index, 1)
        offset = (item * ITEM_BYTES + (inside * ITEM_BYTES).astype(np.int64)) // grain * grain
        return np.asarray(self._start + np.minimum(offset, (places - 1) * grain))

    def _walk(self, client: IntArray, size: IntArray) -> IntArray:
        """Where each request of a sequential client begins: where the client's last one ended, with wrapping."""
        position = running_before(client - self._first, size, self._walked)
        # A request that would cross the end of its client's share is moved back to end there.
        offset = np.minimum(position % self._share, self._share - size)
        return np.asarray(self._start + client * self._share + offset)
