"""A server as stations, and the whole path of a block of requests through it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from tailrace.arrays import IntArray
from tailrace.hardware.controller import ControllerCost
from tailrace.plan.columns import Stage
from tailrace.plan.links import LawStagePlan, NetworkPlan, pieces
from tailrace.plan.media import WriteState
from tailrace.plan.path import Behind, Choice, Collected, InTurn, Path, Series, give, take, visit
from tailrace.plan.pool import PoolPlan
from tailrace.plan.read_cache import ReadCachePlan
from tailrace.plan.rebuild import RebuildRequests
from tailrace.plan.recovery import RecoveryRequests
from tailrace.plan.redundancy import DriveWork, Processors
from tailrace.plan.stations import Discipline, Stations
from tailrace.plan.write_back import WriteBackPlan
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.server import Controller, LawStage
from tailrace.scenario.tables.workload import Workload
from tailrace.workload.requests import Requests
from tailrace.workload.streams import Purpose, Streams

LIMIT_BURST_S = 1e-3
"""A class's rate limit lets pass at once what it grants in this time (at least one request)."""


class ServerPlan:
    """The stations of a scenario's server, and :meth:`path`, which lays requests over them."""

    def __init__(
        self, scenario: Scenario, seed: int, replication: int, rates: Mapping[str, float], servers: int = 1
    ) -> None:
        """The stations are those of one of so many ``servers``.

        ``seed`` and ``replication`` decide what the hardware leaves to chance: the phases of the spindles.

        ``rates`` are the requests per second of every class, for the read cache; without one they are not asked for.
        """
        server = scenario.server
        self.stations = Stations()
        self._network = _plan_network(scenario, self.stations)
        of_class = {part.name: each for each in scenario.workload for part in each.parts}
        first = _first_clients(scenario.workload)
        self._first_client = {part: first[each.name] for part, each in of_class.items()}
        self._controller = _plan_controller(server.controller, self.stations)
        memory = server.controller if isinstance(server.controller, Controller) else None
        self._cache = self._write_back = None
        if memory is not None and memory.read_cache is not None:
            self._cache = ReadCachePlan(scenario.by_step, memory.read_cache, seed, rates)
        if memory is not None and memory.write_back is not None:
            self._write_back = WriteBackPlan(memory.write_back, self.stations)
        limits = {
            workload.name: _Limit(workload.name, workload.limit, self.stations)
            for workload in sorted(scenario.workload, key=lambda each: each.name)
            if workload.limit is not None
        }
        self._limits = {part: limits[each.name] for part, each in of_class.items() if each.name in limits}
        self._computing = {
            each.name: self.stations.add(
                f"computing of {each.name}", Stage.NETWORK, Discipline.DELAY, outside=True
            )
            for each in sorted(scenario.workload, key=lambda each: each.name)
            if any(step.compute is not None and step.compute_at == "client" for step in each.step)
        }
        controller = self._controller
        processors = controller.processors if isinstance(controller, ControllerPlan) else None
        pools = {
            pool.name: PoolPlan(pool, seed, replication, processors, self.stations, servers)
            for pool in server.pools
        }
        self._pool_plans = pools
        self._pools = {each.name: pools[scenario.pool_of(each).name] for each in scenario.by_step.workload}
        self._logs = {
            part: self.stations.add(name, Stage.MEDIA, Discipline.BULK, most)
            for part, name, most in _logs(scenario.workload)
        }
        self._rebuilds = {each.name: pools[each.pool.name] for each in scenario.rebuilds}

    def new_state(self, workload: Workload, streams: Streams) -> WriteState:
        """The state before the first block of a source of requests of a class, which draws from ``streams``."""
        return (self._pools | self._rebuilds)[workload.name].new_state(streams)

    def path(self, workload: Workload, requests: Requests, state: WriteState) -> Path:
        """The paths of requests of one class, in the order of the class or of its source.

        ``state`` is what earlier blocks of the same source left behind; it is brought up to date.
        """
        if requests.read.all():
            return self._reads(workload, requests)
        if not requests.read.any():
            return self._writes(workload, requests.writes, state)
        reads = self._reads(workload, requests.where(requests.read))
        writes = self._writes(workload, requests.writes, state)
        return Choice(requests.read, reads, writes)

    def compute(self, name: str, transactions: Requests, time_s: float, at_client: bool, step: int) -> Path:
        """What transactions of a class compute in a step: at the client, or on a core of the controller."""
        if at_client:
            return visit(len(transactions), self._computing[name], time_s)
        assert isinstance(self._controller, ControllerPlan)
        return self._controller.compute(transactions, time_s, step)

    def rebuild_path(self, name: str, requests: Requests, state: WriteState) -> Path:
        """The paths of chunks that the server rebuilds by itself."""
        rebuild = self._rebuilds[name].rebuild
        assert rebuild is not None
        work = rebuild.work(requests, state)
        path: list[Path] = []
        if isinstance(self._controller, ControllerPlan):
            path.append(self._controller.issue(requests, work.operations))
        return Series(len(requests), [*path, work.path])

    def rebuild_requests(self, name: str, streams: Streams) -> RebuildRequests | RecoveryRequests:
        """The chunks that the server rebuilds by itself."""
        rebuild = self._rebuilds[name].rebuild
        assert rebuild is not None
        return rebuild.requests(streams)

    def foresight_s(self, workload: Workload) -> float:
        """How far beyond a block of requests of a class it must be known what arrives."""
        cached = workload.reads < 1.0 and not workload.durable
        return self._pools[workload.name].foresight_s if cached else 0.0

    def _reads(self, workload: Workload, requests: Requests) -> Path:
        pool = self._pools[workload.name]
        if self._cache is None or not len(requests):
            return self._one_kind(workload, requests, pool.reads(requests), reads=True)
        hit, fetched = self._cache.look_up(workload, requests)
        found, missed = requests.where(hit), requests.where(~hit)
        return Choice(
            hit,
            self._one_kind(workload, found, None, reads=True),
            self._one_kind(workload, missed, pool.reads(fetched.where(~hit)), reads=True),
        )

    def _writes(self, workload: Workload, requests: Requests, state: WriteState) -> Path:
        drives = self._pools[workload.name].writes(workload, requests, state)
        return self._one_kind(workload, requests, drives, reads=False)

    def _one_kind(
        self, workload: Workload, requests: Requests, drives: DriveWork | None, reads: bool
    ) -> Path:
        """``drives`` is None for requests that need none."""
        path = [
            *self.client_in(workload, requests, reads),
            *self.taken_in(workload, requests, drives, reads),
            *self.on_drives(workload, requests, drives, reads),
            *self.seen_out(requests, reads),
            *self.client_out(workload, requests, reads),
        ]
        return Series(len(requests), path)

    def client_in(self, workload: Workload, requests: Requests, reads: bool) -> list[Path]:
        """The way from the clients to the server."""
        if isinstance(self._network, NetworkPlan):
            return self._network.arrive(requests, self._first_client[workload.name], with_data=not reads)
        return [] if self._network is None else self._network.arrive(requests)

    def client_out(self, workload: Workload, requests: Requests, reads: bool) -> list[Path]:
        """The way back to the clients."""
        if not isinstance(self._network, NetworkPlan):
            return []
        return self._network.leave(requests, self._first_client[workload.name], with_data=reads)

    def taken_in(
        self, workload: Workload, requests: Requests, drives: DriveWork | None, reads: bool
    ) -> list[Path]:
        """What the controller does before the drives."""
        controller, path = self._controller, list[Path]()
        write_back = None if reads else self._write_back
        if workload.name in self._limits:
            path += self._limits[workload.name].pass_through(len(requests))
        if write_back is not None:
            path.append(write_back.admit(requests.size_bytes))
        if isinstance(controller, ControllerPlan):
            at_once = None if drives is None or self._issues_apart(workload, reads) else drives.operations
            path += controller.arrive(requests, at_once, with_data=not reads)
        elif controller is not None:
            path += controller.arrive(requests)
        return path

    def on_drives(
        self, workload: Workload, requests: Requests, drives: DriveWork | None, reads: bool
    ) -> list[Path]:
        """What is done on the drives, waited for or not."""
        if drives is None:
            return []
        way, count = [drives.path], len(requests)
        apart = self._issues_apart(workload, reads)
        if apart and isinstance(self._controller, ControllerPlan):
            way = [self._controller.issue(requests, drives.operations), drives.path]
        if not reads and self._write_back is not None:
            return [self._write_back.destage(requests.size_bytes, way)]
        return [Collected(self._logs[workload.name], Series(count, way))] if apart else way

    def seen_out(self, requests: Requests, with_data: bool) -> list[Path]:
        """What the controller does to send a message, of data or of none."""
        if isinstance(self._controller, ControllerPlan):
            return self._controller.leave(requests, with_data)
        return []

    def _issues_apart(self, workload: Workload, reads: bool) -> bool:
        """Whether drive operations are issued by themselves, apart from taking a request in."""
        return not reads and (self._write_back is not None or workload.name in self._logs)


