"""From a run to what it shows: simulate one replication, and boil it down."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from tailrace.arrays import BoolArray, FloatArray
from tailrace.engine.choice import Engine, EngineRun, started
from tailrace.engine.observations import Marks
from tailrace.plan.build import Plan, build_plan
from tailrace.plan.stations import Discipline
from tailrace.quantity import KINDS, Kind
from tailrace.replicate.flow import Throughflow
from tailrace.replicate.gather import Gathering, groups_of, measured_from, start_of
from tailrace.replicate.replication import Latencies, Replication, StationSample, Totals, warming_means
from tailrace.scenario.tables.scenario import Scenario

MARKS = 21
"""Instants at which the state of the stations is noted, evenly spread over the arrivals."""

MOST_ROWS = 2**15
"""Requests that are planned at a time."""

MOST_UNDER_WAY = 50_000
"""Requests and detached ways under way at which a run is given up as overloaded: this, half of its length, four for
each request that closed clients keep going, as many as there are permits for what goes on behind requests, and what
comes in `SURGES` surges of mean length, after which queues may drain."""
SURGES = 4.0


def most_under_way(scenario: Scenario, plan: Plan, requests: int) -> int:
    """Requests and detached ways under way at which a run of so many requests is given up."""
    permits = sum(
        bank.count * bank.servers
        for bank in plan.stations.banks
        if not bank.paces and bank.discipline != Discipline.PRESENT
    )
    surge = sum(
        each.rate_at(scenario.load) * each.surge.speeds[1] * each.surge.length
        for each in scenario.workload
        if each.surge is not None
    )
    return MOST_UNDER_WAY + requests // 2 + 4 * scenario.closed_requests + permits + int(SURGES * surge)


def replicate(
    scenario: Scenario,
    seed: int,
    replication: int,
    requests: int,
    engine: Engine = "reference",
    most_present: int | None = None,
) -> Replication:
    """Simulate one replication of ``requests`` requests and boil it down.

    It is given up when more than ``most_present`` requests and detached ways are under way, by default
    `most_under_way`; never if no class is open, since then nothing can pile up for good.
    Beside the plan and the engine, which do not grow with their number, this takes 11 bytes a request (a float of
    its latency, its class and its kind), and 100 bytes for the slowest of each hundred.
    """
    plan = build_plan(scenario, seed, replication, rows=min(max(requests // 2, 256), MOST_ROWS))
    closed = {each.name for each in scenario.workload if not each.is_open}
    if most_present is None and len(closed) < len(scenario.workload):
        most_present = most_under_way(scenario, plan, requests)
    run = started(engine)(plan, requests, MARKS, most_present, by_bank=True)
    is_open = np.array([name not in closed for name in plan.classes])
    return boil_down(run, requests, plan, is_open, start_of(scenario))


def boil_down(run: EngineRun, requests: int, plan: Plan, is_open: BoolArray, start: int = 0) -> Replication:
    """Carry out a run of so many requests and keep of it what the answer needs.

    ``is_open`` is that of the classes by number; ``start`` requests are too early to be measured.
    """
    gathering = Gathering(requests, is_open, start)
    for block in run.blocks():
        gathering.add(block, run.marks().time_s)
    marks = run.marks()
    last = marks.time_s.size - 1
    # Of the marks, evenly spread over the arrivals, the one at which the measured window begins.
    warm = min(math.ceil((MARKS - 1) * measured_from(requests, start) / requests), last - 1)
    under_way = gathering.open_present(last + 1) if run.complete else marks.present
    if is_open.all():
        under_way = under_way + marks.detached
    kinds: dict[str, Mapping[Kind, Totals]] = {}
    warming: dict[str, FloatArray] = {}
    issued: dict[str, int] = {}
    pace: dict[str, FloatArray] = {}
    window_s = float(marks.time_s[-1] - marks.time_s[warm])
    if run.complete:
        flow = gathering.throughflow()
        window_s = flow.window_s
        for number, name in enumerate(plan.classes):
            latencies = _latencies(gathering, number, measured_from(requests, start))
            warming[name], issued[name] = warming_means(latencies.every_s), latencies.every_s.size
            kinds[name] = _kinds(gathering, number, latencies, flow)
            pace[name] = flow.pace_per_s[groups_of(number, "all")].sum(axis=0)
    return Replication(
        window_s,
        kinds,
        warming,
        issued,
        pace,
        _stations(marks, warm, [bank.first for bank in plan.stations.banks]),
        marks.arrived[warm:].astype(np.float64),
        under_way[warm:].astype(np.float64),
        run.complete,
    )


def _latencies(gathering: Gathering, number: int, begin: int) -> Latencies:
    """Those of one class; where there is no other they are not copied."""
    mine = gathering.class_index == number
    if mine.all():
        return Latencies(gathering.latency_s, gathering.is_read, begin)
    begin = int(np.count_nonzero(mine[:begin]))
    return Latencies(gathering.latency_s[mine], gathering.is_read[mine], begin)


def _kinds(gathering: Gathering, number: int, latencies: Latencies, flow: Throughflow) -> dict[Kind, Totals]:
    found: dict[Kind, Totals] = {}
    for kind in KINDS:
        stages, groups = gathering.stages(number, kind), groups_of(number, kind)
        if not stages.requests:
            continue
        # Of a class that only reads, say, all are its reads, and their records are looked through once.
        whole = found.get("all")
        same = whole if whole is not None and whole.requests == stages.requests else None
        found[kind] = Totals(
            kind,
            stages.requests,
            int(flow.completed[groups].sum()),
            int(flow.bytes_moved[groups].sum()),
            float(flow.under_way_s[groups].sum()),
            float(latencies.of(kind).sum()),
            stages,
            same.slowest if same else gathering.slowest(number, kind),
            same.middle if same else gathering.middle(number, kind),
            latencies,
        )
    return found


def _stations(marks: Marks, warm: int, bank_first: list[int]) -> StationSample:
    """Integrals from mark ``warm`` on, one entry a bank; ``bank_first`` is the first station of each.

    Marks that hold sums over banks already stay as they are.
    """
    time_s = marks.time_s[warm:]
    of_bank = marks.busy_s.shape[1] == len(bank_first)
    busy, waiting = (
        each[warm:] if of_bank else np.add.reduceat(each[warm:], bank_first, axis=1)
        for each in (marks.busy_s, marks.waiting_s)
    )
    half = time_s.size // 2

    def growth(integral_s: FloatArray) -> FloatArray:
        early = (integral_s[half] - integral_s[0]) / (time_s[half] - time_s[0])
        late = (integral_s[-1] - integral_s[half]) / (time_s[-1] - time_s[half])
        return np.asarray(late - early)

    return StationSample(
        float(time_s[-1] - time_s[0]),
        busy[-1] - busy[0],
        waiting[-1] - waiting[0],
        growth(busy),
        growth(waiting),
    )
