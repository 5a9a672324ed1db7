"""One replication, boiled down to what the answer needs of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.engine.choice import Engine, runner
from tailrace.engine.observations import Observations
from tailrace.plan.build import build_plan
from tailrace.plan.columns import READ
from tailrace.scenario.scenario import Scenario

WARMUP_SHARE = 0.1
MARKS = 21
WARM_MARK = 2
"""Of the marks, evenly spread over the arrivals, the one at which the measured window begins."""

SLOWEST_SHARE = 0.01

MOST_ROWS = 2**15
"""Requests that are planned at a time."""

Kind = Literal["all", "read", "write"]


@dataclass(frozen=True)
class StageSums:
    """Seconds waited and served at the four stages, summed over ``requests``; shape (4,) each."""

    requests: int
    wait_s: FloatArray
    service_s: FloatArray


@dataclass(frozen=True)
class KindSample:
    """Measured requests of a class, or of its reads or writes alone: latencies in order of arrival."""

    latency_s: FloatArray
    bytes_moved: float
    stages: StageSums
    slowest: StageSums


@dataclass(frozen=True)
class StationSample:
    """Integrals over the measured window, one entry a bank: busy servers (or permits held), and waiting."""

    busy_s: FloatArray
    waiting_s: FloatArray


@dataclass(frozen=True)
class Sample:
    """One replication. ``kinds`` by class name, then by kind; those that did not occur are left out.

    ``warming_s`` holds each class's latencies with the warm-up included. ``arrived`` and ``under_way`` (requests of
    open classes and detached ways) are at the marks of the measured window, ``waiting_growth`` is how much the mean
    number waiting at each bank grew from the first to the second half of it.
    """

    window_s: float
    kinds: dict[str, dict[Kind, KindSample]]
    warming_s: dict[str, FloatArray]
    stations: StationSample
    arrived: FloatArray
    under_way: FloatArray
    waiting_growth: FloatArray
    complete: bool


def replicate(
    scenario: Scenario,
    seed: int,
    replication: int,
    requests: int,
    most_present: int,
    engine: Engine = "reference",
) -> Sample:
    """Simulate one replication of ``requests`` requests and boil it down."""
    plan = build_plan(scenario, seed, replication, rows=min(max(requests // 2, 256), MOST_ROWS))
    observed = runner(engine)(plan, requests, MARKS, most_present)
    first = [bank.first for bank in plan.stations.banks]
    names = sorted(each.name for each in scenario.workload)
    is_open = np.array([scenario.workload_named(name).is_open for name in names])
    return boil_down(observed, names, is_open, first)


def boil_down(observed: Observations, names: list[str], is_open: BoolArray, bank_first: list[int]) -> Sample:
    """Keep of the observations what the answer needs.

    ``names`` and ``is_open`` are those of the classes by number, ``bank_first`` is the first station of each bank.
    """
    marks = observed.marks
    warm = min(WARM_MARK, marks.time_s.size - 1)
    busy = np.add.reduceat(marks.busy_s, bank_first, axis=1)
    waiting = np.add.reduceat(marks.waiting_s, bank_first, axis=1)
    arrived = marks.arrived[warm:].astype(np.float64)
    under_way = (_open_present(observed, is_open) + marks.detached)[warm:].astype(np.float64)
    kinds: dict[str, dict[Kind, KindSample]] = {}
    warming: dict[str, FloatArray] = {}
    window_s = float(marks.time_s[-1] - marks.time_s[warm])
    if observed.complete:
        begin = int(np.ceil(WARMUP_SHARE * len(observed)))
        measured = np.arange(len(observed)) >= begin
        window_s = float(observed.arrival_s[-1] - observed.arrival_s[begin - 1])
        for number, name in enumerate(names):
            mine = observed.class_index == number
            warming[name] = observed.latency_s[mine]
            chosen = mine & measured
            read = observed.kind == READ
            parts: tuple[tuple[Kind, BoolArray], ...] = (
                ("all", chosen),
                ("read", chosen & read),
                ("write", chosen & ~read),
            )
            kinds[name] = {kind: _kind_sample(observed, which) for kind, which in parts if which.any()}
    return Sample(
        window_s,
        kinds,
        warming,
        StationSample(busy[-1] - busy[warm], waiting[-1] - waiting[warm]),
        arrived,
        under_way,
        _growth(marks.time_s[warm:], waiting[warm:]),
        observed.complete,
    )


def _kind_sample(observed: Observations, chosen: BoolArray) -> KindSample:
    latency = observed.latency_s[chosen]
    wait, service = observed.wait_s[chosen], observed.service_s[chosen]
    slow = max(int(np.ceil(SLOWEST_SHARE * latency.size)), 1)
    slowest = np.argpartition(latency, latency.size - slow)[latency.size - slow :]
    return KindSample(
        latency,
        float(observed.size_bytes[chosen].sum()),
        StageSums(latency.size, wait.sum(axis=0), service.sum(axis=0)),
        StageSums(slow, wait[slowest].sum(axis=0), service[slowest].sum(axis=0)),
    )


def _open_present(observed: Observations, is_open: BoolArray) -> IntArray:
    """Requests of open classes under way at each mark: what closed clients keep going cannot grow for good."""
    if not observed.complete:
        return observed.marks.present
    mine = is_open[observed.class_index]
    arrived = np.searchsorted(observed.arrival_s[mine], observed.marks.time_s, side="right")
    completed = np.searchsorted(np.sort(observed.completion_s[mine]), observed.marks.time_s, side="right")
    return np.asarray(arrived - completed)


def _growth(time_s: FloatArray, waiting_s: FloatArray) -> FloatArray:
    """Growth of the mean number waiting from the first to the second half of the window, one entry a bank."""
    half = time_s.size // 2
    early = (waiting_s[half] - waiting_s[0]) / (time_s[half] - time_s[0])
    late = (waiting_s[-1] - waiting_s[half]) / (time_s[-1] - time_s[half])
    return np.asarray(late - early)
