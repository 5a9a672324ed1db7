"""The rebuild of a pool as a class of requests: each reads a chunk from the survivors and writes it onto the spares."""

from __future__ import annotations

import numpy as np

from tailrace.arrays import IntArray, running_before
from tailrace.hardware.extents import Extents
from tailrace.hardware.geometry import Geometry
from tailrace.plan.media import MediaPlan, WriteState
from tailrace.plan.operations import Operations
from tailrace.plan.path import Path, Series, fork
from tailrace.plan.redundancy import DriveWork, Folding
from tailrace.scenario.tables.rebuild import Rebuild
from tailrace.workload.requests import Requests
from tailrace.workload.streams import Streams


class RebuildRequests:
    """The chunks in order, from where the rebuild stands to the end of the drives and from there again.

    Its progress is frozen during a run: what was rebuilt before stays so, and so does what was not.
    """

    def __init__(self, rebuild: Rebuild, geometry: Geometry, streams: Streams) -> None:
        self._streams = streams
        self._begin = geometry.rebuilt_rows * geometry.unit
        length = geometry.rows * geometry.unit - self._begin
        self._chunk = min(rebuild.chunk, length)
        self._chunks = length // self._chunk
        self._done = np.zeros(len(rebuild.groups), dtype=np.int64)

    def requests(self, index: IntArray, client: IntArray) -> Requests:
        """The next chunks, of the groups numbered by ``client``; ``address`` is that on each drive."""
        number = running_before(client, np.ones(client.size, dtype=np.int64), self._done)
        address = self._begin + number % self._chunks * self._chunk
        size = np.full(client.size, self._chunk)
        return Requests(self._streams, index, client, size, address, np.zeros(client.size, dtype=bool))


class RebuildPlan:
    """Reads of the survivors, the parity between, and writes on the spares."""

    def __init__(self, rebuild: Rebuild, geometry: Geometry, media: MediaPlan, folding: Folding) -> None:
        self._media, self._folding, self._wanted = media, folding, geometry.data
        most = max(int(geometry.up[1, group].sum()) for group in rebuild.groups)
        self._survivors = np.zeros((len(rebuild.groups), most), dtype=np.int64)
        self._up = np.zeros(len(rebuild.groups), dtype=np.int64)
        for place, group in enumerate(rebuild.groups):
            drives = geometry.drive[1, group][geometry.up[1, group]]
            self._survivors[place, : drives.size], self._up[place] = drives, drives.size
        self._targets = np.array([len(spares) for spares in rebuild.spares])
        self._spares = np.zeros((len(rebuild.groups), int(self._targets.max())), dtype=np.int64)
        for place, spares in enumerate(rebuild.spares):
            self._spares[place, : len(spares)] = spares
        self._is_mirror = geometry.copies > 1
        self._rebuild, self._geometry = rebuild, geometry

    def requests(self, streams: Streams) -> RebuildRequests:
        """The chunks of one replication, which draw from ``streams``."""
        return RebuildRequests(self._rebuild, self._geometry, streams)

    def work(self, requests: Requests, state: WriteState) -> DriveWork:
        """One path for each chunk. As many survivors are read as a row has data units, others each time."""
        count = len(requests)
        turn = requests.address // requests.size_bytes
        read_counts = np.full(count, self._wanted)
        owner = np.repeat(np.arange(count), self._wanted)
        place = np.tile(np.arange(self._wanted), count)
        group = requests.client
        chosen = (turn[owner] + place) % self._up[group[owner]]
        drive = self._survivors[group[owner], chosen]
        reads = Extents(read_counts, owner, drive, requests.address[owner], requests.size_bytes[owner])

        write_counts = self._targets[group]
        target = np.repeat(np.arange(count), write_counts)
        which = np.arange(target.size) - np.repeat(np.cumsum(write_counts) - write_counts, write_counts)
        spare = self._spares[group[target], which]
        writes = Extents(write_counts, target, spare, requests.address[target], requests.size_bytes[target])
        path: list[Path] = [fork(self._media.reads(Operations(requests, reads)), read_counts)]
        if not self._is_mirror:
            path += self._folding.path(requests.size_bytes * self._wanted * write_counts)
        operations = Operations(requests, writes, behind=read_counts)
        written = self._media.writes(operations, durable=False, random=False, state=state)
        path.append(fork(written, write_counts))
        return DriveWork(Series(count, path), read_counts + write_counts)
