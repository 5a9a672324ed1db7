"""Requests laid over several servers: which copy is read, who passes copies on, and what a write waits for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from tailrace.arrays import BoolArray, IntArray
from tailrace.plan.cluster.machine import Machines, OnServers
from tailrace.plan.columns import Stage
from tailrace.plan.links import LawStagePlan, NetworkPlan
from tailrace.plan.media import WriteState
from tailrace.plan.path import FewestPresent, InTurn, Path, Series, fork, give, quorum, take
from tailrace.plan.pieces import COPIES, SIDES, SLOT_SHIFT, Parts, Placement, sent
from tailrace.plan.rebuild import RebuildRequests
from tailrace.plan.recovery import RecoveryRequests, others
from tailrace.plan.redundancy import DriveWork
from tailrace.plan.server import ControllerPlan, ServerPlan
from tailrace.plan.stations import Discipline
from tailrace.scenario.tables.cluster import Cluster
from tailrace.scenario.tables.recovery import NAME as RECOVERY
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.workload import Workload
from tailrace.workload.requests import Requests
from tailrace.workload.streams import Purpose, Streams

WITHOUT_END = 2**30
"""Permits of a pool that only counts."""


@dataclass(frozen=True)
class _Copies:
    """Every copy that is up of every part, shape (copies,), part by part, the first copy of each first.

    ``counts``, shape (parts,), says how many each part has; ``part`` is the place of each copy's part, ``first``
    whether it is the first.
    """

    requests: Requests
    counts: IntArray
    part: IntArray
    first: BoolArray

    def others(self) -> Requests:
        """Those that are not the first of their part."""
        return self.requests.where(~self.first)


class ClusterPlan(ServerPlan):
    """The stations of all servers, and the paths of requests over them.

    What is planned of one server by `ServerPlan` stands for any of them, and is put on its server by `OnServers`.
    """

    def __init__(
        self,
        scenario: Scenario,
        cluster: Cluster,
        seed: int,
        replication: int,
        rates: Mapping[str, float],
        in_mean: bool = False,
    ) -> None:
        """With ``in_mean`` any copy is read where the one of the least busy server would be."""
        super().__init__(scenario, seed, replication, rates, cluster.servers)
        self._cluster = cluster
        self._placement = Placement(cluster, seed)
        self._between = self._network if isinstance(self._network, NetworkPlan) else None
        if cluster.network is not None:
            self._between = NetworkPlan(cluster.network, 0, self.stations, " between servers")
        self._recovery = scenario.recovery
        self._recovered = self._pool_plans[scenario.server.pools[0].name]
        self._present: int | None = None
        self._chooses = cluster.reads_from == "least busy" and not in_mean
        if cluster.reads_from == "least busy":
            self._present = self.stations.add(
                "requests under way", Stage.NETWORK, Discipline.PRESENT, WITHOUT_END, paces=False
            )
        self._machines = Machines(self.stations, cluster, seed, replication)
        self.stations = self._machines.stations

    def new_state(self, workload: Workload, streams: Streams) -> WriteState:
        if self._recovery is not None and workload.name == RECOVERY:
            return self._recovered.new_state(streams)
        return super().new_state(workload, streams)

    def rebuild_requests(self, name: str, streams: Streams) -> RebuildRequests | RecoveryRequests:
        if self._recovery is not None and name == RECOVERY:
            return RecoveryRequests(self._recovery, streams)
        return super().rebuild_requests(name, streams)

    def rebuild_path(self, name: str, requests: Requests, state: WriteState) -> Path:
        """The paths of chunks that the servers left recover: a copy to another server, or as many pieces as it takes.

        With copies each server sends what it holds to another one; with a code it gathers pieces from others, and
        keeps the one that they give back.
        """
        assert self._recovery is not None
        assert name == RECOVERY
        count, code = len(requests), self._cluster.code
        here = replace(requests, server=requests.client)
        away = others(requests, self._cluster.up, code.data if code else 1)
        workload = self._recovery.workload(0)
        if code is None:
            read, written = self._recovered.reads(here), self._recovered.writes(workload, away, state)
            path = [
                self._on(here, [*self._issued(here, read), read.path]),
                *self._messages(here, away),
                self._on(away, self._plainly(away, written)),
                *self._answers(away, asking(here, requests.client)),
            ]
            return Series(count, path)
        owner = np.repeat(np.arange(count), code.data)
        asked = asking(away, requests.client[owner])
        read, written = self._recovered.reads(away), self._recovered.writes(workload, here, state)
        fetched = [
            self._on(asked, self.seen_out(asked, with_data=False)),
            *self._wire(asked, away, with_data=False),
            self._on(away, [*self._received(away, read, with_data=False), read.path]),
            *self._messages(away, asked),
            self._on(asked, self._received(asked, None, with_data=True)),
        ]
        return Series(
            count,
            [
                fork(Series(owner.size, fetched), np.full(count, code.data)),
                self._on(here, [*self._issued(here, written), written.path]),
            ],
        )

    def _plainly(self, requests: Requests, drives: DriveWork) -> list[Path]:
        """What a server does with data for its drives alone, whatever memory there is before them."""
        path = [*self._received(requests, drives, with_data=True), drives.path]
        return path + self.seen_out(requests, with_data=False)

    def _received(self, requests: Requests, drives: DriveWork | None, with_data: bool) -> list[Path]:
        if isinstance(self._controller, ControllerPlan):
            at_once = None if drives is None else drives.operations
            return self._controller.arrive(requests, at_once, with_data)
        return []

    def _issued(self, requests: Requests, drives: DriveWork) -> list[Path]:
        """The drive operations that a server issues for itself."""
        if isinstance(self._controller, ControllerPlan):
            return [self._controller.issue(requests, drives.operations)]
        return []

    def _reads(self, workload: Workload, requests: Requests) -> Path:
        parts = Parts.of(requests, int(self._cluster.piece))
        if self._chooses:
            copies = self._copies(requests, parts)
            pool = self._machines.station(self._present or 0, server_of(copies.requests))
            each: Path = FewestPresent(self._exchange_read(workload, copies.requests), copies.counts, pool)
        else:
            each = self._exchange_read(workload, self._one_copy(requests, parts))
        return fork(each, parts.counts)

    def _writes(self, workload: Workload, requests: Requests, state: WriteState) -> Path:
        parts = Parts.of(requests, int(self._cluster.piece))
        copies = self._copies(requests, parts)
        if requests.later is not None:
            later = self._copies(requests.later, Parts.of(requests.later, int(self._cluster.piece))).requests
            copies = replace(copies, requests=replace(copies.requests, later=later))
        drives = self._pools[workload.name].writes(workload, copies.requests, state)
        wanted = self._cluster.done_after or self._cluster.width
        needed = np.minimum(copies.counts, wanted)
        if self._cluster.copied_by == "client" or self._cluster.width == 1:
            whole = self._one_kind(workload, copies.requests, drives, reads=False)
            exchange = self._on(copies.requests, [whole], enters=True, leaves=True)
            each = quorum(exchange, copies.counts, needed)
        else:
            each = self._passed_on(workload, copies, drives, needed)
        return fork(each, parts.counts)

    def _passed_on(self, workload: Workload, copies: _Copies, drives: DriveWork, needed: IntArray) -> Path:
        """Writes that the first server of each part takes in, passes on to the others, and answers."""
        all_, first, others = copies.requests, copies.requests.where(copies.first), copies.others()
        operations = operations_of(drives, copies.first), operations_of(drives, ~copies.first)
        sending = asking(others, server_of(first)[copies.part[~copies.first]])
        hop = Series(
            len(others),
            [
                *self._messages(sending, others),
                self._on(others, self.taken_in(workload, others, operations[1], reads=False), enters=True),
            ],
        )
        back = Series(
            len(others),
            [
                self._on(others, self.seen_out(others, with_data=False), leaves=True),
                *self._answers(others, sending),
            ],
        )
        passed = (~copies.first).astype(np.int64)
        stored = OnServers(
            Series(len(all_), self.on_drives(workload, all_, drives, reads=False)),
            self._machines,
            server_of(all_),
        )
        each = Series(len(all_), [InTurn(hop, passed), stored, InTurn(back, passed)])
        before = [
            *self.client_in(workload, first, reads=False),
            *self.taken_in(workload, first, operations[0], reads=False),
        ]
        after = [
            *self.seen_out(first, with_data=False),
            *self.client_out(workload, first, reads=False),
        ]
        return Series(
            len(first),
            [
                self._on(first, before, enters=True),
                quorum(each, copies.counts, needed),
                self._on(first, after, leaves=True),
            ],
        )

    def _messages(self, sending: Requests, receiving: Requests) -> list[Path]:
        """Data from server to server: from where they are sent to where they have arrived."""
        out = self._on(sending, self.seen_out(sending, with_data=True))
        return [out, *self._wire(sending, receiving, with_data=True)]

    def _answers(self, sending: Requests, receiving: Requests) -> list[Path]:
        """The answer from server to server, which is taken in as a request is."""
        path = self._wire(sending, receiving, with_data=False)
        if isinstance(self._controller, ControllerPlan):
            path.append(self._on(receiving, self._controller.arrive(receiving, None, with_data=False)))
        return path

    def _wire(self, sending: Requests, receiving: Requests, with_data: bool) -> list[Path]:
        between = self._between
        if between is not None:
            there = [*between.half_trip(len(receiving)), between.inbound(receiving, with_data)]
            out = self._on(sending, [between.outbound(sending, with_data)])
            return [out, self._on(receiving, there)]
        if isinstance(self._network, LawStagePlan) and with_data:  # a law is met on the way in alone
            return [self._on(receiving, self._network.arrive(receiving))]
        return []

    def _exchange_read(self, workload: Workload, requests: Requests) -> Path:
        """Reads of the server of each, from the client and back to it."""
        return self._on(requests, [super()._reads(workload, requests)], enters=True, leaves=True)

    def _on(self, requests: Requests, path: list[Path], enters: bool = False, leaves: bool = False) -> Path:
        """A path on the server of each request, which is under way there from where it enters to where it leaves."""
        count = len(requests)
        if self._present is not None:
            path = [
                *([take(count, self._present)] if enters else []),
                *path,
                *([give(count, self._present)] if leaves else []),
            ]
        return OnServers(Series(count, path), self._machines, server_of(requests))

    def _copies(self, requests: Requests, parts: Parts) -> _Copies:
        servers = self._placement.servers(parts.piece)
        up = self._placement.is_up(servers)
        part, copy = np.nonzero(up)
        counts = up.sum(axis=1)
        begins = np.cumsum(counts) - counts
        first = np.zeros(part.size, dtype=bool)
        first[begins] = True
        return _Copies(self._sent(requests, parts, part, copy, servers[part, copy]), counts, part, first)

    def _one_copy(self, requests: Requests, parts: Parts) -> Requests:
        """What is read of each part: its first copy that is up, or any."""
        servers = self._placement.servers(parts.piece)
        up = self._placement.is_up(servers)
        every = np.arange(parts.owner.size)
        if self._cluster.reads_from != "first":
            drawn = requests.streams.uniforms(
                Purpose.SERVER, requests.index[parts.owner], parts.place.astype(np.int64)
            )
            nth = (drawn * up.sum(axis=1)).astype(np.int64)
        else:
            nth = np.zeros(every.size, dtype=np.int64)
        copy = np.argmax(up & (np.cumsum(up, axis=1) == nth[:, np.newaxis] + 1), axis=1)
        # Whichever copy is read, it draws the same: designs that differ in the choice see the same requests.
        return self._sent(requests, parts, every, np.zeros_like(copy), servers[every, copy])

    def _sent(
        self, requests: Requests, parts: Parts, part: IntArray, copy: IntArray, server: IntArray
    ) -> Requests:
        """What is asked of servers for copies of parts, shape (copies,) each."""
        slot = (parts.place[part] * COPIES + copy) * SIDES
        address = self._placement.address(parts.piece[part], parts.offset[part])
        share = self._cluster.width / self._cluster.servers
        return sent(requests, parts.owner[part], slot, address, parts.size_bytes[part], server, share)


def server_of(requests: Requests) -> IntArray:
    """The server of each request."""
    assert requests.server is not None
    return requests.server


def asking(requests: Requests, server: IntArray) -> Requests:
    """The same as they are for the servers that ask others for them, which draw for themselves."""
    return replace(requests, index=requests.index + (1 << SLOT_SHIFT), server=server)


def operations_of(drives: DriveWork, which: BoolArray) -> DriveWork:
    """How many drive operations some of the requests need, without their paths."""
    return DriveWork(drives.path, drives.operations[which])
