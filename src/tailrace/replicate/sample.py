"""One replication, boiled down to what the answer needs of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tailrace.arrays import BoolArray, FloatArray
from tailrace.engine.choice import Engine, Run, started
from tailrace.plan.build import build_plan
from tailrace.replicate.gather import KINDS, Gathering, Kind, StageSums, measured_from
from tailrace.scenario.tables.scenario import Scenario

__all__ = ["Kind", "KindSample", "Latencies", "Sample", "StageSums", "StationSample", "replicate"]

MARKS = 21
WARM_MARK = 2
"""Of the marks, evenly spread over the arrivals, the one at which the measured window begins."""

MOST_ROWS = 2**15
"""Requests that are planned at a time."""


@dataclass(frozen=True, eq=False)
class Latencies:
    """Latencies of a class in order of arrival, shape (n,), warm-up included, and which of them are of reads.

    From ``begin`` on they are measured. Held once: those of reads or writes alone are picked when they are asked for.
    """

    every_s: FloatArray
    is_read: BoolArray
    begin: int

    def of(self, kind: Kind) -> FloatArray:
        """Those measured, of all requests or of reads or writes alone."""
        measured = self.every_s[self.begin :]
        if kind == "all":
            return measured
        is_read = self.is_read[self.begin :]
        return measured[is_read if kind == "read" else ~is_read]


@dataclass(frozen=True, eq=False)
class KindSample:
    """Measured requests of a class, or of its reads or writes alone.

    ``slowest`` are the slowest 1 %, ``middle`` those whose latency lies in the tenth around the median, or of long
    runs every so many of these.
    """

    kind: Kind
    latencies: Latencies
    requests: int
    bytes_moved: float
    stages: StageSums
    slowest: StageSums
    middle: StageSums

    @property
    def latency_s(self) -> FloatArray:
        """Latencies in order of arrival; shape (requests,)."""
        return self.latencies.of(self.kind)


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
    kinds: Mapping[str, Mapping[Kind, KindSample]]
    warming_s: Mapping[str, FloatArray]
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
    """Simulate one replication of ``requests`` requests and boil it down.

    Beside the plan and the engine, which do not grow with their number, this takes 11 bytes a request (a float of
    its latency, its class and its kind), and 100 bytes for the slowest of each hundred.
    """
    plan = build_plan(scenario, seed, replication, rows=min(max(requests // 2, 256), MOST_ROWS))
    run = started(engine)(plan, requests, MARKS, most_present)
    closed = {each.name for each in scenario.workload if not each.is_open}
    is_open = [name not in closed for name in plan.classes]
    return boil_down(
        run, requests, plan.classes, np.array(is_open), [bank.first for bank in plan.stations.banks]
    )


def boil_down(
    run: Run, requests: int, names: tuple[str, ...], is_open: BoolArray, bank_first: list[int]
) -> Sample:
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
    kinds: dict[str, Mapping[Kind, KindSample]] = {}
    warming: dict[str, FloatArray] = {}
    window_s = float(marks.time_s[-1] - marks.time_s[warm])
    if run.complete:
        window_s = gathering.window_s
        for number, name in enumerate(names):
            latencies = _latencies(gathering, number)
            warming[name] = latencies.every_s
            kinds[name] = _kinds(gathering, number, latencies)
    return Sample(
        window_s,
        kinds,
        warming,
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


def _kinds(gathering: Gathering, number: int, latencies: Latencies) -> dict[Kind, KindSample]:
    found: dict[Kind, KindSample] = {}
    for kind in KINDS:
        stages = gathering.stages(number, kind)
        if stages.requests:
            found[kind] = KindSample(
                kind,
                latencies,
                stages.requests,
                gathering.bytes_moved(number, kind),
                stages,
                gathering.slowest(number, kind),
                gathering.middle(number, kind),
            )
    return found


def _growth(time_s: FloatArray, waiting_s: FloatArray) -> FloatArray:
    """Growth of the mean number waiting from the first to the second half of the window, one entry a bank."""
    half = time_s.size // 2
    early = (waiting_s[half] - waiting_s[0]) / (time_s[half] - time_s[0])
    late = (waiting_s[-1] - waiting_s[half]) / (time_s[-1] - time_s[half])
    return np.asarray(late - early)
