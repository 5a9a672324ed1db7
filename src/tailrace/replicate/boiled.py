"""From a run to what it shows: simulate one replication, and boil it down."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tailrace.arrays import BoolArray, FloatArray
from tailrace.engine.choice import Engine, Run, started
from tailrace.plan.build import build_plan
from tailrace.quantity import KINDS, Kind
from tailrace.replicate.gather import Gathering, measured_from
from tailrace.replicate.replication import Latencies, Replication, StationSample, Totals, warming_means
from tailrace.scenario.tables.scenario import Scenario

MARKS = 21
WARM_MARK = 2
"""Of the marks, evenly spread over the arrivals, the one at which the measured window begins."""

MOST_ROWS = 2**15
"""Requests that are planned at a time."""

MOST_UNDER_WAY = 50_000
"""Requests and detached ways under way at which a run is given up as overloaded: this, half of its length, and
four for each request that closed clients keep going."""


def most_under_way(scenario: Scenario, requests: int) -> int:
    """Requests and detached ways under way at which a run of so many requests is given up."""
    closed = sum(each.clients * (each.queue_depth or 0) for each in scenario.workload)
    return MOST_UNDER_WAY + requests // 2 + 4 * closed


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
    `most_under_way`.

    Beside the plan and the engine, which do not grow with their number, this takes 11 bytes a request (a float of
    its latency, its class and its kind), and 100 bytes for the slowest of each hundred.
    """
    plan = build_plan(scenario, seed, replication, rows=min(max(requests // 2, 256), MOST_ROWS))
    most = most_under_way(scenario, requests) if most_present is None else most_present
    run = started(engine)(plan, requests, MARKS, most)
    closed = {each.name for each in scenario.workload if not each.is_open}
    is_open = [name not in closed for name in plan.classes]
    return boil_down(
        run, requests, plan.classes, np.array(is_open), [bank.first for bank in plan.stations.banks]
    )


def boil_down(
    run: Run, requests: int, names: tuple[str, ...], is_open: BoolArray, bank_first: list[int]
) -> Replication:
    """Carry out a run of so many requests and keep of it what the answer needs.

    ``names`` and ``is_open`` are those of the classes by number, ``bank_first`` is the first station of each bank.
    """
    gathering = Gathering(requests, is_open)
    for block in run.blocks():
        gathering.add(block, run.marks().time_s)
    marks = run.marks()
    warm = min(WARM_MARK, marks.time_s.size - 1)
    busy = np.add.reduceat(marks.busy_s, bank_first, axis=1)
    waiting = np.add.reduceat(marks.waiting_s, bank_first, axis=1)
    arrived = marks.arrived[warm:].astype(np.float64)
    present = gathering.open_present(marks.time_s.size) if run.complete else marks.present
    kinds: dict[str, Mapping[Kind, Totals]] = {}
    warming: dict[str, FloatArray] = {}
    issued: dict[str, int] = {}
    window_s = float(marks.time_s[-1] - marks.time_s[warm])
    if run.complete:
        window_s = gathering.window_s
        for number, name in enumerate(names):
            latencies = _latencies(gathering, number)
            warming[name], issued[name] = warming_means(latencies.every_s), latencies.every_s.size
            kinds[name] = _kinds(gathering, number, latencies)
    return Replication(
        window_s,
        kinds,
        warming,
        issued,
        StationSample(busy[-1] - busy[warm], waiting[-1] - waiting[warm]),
        arrived,
        (present + marks.detached)[warm:].astype(np.float64),
        _growth(marks.time_s[warm:], waiting[warm:]),
        run.complete,
    )


def _latencies(gathering: Gathering, number: int) -> Latencies:
    """Those of one class; where there is no other they are not copied."""
    begin = measured_from(gathering.latency_s.size)
    mine = gathering.class_index == number
    if mine.all():
        return Latencies(gathering.latency_s, gathering.is_read, begin)
    begin = int(np.count_nonzero(mine[:begin]))
    return Latencies(gathering.latency_s[mine], gathering.is_read[mine], begin)


def _kinds(gathering: Gathering, number: int, latencies: Latencies) -> dict[Kind, Totals]:
    found: dict[Kind, Totals] = {}
    for kind in KINDS:
        stages = gathering.stages(number, kind)
        if stages.requests:
            found[kind] = Totals(
                kind,
                stages.requests,
                gathering.bytes_moved(number, kind),
                float(latencies.of(kind).sum()),
                stages,
                gathering.slowest(number, kind),
                gathering.middle(number, kind),
                latencies,
            )
    return found


def _growth(time_s: FloatArray, waiting_s: FloatArray) -> FloatArray:
    """Growth of the mean number waiting from the first to the second half of the window, one entry a bank."""
    half = time_s.size // 2
    early = (waiting_s[half] - waiting_s[0]) / (time_s[half] - time_s[0])
    late = (waiting_s[-1] - waiting_s[half]) / (time_s[-1] - time_s[half])
    return np.asarray(late - early)
