"""From a scenario to a plan: stations, sources of requests, and the clients that draw on them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from tailrace.plan.cluster.cluster import ClusterPlan
from tailrace.plan.cluster.coded import CodedPlan
from tailrace.plan.columns import Chunk
from tailrace.plan.demand import Demand, Sample, chunk_demand, positioning_s
from tailrace.plan.filled import Filling, fillings
from tailrace.plan.read_cache import ReadCachePlan
from tailrace.plan.server import ServerPlan
from tailrace.plan.source import (
    BLOCK_STEPS,
    LIKELY_STEPS,
    ClassPlan,
    ClosedSource,
    OpenSource,
    RebuildSource,
    Source,
)
from tailrace.plan.stations import Stations
from tailrace.plan.transaction import TransactionPlan
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.server import Controller
from tailrace.scenario.tables.workload import Workload
from tailrace.workload.arrivals import ArrivalStream
from tailrace.workload.replay import TraceArrivals
from tailrace.workload.streams import EvenStreams, Streams

DEFAULT_ROWS = 4096
SAMPLE_STEPS = 200_000
SPREAD_SAMPLE = 64
REBUILD_SAMPLE = 512


@dataclass(frozen=True)
class Plan:
    """All that an engine needs to know.

    ``classes`` are the names in ascending order, and behind them what the server does by itself, by which rows number
    them, ``priorities`` their ranks at fcfs
    stations (lower first). ``open_source`` is None if no class is open. ``closed`` are the sources of closed
    classes, ``slots`` the independent cycles that draw on them, in the order in which they start: place of
    the source, and client.
    """

    stations: Stations
    classes: tuple[str, ...]
    priorities: tuple[int, ...]
    open_source: Source | None
    closed: tuple[Source, ...]
    slots: tuple[tuple[int, int], ...]


def build_plan(scenario: Scenario, seed: int, replication: int, rows: int = DEFAULT_ROWS) -> Plan:
    """The plan of one replication. ``rows`` is the size of the blocks, which changes nothing in the answer."""
    server = planned_servers(scenario, seed, replication)
    spans = _spans(scenario)
    by_name = sorted(scenario.workload, key=lambda each: each.name)

    def planned(number: int, workload: Workload, client: int | None = None) -> ClassPlan:
        return _class_plan(server, workload, spans, (seed, replication, client), number)

    opened = [planned(number, each) for number, each in enumerate(by_name) if each.is_open]
    arrivals = [_arrivals(plan, scenario.load) for plan in opened]
    for number, each in enumerate(scenario.background, start=len(by_name)):
        streams = Streams(seed, replication, each.name)
        opened.append(RebuildSource(server, each, streams, number))
        arrivals.append(ArrivalStream(each, 1.0, streams))
    by_name += scenario.background
    open_source = OpenSource(opened, arrivals, server.stations, rows) if opened else None
    found = _cached_fillings(scenario)

    closed: list[Source] = []
    slots: list[tuple[int, int]] = []
    for number, workload in enumerate(by_name):
        if workload.is_open:
            continue
        depth = workload.queue_depth or 1
        spread_s, steps_a_row = 0.0, float(LIKELY_STEPS)
        if not workload.think_time:
            sample = planned(number, workload, client=0).chunk(
                np.zeros(SPREAD_SAMPLE), np.zeros(SPREAD_SAMPLE, int)
            )
            spread_s = chunk_demand(sample, server.stations).awaited_s
            steps_a_row = sample.steps.op.size / SPREAD_SAMPLE
        if not needs_source_per_client(scenario, workload):
            count = workload.clients * depth
            slots += [(len(closed), slot // depth) for slot in range(count)]
            first = found.get(workload.name)
            closed.append(
                ClosedSource(
                    planned(number, workload), None, count, spread_s, rows, first, steps_a_row=steps_a_row
                )
            )
            continue
        share = max(BLOCK_STEPS // workload.clients, 1)
        for client in range(workload.clients):
            slots += [(len(closed), client)] * depth
            first = found.get(workload.name) if client == 0 else None
            closed.append(
                ClosedSource(
                    planned(number, workload, client),
                    client,
                    depth,
                    spread_s,
                    rows,
                    first,
                    share,
                    steps_a_row,
                )
            )
    return Plan(
        server.stations,
        tuple(each.name for each in by_name),
        tuple(each.priority for each in by_name),
        open_source,
        tuple(closed),
        tuple(slots),
    )


def planned_servers(scenario: Scenario, seed: int, replication: int, in_mean: bool = False) -> ServerPlan:
    """The server of a scenario, or all servers of its cluster.

    With ``in_mean`` what is chosen as a run goes on is drawn at random, as often as it is chosen in the mean where all
    servers are alike.
    """
    rates = cached_rates(scenario)
    if scenario.cluster is None:
        return ServerPlan(scenario, seed, replication, rates)
    kind = ClusterPlan if scenario.cluster.code is None else CodedPlan
    return kind(scenario, scenario.cluster, seed, replication, rates, in_mean)


def _spans(scenario: Scenario) -> dict[str, tuple[int, int]]:
    """The addresses of every class and step of a transaction."""
    by_step = scenario.by_step
    return dict(zip((each.name for each in by_step.workload), by_step.spans(), strict=True))


def _class_plan(
    server: ServerPlan,
    workload: Workload,
    spans: Mapping[str, tuple[int, int]],
    drawn: tuple[int, int, int | None],
    number: int,
    sample: int | None = None,
) -> ClassPlan:
    """What a class asks for; ``drawn`` is seed, replication and client.

    With ``sample`` so many requests are wanted as a sample of all that it will ask, its draws spread evenly.
    """
    seed, replication, client = drawn
    kind = Streams if sample is None else EvenStreams

    def plain(part: Workload, at_a_time: int = 1) -> ClassPlan:
        streams = kind(seed, replication, part.name, client)
        return ClassPlan(server, part, spans[part.name], streams, number, sample, at_a_time)

    if not workload.step:
        return plain(workload)
    counts = dict(zip(workload.parts, (each.count for each in workload.asking), strict=True))
    streams = kind(seed, replication, workload.name, client)
    return TransactionPlan(server, workload, lambda part: plain(part, counts[part]), streams, number)


def _arrivals(plan: ClassPlan, load: float) -> ArrivalStream | TraceArrivals:
    if plan.workload.is_recorded:
        return TraceArrivals(plan.workload, load, plan.streams)
    return ArrivalStream(plan.workload, load, plan.streams)


def needs_source_per_client(scenario: Scenario, workload: Workload) -> bool:
    """Whether a closed class's requests depend on which client issues them."""
    own_link = getattr(scenario.server.network, "client_rate", None) is not None
    by_client = workload.columns is not None and workload.columns.client is not None
    in_turn = any(each.pattern == "sequential" for each in workload.parts)
    return in_turn or own_link or by_client


