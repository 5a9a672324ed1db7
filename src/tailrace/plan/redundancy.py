"""What requests do on the drives of a pool: one path each, by the redundancy of its layout."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, replace

import numpy as np

from tailrace.arrays import BoolArray, IntArray
from tailrace.hardware.extents import Extents
from tailrace.hardware.geometry import Geometry
from tailrace.hardware.layout import Striping
from tailrace.hardware.rows import RowWork, Touched, adjacent_as_one, row_reads, row_writes
from tailrace.plan.columns import Stage
from tailrace.plan.links import pieces
from tailrace.plan.media import MediaPlan, WriteState
from tailrace.plan.operations import Operations
from tailrace.plan.path import InTurn, Path, Series, fork, give, take, visit
from tailrace.plan.stations import Discipline, Stations
from tailrace.scenario.tables.workload import Workload
from tailrace.workload.requests import Requests
from tailrace.workload.streams import Purpose

ROW_LOCKS = 8191
"""Locks on the rows of a pool, which rows share by their number modulo this prime. With n writes under way that hold
a lock, another one waits for a stranger's with a probability of at most n / 8191: 0.4 % at 32."""
LOCKS_OF_MANY, MANY = 1021, 128
"""Locks of each server where there are more than so many servers: 3 % at 32 in each."""


@dataclass(frozen=True)
class DriveWork:
    """What requests do on the drives: the path of each, and the number of its drive operations, shape (requests,)."""

    path: Path
    operations: IntArray


@dataclass(frozen=True)
class Processors:
    """The station of the cores, and the bytes after which they take other work."""

    cores: int
    piece: int


@dataclass(frozen=True)
class Folding:
    """Processor time to compute parity, in pieces that queue again; none where the layout gives no rate."""

    processors: Processors | None
    rate: float | None

    def path(self, folded_bytes: IntArray) -> list[Path]:
        """Fold so many bytes for each item, shape (m,); items without any pass."""
        if self.processors is None or self.rate is None or not folded_bytes.any():
            return []
        counts = np.zeros(folded_bytes.size, dtype=np.int64)
        some = folded_bytes > 0
        counts[some], sizes = pieces(folded_bytes[some], self.processors.piece)
        return [InTurn(visit(sizes.size, self.processors.cores, sizes / self.rate), counts)]


class RedundancyPlan(ABC):
    """How requests are laid over drives."""

    _media: MediaPlan

    @abstractmethod
    def reads(self, requests: Requests) -> DriveWork:
        """Reads of one class."""

    @abstractmethod
    def written(self, requests: Requests) -> Extents:
        """Where writes of one class write, whatever they read before."""

    def foreseen(self, requests: Requests) -> Operations | None:
        """The operations that write what comes soon after these requests, where that is known."""
        later = requests.later
        if later is None:
            return None
        nowhere = np.zeros(0, dtype=np.int64)
        nothing = Extents(nowhere, nowhere, nowhere, nowhere, nowhere)
        return Operations(later, self.written(later) if len(later) else nothing)

    def writes(self, workload: Workload, requests: Requests, state: WriteState) -> DriveWork:
        """Writes of one class, which read nothing before, unless a layout says otherwise.

        ``state`` is what earlier blocks of the same source left, brought up to date.
        """
        extents = self.written(requests)
        operations = Operations(requests, extents, later=self.foreseen(requests))
        written = self._media.writes(operations, workload.durable, workload.pattern == "random", state)
        return DriveWork(fork(written, extents.counts), extents.counts)


class PlainPlan(RedundancyPlan):
    """Every byte once, in units in turn over all drives."""

    def __init__(self, geometry: Geometry, media: MediaPlan) -> None:
        self._media = media
        self._striping = Striping(geometry.groups * geometry.size, geometry.unit)

    def reads(self, requests: Requests) -> DriveWork:
        extents = self._striping.operations(requests.address, requests.size_bytes)
        path = fork(self._media.reads(Operations(requests, extents)), extents.counts)
        return DriveWork(path, extents.counts)

    def written(self, requests: Requests) -> Extents:
        return self._striping.operations(requests.address, requests.size_bytes)


