"""Requests laid over servers that keep an erasure code: gathered reads, and writes that keep the parity up to date."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tailrace.arrays import BoolArray, IntArray
from tailrace.hardware.geometry import Geometry
from tailrace.hardware.rows import RowWork, Touched, row_reads, row_writes
from tailrace.plan.cluster.cluster import ClusterPlan, asking, operations_of, server_of
from tailrace.plan.cluster.machine import OnServers
from tailrace.plan.media import WriteState
from tailrace.plan.operations import places
from tailrace.plan.path import InTurn, Path, Series, fork, quorum
from tailrace.plan.pieces import COPIES, SIDES, sent
from tailrace.plan.redundancy import DriveWork
from tailrace.plan.server import ControllerPlan
from tailrace.scenario.tables.workload import Workload
from tailrace.workload.requests import Requests


@dataclass(frozen=True)
class _Rows:
    """Sets of pieces that requests touch, as rows of a layout whose drives are the servers of each set.

    ``servers`` and ``up``, shape (rows, width), are the servers of each and whether they have not failed.
    """

    touched: Touched
    geometry: Geometry
    stripe: IntArray
    servers: IntArray
    up: BoolArray

    @property
    def first(self) -> IntArray:
        """The first server of each that is up."""
        return np.asarray(self.servers[np.arange(len(self.servers)), np.argmax(self.up, axis=1)])

    def counts(self, work: RowWork) -> IntArray:
        """How many operations each row has."""
        return np.bincount(work.entry, minlength=len(self.servers))


class CodedPlan(ClusterPlan):
    """Servers that keep a code in place of copies.

    As within a server: ``piece`` is the stripe unit, the servers of a set are the drives of a group, and a write does
    what needs the fewest operations (`hardware.rows`). Nobody is kept from a row that another one writes.
    """

    def _reads(self, workload: Workload, requests: Requests) -> Path:
        rows = self._rows(requests)
        work, _ = row_reads(rows.geometry, rows.touched)
        asked = self._asked(requests, rows, work, np.zeros(len(requests), dtype=np.int64))
        counts = np.bincount(rows.touched.owner[work.entry], minlength=len(requests))
        return fork(self._exchange_read(workload, asked), counts)

    def _writes(self, workload: Workload, requests: Requests, state: WriteState) -> Path:
        rows = self._rows(requests)
        found = row_writes(rows.geometry, rows.touched)
        none = np.zeros(len(requests), dtype=np.int64)
        reads = self._asked(requests, rows, found.reads, none)
        before = np.bincount(rows.touched.owner[found.reads.entry], minlength=len(requests))
        writes = self._asked(requests, rows, found.writes, before)
        if requests.later is not None:
            writes = replace(writes, later=self._written(requests.later))
        drives = self._pools[workload.name].writes(workload, writes, state)
        counts = rows.counts(found.writes)
        spared = self._cluster.width - (self._cluster.done_after or self._cluster.width)
        needed = np.maximum(counts - np.maximum(spared - (~rows.up).sum(axis=1), 0), 1)
        if self._cluster.copied_by == "client":
            whole = self._one_kind(workload, writes, drives, reads=False)
            row: Path = Series(
                counts.size,
                [
                    fork(self._exchange_read(workload, reads), rows.counts(found.reads)),
                    quorum(self._on(writes, [whole], enters=True, leaves=True), counts, needed),
                ],
            )
        else:
            read = fork(self._fetched(workload, rows, found.reads, reads), rows.counts(found.reads))
            write = self._stored(workload, rows, found.writes, writes, drives)
            row = self._by_first(workload, requests, rows, [read, quorum(write, counts, needed)])
        return fork(row, np.bincount(rows.touched.owner, minlength=len(requests)))

    def _written(self, requests: Requests) -> Requests:
        rows = self._rows(requests)
        work = row_writes(rows.geometry, rows.touched).writes
        return self._asked(requests, rows, work, np.zeros(len(requests), dtype=np.int64))

    def _by_first(self, workload: Workload, requests: Requests, rows: _Rows, meanwhile: list[Path]) -> Path:
        """What the first server of each row does for a write: take it in, see to the pieces, and answer."""
        touched = rows.touched
        ordinal = places(np.bincount(touched.owner, minlength=len(requests)))
        first = sent(
            requests,
            touched.owner,
            (ordinal * COPIES + COPIES - 1) * SIDES,
            np.zeros_like(ordinal),
            touched.end - touched.begin,
            rows.first,
        )
        before = self.client_in(workload, first, reads=False)
        if isinstance(self._controller, ControllerPlan):
            before += self._controller.arrive(first, None, with_data=True)
        after = [*self.seen_out(first, with_data=False), *self.client_out(workload, first, reads=False)]
        return Series(
            len(first),
            [self._on(first, before, enters=True), *meanwhile, self._on(first, after, leaves=True)],
        )

    def _fetched(self, workload: Workload, rows: _Rows, work: RowWork, reads: Requests) -> Path:
        """Pieces that the first server of each row reads, its own or those of others."""
        drives = self._pools[workload.name].reads(reads)
        away = server_of(reads) != rows.first[work.entry]
        others = reads.where(away)
        asked = asking(others, rows.first[work.entry[away]])
        there = [
            self._on(asked, self.seen_out(asked, with_data=False)),
            *self._wire(asked, others, with_data=False),
            self._on(
                others, self.taken_in(workload, others, operations_of(drives, away), reads=True), enters=True
            ),
        ]
        back = [
            self._on(others, self.seen_out(others, with_data=True), leaves=True),
            *self._wire(others, asked, with_data=True),
        ]
        if isinstance(self._controller, ControllerPlan):
            back.append(self._on(asked, self._controller.arrive(asked, None, with_data=True)))
        return self._hops(reads, away, there, [*self._issued_by_own(reads, ~away, drives), drives.path], back)

    def _stored(
        self, workload: Workload, rows: _Rows, work: RowWork, writes: Requests, drives: DriveWork
    ) -> Path:
        """Pieces that the first server of each row writes, its own or those of others."""
        away = server_of(writes) != rows.first[work.entry]
        others, own = writes.where(away), writes.where(~away)
        sending = asking(others, rows.first[work.entry[away]])
        there = [
            *self._messages(sending, others),
            self._on(
                others, self.taken_in(workload, others, operations_of(drives, away), reads=False), enters=True
            ),
        ]
        back = [
            self._on(others, self.seen_out(others, with_data=False), leaves=True),
            *self._answers(others, sending),
        ]
        before = self._issued_by_own(writes, ~away, drives)
        if self._write_back is not None:  # which issues what it destages by itself
            before = [InTurn(self._write_back.admit(own.size_bytes), (~away).astype(np.int64))]
        stored = self.on_drives(workload, writes, drives, reads=False)
        return self._hops(writes, away, there, [*before, *stored], back)

    def _hops(
        self, requests: Requests, away: BoolArray, there: list[Path], at: list[Path], back: list[Path]
    ) -> Path:
        """What is done at the server of each request, with a way there and back for those that are ``away``."""
        count, hops = int(away.sum()), away.astype(np.int64)
        at_server = OnServers(Series(len(requests), at), self._machines, server_of(requests))
        return Series(
            len(requests),
            [InTurn(Series(count, there), hops), at_server, InTurn(Series(count, back), hops)],
        )

    def _issued_by_own(self, requests: Requests, own: BoolArray, drives: DriveWork) -> list[Path]:
        """The drive operations that a server issues for itself."""
        if not isinstance(self._controller, ControllerPlan):
            return []
        issue = self._controller.issue(requests.where(own), drives.operations[own])
        return [InTurn(issue, own.astype(np.int64))]

    def _rows(self, requests: Requests) -> _Rows:
        code, piece = self._cluster.code, int(self._cluster.piece)
        assert code is not None
        width = self._cluster.width
        place = np.arange(width)
        whole = Geometry(
            piece,
            width,
            code.parity,
            1,
            1,
            0,
            np.broadcast_to(place, (2, 1, width)),
            np.ones((2, 1, width), dtype=np.bool_),
        )
        touched = Touched.of(whole, requests.address, requests.size_bytes)
        servers = self._placement.servers(touched.stripe)
        up = self._placement.is_up(servers)
        # Rows whose servers are down at the same places are a group of their own.
        patterns, which = np.unique(up @ (1 << place), return_inverse=True)
        of_pattern = (patterns[:, np.newaxis] >> place & 1).astype(np.bool_)
        groups = replace(
            whole,
            drive=np.broadcast_to(place, (2, patterns.size, width)),
            up=np.stack([of_pattern, of_pattern]),
        )
        grouped = replace(touched, stripe=touched.stripe * patterns.size + which)
        return _Rows(grouped, groups, touched.stripe, servers, up)

    def _asked(self, requests: Requests, rows: _Rows, work: RowWork, before: IntArray) -> Requests:
        """What servers are asked for; ``before``, shape (requests,), counts what was asked for each request already."""
        piece = int(self._cluster.piece)
        owner = rows.touched.owner[work.entry]
        ordinal = places(np.bincount(owner, minlength=len(requests))) + before[owner]
        # Operations lie at the row's place in a group of rows: what counts is where in the piece they begin.
        address = self._placement.address(rows.stripe[work.entry], work.address % piece)
        server = rows.servers[work.entry, work.drive]
        share = self._cluster.width / self._cluster.servers
        return sent(requests, owner, ordinal * COPIES * SIDES, address, work.size_bytes, server, share)