class ControllerPlan:
    """Cores that take requests in, issue drive operations, copy data and see requests out."""

    def __init__(self, controller: Controller, stations: Stations) -> None:
        self._cost = ControllerCost(controller)
        self._copies_data = controller.copy_rate is not None
        self._piece = int(controller.copy_piece)
        self._cores = stations.add("cores", Stage.CONTROLLER, Discipline.FCFS, controller.cores)

    @property
    def processors(self) -> Processors:
        """The cores, for work that is not counted by requests."""
        return Processors(self._cores, self._piece)

    def arrive(self, requests: Requests, operations: IntArray | None, with_data: bool) -> list[Path]:
        """Take in, issue the operations and, for writes, copy: the first piece goes with the rest in one visit.

        ``operations`` is how many drive operations each request needs at once, None for none.
        """
        work = self._cost.intake_s(requests.uniforms(Purpose.INTAKE))
        if operations is not None:
            work = work + self._cost.dispatch_s(operations, requests.uniforms(Purpose.DISPATCH))
        count = len(requests)
        if not (with_data and self._copies_data):
            return [visit(count, self._cores, work)]
        first, others, counts = self._copies(requests)
        return [
            visit(count, self._cores, work + self._cost.copy_s(first)),
            InTurn(visit(others.size, self._cores, self._cost.copy_s(others)), counts),
        ]

    def issue(self, requests: Requests, operations: IntArray) -> Path:
        """Issue drive operations by themselves, apart from taking a request in."""
        work = self._cost.dispatch_s(operations, requests.uniforms(Purpose.DISPATCH))
        return visit(len(requests), self._cores, work)

    def compute(self, transactions: Requests, time_s: float, step: int) -> Path:
        """Compute for that mean time, which varies as the other costs do."""
        work = self._cost.compute_s(time_s, transactions.uniforms(Purpose.COMPUTE, step))
        return visit(len(transactions), self._cores, work)

    def leave(self, requests: Requests, with_data: bool) -> list[Path]:
        """For reads, copy, and see out: the last piece goes with the rest in one visit."""
        work = self._cost.completion_s(requests.uniforms(Purpose.COMPLETION))
        count = len(requests)
        if not (with_data and self._copies_data):
            return [visit(count, self._cores, work)]
        last, others, counts = self._copies(requests)
        return [
            InTurn(visit(others.size, self._cores, self._cost.copy_s(others)), counts),
            visit(count, self._cores, work + self._cost.copy_s(last)),
        ]

    def _copies(self, requests: Requests) -> tuple[IntArray, IntArray, IntArray]:
        """Bytes of the partial (or only) piece of each request; all its whole pieces, and how many they are."""
        counts, sizes = pieces(requests.size_bytes, self._piece)
        ends = np.cumsum(counts) - 1
        return sizes[ends], np.delete(sizes, ends), counts - 1