def sample_demands(
    scenario: Scenario, seed: int, steps: int = SAMPLE_STEPS
) -> tuple[Stations, Mapping[str, Demand]]:
    """The stations, and the mean demand of each class and rebuild, from about ``steps`` steps of its own plan."""
    found = sample_of(scenario, seed, steps)
    return found.stations, found.demands


def sample_requests(
    scenario: Scenario, seed: int, steps: int = SAMPLE_STEPS
) -> tuple[Stations, Mapping[str, Chunk]]:
    """The stations, and a block of requests of each class, of about ``steps`` steps: for reading only."""
    found = sample_of(scenario, seed, steps)
    return found.stations, found.chunks


def sample_of(scenario: Scenario, seed: int, steps: int = SAMPLE_STEPS) -> Sample:
    """A block of requests of each class and rebuild, of about ``steps`` steps.

    They are the same at every load, but where classes share a read cache by their rates.
    """
    by_load = getattr(scenario.server.controller, "read_cache", None) is not None
    return _sampled(scenario if by_load else scenario.model_copy(update={"load": 1.0}), seed, steps)


@lru_cache(maxsize=4)
def _sampled(scenario: Scenario, seed: int, steps: int) -> Sample:
    server = planned_servers(scenario, seed, 0, in_mean=True)
    chunks = {}
    spans = _spans(scenario)
    for workload in scenario.workload:
        plan = _class_plan(server, workload, spans, (seed, 0, None), number=0, sample=SPREAD_SAMPLE)
        first = plan.chunk(np.zeros(SPREAD_SAMPLE), np.arange(SPREAD_SAMPLE) % workload.clients)
        per_request = first.steps.op.size / SPREAD_SAMPLE
        rows = int(min(max(steps / per_request, SPREAD_SAMPLE), 16384))
        if workload.is_recorded:
            plan = _class_plan(server, workload, spans, (seed, 0, None), number=0, sample=rows)
        chunks[workload.name] = plan.chunk(np.zeros(rows), np.arange(rows) % workload.clients)
    for workload in scenario.background:
        plan = RebuildSource(server, workload, Streams(seed, 0, workload.name), number=0)
        chunks[workload.name] = plan.chunk(
            np.zeros(REBUILD_SAMPLE), np.arange(REBUILD_SAMPLE) % workload.clients
        )
    return Sample(server.stations, chunks)