class MirrorPlan(RedundancyPlan):
    """Every unit on two or three neighbouring drives: reads go to one that is up, drawn at random, writes to all."""

    def __init__(self, geometry: Geometry, media: MediaPlan) -> None:
        self._geometry, self._media = geometry, media
        self._striping = Striping(geometry.groups, geometry.unit)
        order = np.argsort(~geometry.up, axis=2, kind="stable")
        self._choice = np.take_along_axis(geometry.drive, order, axis=2)
        self._choices = geometry.up.sum(axis=2)

    def reads(self, requests: Requests) -> DriveWork:
        sets = self._sets(requests)
        part = self._geometry.part(sets.address // self._geometry.unit)
        u = Operations(requests, sets).uniforms(Purpose.COPY)
        chosen = (u * self._choices[part, sets.drive]).astype(np.int64)
        extents = replace(sets, drive=self._choice[part, sets.drive, chosen])
        path = fork(self._media.reads(Operations(requests, extents)), extents.counts)
        return DriveWork(path, extents.counts)

    def written(self, requests: Requests) -> Extents:
        sets, geometry = self._sets(requests), self._geometry
        part = geometry.part(sets.address // geometry.unit)
        each, copy = np.nonzero(geometry.up[part, sets.drive])
        owner = sets.owner[each]
        counts = np.bincount(owner, minlength=len(requests))
        drive = geometry.drive[part[each], sets.drive[each], copy]
        return Extents(counts, owner, drive, sets.address[each], sets.size_bytes[each])

    def _sets(self, requests: Requests) -> Extents:
        """Extents by the set of copies, none of which lies on both sides of where the rebuild has come to."""
        extents = self._striping.operations(requests.address, requests.size_bytes)
        return extents.split_at(self._geometry.rebuilt_rows * self._geometry.unit)


class ParityPlan(RedundancyPlan):
    """Rows of data units with parity, which every write keeps up to date.

    A write that reads first holds a lock on its row until it is done: taken before any queue slot of a drive, one in
    each branch and never another within it, so that no two can wait for each other.
    """

    def __init__(
        self, geometry: Geometry, media: MediaPlan, folding: Folding, stations: Stations, servers: int
    ) -> None:
        self._geometry, self._media, self._folding = geometry, media, folding
        self._locks = min(ROW_LOCKS if servers <= MANY else LOCKS_OF_MANY, geometry.rows * geometry.groups)
        self._lock = stations.add("row lock", Stage.MEDIA, Discipline.TOKEN, count=self._locks, paces=False)

    def reads(self, requests: Requests) -> DriveWork:
        touched = Touched.of(self._geometry, requests.address, requests.size_bytes)
        work, folded = row_reads(self._geometry, touched)
        extents = adjacent_as_one(work, touched.owner, len(requests))
        counts = extents.counts
        path = [fork(self._media.reads(Operations(requests, extents)), counts)]
        path += self._folding.path(_summed(folded, touched.owner, len(requests)))
        return DriveWork(Series(len(requests), path), counts)

    def written(self, requests: Requests) -> Extents:
        touched = Touched.of(self._geometry, requests.address, requests.size_bytes)
        rows = row_writes(self._geometry, touched)
        branch, owner, _, _ = _branches(touched, rows.reads_first)
        return _by_branch(rows.writes, branch, owner, len(requests))[0]

    def writes(self, workload: Workload, requests: Requests, state: WriteState) -> DriveWork:
        touched = Touched.of(self._geometry, requests.address, requests.size_bytes)
        rows = row_writes(self._geometry, touched)
        branch, owner, stripe, locking = _branches(touched, rows.reads_first)
        count, random = owner.size, workload.pattern == "random"
        reads, read_counts = _by_branch(rows.reads, branch, owner, len(requests))
        writes, write_counts = _by_branch(rows.writes, branch, owner, len(requests))
        path: list[Path] = []
        if locking.any():
            lock, some = self._lock + stripe[locking] % self._locks, locking.astype(np.int64)
            path.append(InTurn(take(lock.size, lock), some))
        if len(reads):
            path.append(fork(self._media.reads(Operations(requests, reads)), read_counts))
        path += self._folding.path(_summed(rows.folded_bytes, branch, count))
        operations = Operations(requests, writes, reads.counts, self.foreseen(requests))
        written = self._media.writes(operations, workload.durable, random, state)
        path.append(fork(written, write_counts))
        if locking.any():
            path.append(InTurn(give(lock.size, lock), some))
        branches = np.bincount(owner, minlength=len(requests))
        return DriveWork(fork(Series(count, path), branches), reads.counts + writes.counts)


def _branches(touched: Touched, reads_first: BoolArray) -> tuple[IntArray, IntArray, IntArray, BoolArray]:
    """The branch of each touched row; and of each branch its request, its (first) row, and whether that is locked.

    A row that must be read first is a branch of its own. All other rows of a request, which are written at once, are
    one branch together.
    """
    begins = reads_first.copy()
    at_once = np.flatnonzero(~reads_first)
    _, first = np.unique(touched.owner[at_once], return_index=True)
    begins[at_once[first]] = True
    number = np.cumsum(begins) - 1
    branch = number.copy()
    shared = np.zeros(int(touched.owner[-1]) + 1, dtype=np.int64)
    shared[touched.owner[at_once[first]]] = number[at_once[first]]
    branch[at_once] = shared[touched.owner[at_once]]
    at = np.flatnonzero(begins)
    return branch, touched.owner[at], touched.stripe[at], reads_first[at]


def _by_branch(work: RowWork, branch: IntArray, owner: IntArray, requests: int) -> tuple[Extents, IntArray]:
    """Operations of requests in the order of their branches, and how many there are in each branch."""
    extents = adjacent_as_one(work, branch, owner.size)
    request = owner[extents.owner]
    of_requests = replace(extents, owner=request, counts=np.bincount(request, minlength=requests))
    return of_requests, extents.counts


def _summed(amounts: IntArray, owner: IntArray, owners: int) -> IntArray:
    if owner.size == owners:
        return amounts
    totals = np.zeros(owners, dtype=np.int64)
    np.add.at(totals, owner, amounts)
    return totals


def plan_redundancy(
    geometry: Geometry, media: MediaPlan, folding: Folding, stations: Stations, servers: int = 1
) -> RedundancyPlan:
    """The plan for a layout, by its redundancy."""
    if geometry.parities:
        return ParityPlan(geometry, media, folding, stations, servers)
    return MirrorPlan(geometry, media) if geometry.copies > 1 else PlainPlan(geometry, media)