class _Limit:
    """A class's rate limit: a bucket of permits, each put back one interval after the one before it."""

    def __init__(self, name: str, limit: float, stations: Stations) -> None:
        self._interval_s = 1.0 / limit
        burst = max(int(limit * LIMIT_BURST_S), 1)
        self._refill = stations.add(f"limit of {name}", Stage.CONTROLLER, Discipline.FCFS)
        self._bucket = stations.add(
            f"allowance of {name}", Stage.CONTROLLER, Discipline.TOKEN, burst, paces=False
        )

    def pass_through(self, count: int) -> list[Path]:
        """Take a permit, which comes back by itself."""
        refill = Series(count, [visit(count, self._refill, self._interval_s), give(count, self._bucket)])
        return [take(count, self._bucket), Behind(refill, np.ones(count, dtype=np.int64))]


def _plan_network(scenario: Scenario, stations: Stations) -> NetworkPlan | LawStagePlan | None:
    network = scenario.server.network
    if network is None:
        return None
    if isinstance(network, LawStage):
        return LawStagePlan(network, Stage.NETWORK, "network", Purpose.NETWORK, stations)
    return NetworkPlan(network, sum(each.clients for each in scenario.workload), stations)


def _plan_controller(
    controller: Controller | LawStage | None, stations: Stations
) -> ControllerPlan | LawStagePlan | None:
    if controller is None:
        return None
    if isinstance(controller, LawStage):
        return LawStagePlan(controller, Stage.CONTROLLER, "controller", Purpose.CONTROLLER, stations)
    return ControllerPlan(controller, stations)


def _first_clients(workloads: tuple[Workload, ...]) -> dict[str, int]:
    """Number of the first client of each class, counting through the classes in order of name."""
    by_name = sorted(workloads, key=lambda each: each.name)
    ends = np.cumsum([each.clients for each in by_name])
    return {each.name: int(end) - each.clients for each, end in zip(by_name, ends, strict=True)}


def _logs(workloads: tuple[Workload, ...]) -> Iterator[tuple[str, str, int]]:
    """Steps whose commits are collected: name of the part of the class, name of the log, most commits of a write."""
    for workload in sorted((each for each in workloads if each.step), key=lambda each: each.name):
        asking = zip(workload.parts, workload.asking, strict=True)
        mine = [(part.name, step.group_commit) for part, step in asking if step.group_commit is not None]
        for place, (part, most) in enumerate(mine):
            yield part, f"log of {workload.name}" + (f", {place + 1}" if len(mine) > 1 else ""), most