def start_of_buffers(scenario: Scenario) -> int:
    """How many requests closed classes make until it is as if their full buffers had been so for ever."""
    return sum(each.start for each in _cached_fillings(scenario).values())


@lru_cache(maxsize=16)
def _cached_fillings(scenario: Scenario) -> Mapping[str, Filling]:
    """What closed classes find in the buffers, whatever the seed."""
    if all(each.is_open or each.reads == 1.0 for each in scenario.workload):
        return {}
    return fillings(scenario, sample_of(scenario, seed=0, steps=20_000))


@lru_cache(maxsize=16)
def cached_rates(scenario: Scenario) -> Mapping[str, float]:
    """Requests per second of every class as its read cache reckons with; empty where there is no such cache.

    Of a closed class it is the asymptotic bound of the class by itself, with every read a miss: the lesser of one over
    the largest demand on a station, and all its requests over demand and thinking (Lazowska, Zahorjan, Graham and
    Sevcik, Quantitative System Performance, 1984, ch. 5, from memory). Positioning an arm counts as a mean seek and
    half a turn. What matters is how the rates of classes compare; among classes alike it cancels.
    """
    controller = scenario.server.controller
    if not isinstance(controller, Controller) or controller.read_cache is None:
        return {}
    rates = {each.name: each.rate_at(scenario.load) for each in scenario.workload}
    closed = [each for each in scenario.workload if not each.is_open]
    if not closed:
        return rates | _rates_of_steps(scenario, rates)
    without = controller.model_copy(update={"read_cache": None, "write_back": None})
    server = scenario.server.model_copy(update={"controller": without})
    stations, demands = sample_demands(scenario.model_copy(update={"server": server}), seed=0, steps=20_000)
    servers = np.repeat([bank.most for bank in stations.banks], [bank.count for bank in stations.banks])
    for each in closed:
        demand = demands[each.name]
        position = demand.visits * positioning_s(stations) * (each.pattern == "random")
        largest = float(np.max((demand.service_s + position) / servers))
        circle = (each.think_time or 0.0) + demand.awaited_s + float(position.sum())
        rates[each.name] = min(each.clients * (each.queue_depth or 1) / circle, 1.0 / largest)
    return rates | _rates_of_steps(scenario, rates)


def _rates_of_steps(scenario: Scenario, rates: Mapping[str, float]) -> dict[str, float]:
    """Requests per second of each step of transactions, of which ``rates`` says how many come."""
    return {
        part.name: rates[each.name] * step.count
        for each in scenario.workload
        for part, step in zip(each.parts if each.step else (), (s for s in each.step if s.count), strict=True)
    }


def hit_shares(scenario: Scenario, seed: int) -> dict[str, float]:
    """Share of the reads of each class that find all their data in the read cache; empty where there is none."""
    controller = scenario.server.controller
    if not isinstance(controller, Controller) or controller.read_cache is None:
        return {}
    by_step = scenario.by_step
    cache = ReadCachePlan(by_step, controller.read_cache, seed, cached_rates(scenario))
    return {each.name: cache.hit_share(each) for each in by_step.workload if each.reads > 0.0}
