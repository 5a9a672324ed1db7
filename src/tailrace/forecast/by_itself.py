"""What do arms, logs and permits carry by themselves? Short runs of an engine on parts of the plan."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import cycle

import numpy as np
from scipy.special import stdtrit

from tailrace.arrays import FloatArray, IntArray
from tailrace.engine.choice import WORTH_COMPILING, at_hand, choose_engine, runner
from tailrace.physics.seek import SeekCurve, seek_times_s
from tailrace.plan.build import Plan, build_plan
from tailrace.plan.columns import COLLECT, END, GIVE, VISIT, Chunk, Stage, Steps, bare_rows, one_visit_each
from tailrace.plan.source import Source
from tailrace.plan.stations import Bank, Discipline, Stations
from tailrace.scenario.tables.scenario import Scenario

ACCESSES = 65_536
"""Accesses of the micro-run that finds what an arm can carry, to about 0.2 %."""

MOST_WAITING = 1024
"""Accesses to choose from beyond which an arm is not measured: more of them help it little, and cost much."""

MANY_CHOICES = 1_000_000
"""Accesses times those to choose from, beyond which loading the compiled engine pays."""

BATCHES = 24
"""Parts of that run, of which the first quarter is no part of the answer."""

FOLLOWING = 0.001
"""Share of accesses that may begin by chance where the one before them did, or ended."""

REPEATED_ROWS = 2048
"""Rows in a block of what is put to a station by itself."""

PLACES = 1024
"""Places, of equally many accesses each, between which the mean seek is summed."""

WRITES = 1024
"""Writes of the micro-run that finds how long one of a log takes."""

WAYS, HELD_ERROR = 8192, 0.015
"""Ways of the micro-run that finds what permits let through, and the relative error of that (by trial)."""


@dataclass(frozen=True)
class SaturatedService:
    """Service time of an arm: its mean in seconds, half of the 95 % confidence interval of that over it, variability.

    ``work_s`` is the part of the mean that is transfer.
    """

    mean_s: float
    error: float
    scv: float
    work_s: float


@lru_cache(maxsize=64)
def saturated_service(
    scenario: Scenario,
    seed: int,
    first: int,
    waiting: int,
    with_rebuilds: bool = True,
) -> SaturatedService:
    """The service of the arms of a bank when ``waiting`` accesses are always there to choose from.

    ``first`` is the number of the bank's first station. Accesses of the open classes (of the closed ones where no open
    one has any), as the plan deals them to the drives, are put to a single arm in a closed loop: at least
    ``ACCESSES``, and several for each that waits. The interval is that of batch means.
    """
    plan = build_plan(scenario, seed, replication=0)
    bank = plan.stations.bank_of(first)
    stations = Stations()
    assert bank.arm is not None
    stations.add(bank.name, Stage.MEDIA, Discipline.ARM, arm=replace(bank.arm, phase=bank.arm.phase[:1]))
    waiting = min(waiting, MOST_WAITING)
    wanted = max(ACCESSES, 8 * waiting)
    engine = at_hand() if wanted * waiting < MANY_CHOICES else choose_engine("auto", wanted)
    accessed = _accesses(scenario, seed, first, wanted, with_rebuilds)
    closed = Plan(stations, ("",), (0,), None, (_Repeated(accessed),), ((0, 0),) * waiting)
    observed = runner(engine)(closed, requests=wanted, marks=BATCHES + 1)
    settled = slice(BATCHES // 4, None)
    time_s = observed.marks.time_s[settled]
    done = (observed.marks.arrived - observed.marks.present)[settled]
    each_s = np.diff(time_s) / np.diff(done)
    mean_s = float((time_s[-1] - time_s[0]) / (done[-1] - done[0]))
    half_s = float(stdtrit(each_s.size - 1, 0.975) * each_s.std(ddof=1)) / math.sqrt(each_s.size)
    each = observed.service_s[:, Stage.MEDIA]
    scv = float(each.var() / each.mean() ** 2)
    return SaturatedService(mean_s, half_s / mean_s, scv, float(accessed.steps.work[::2].mean()))


@lru_cache(maxsize=16)
def idle_positioning_s(scenario: Scenario, seed: int, first: int) -> float | None:
    """Mean positioning of the arms of a bank without any choice, in seconds; None where one access leads to the next.

    Seek between two places that have nothing to do with one another, settling, and half a turn. The places are those
    of ``ACCESSES`` accesses, each taken with every other, which is good for 0.1 % of the mean (by trial).
    """
    bank = build_plan(scenario, seed, replication=0).stations.bank_of(first)
    assert bank.arm is not None
    access = _accesses(scenario, seed, first, ACCESSES, True).steps.access
    assert access is not None
    start, end = access.start[::2], access.end[::2]
    follows = (start[1:] == end[:-1]) | (start[1:] == start[:-1])
    if (
        bank.arm.segments
        or follows.mean() > FOLLOWING
        or any(each.pattern != "random" for each in (*scenario.workload, *scenario.background))
    ):
        return None
    places = np.quantile(access.target[::2], (np.arange(PLACES) + 0.5) / PLACES)
    apart = np.abs(places[:, None] - places)[~np.eye(PLACES, dtype=bool)]
    curve = SeekCurve(bank.arm.edges, bank.arm.a, bank.arm.b, bank.arm.c)
    seek_s = float(seek_times_s(apart, curve).mean())
    return seek_s + float(access.settle_s[::2].mean()) + 0.5 / bank.arm.turns_per_s


@lru_cache(maxsize=16)
def writes_alone_s(scenario: Scenario, seed: int, log: int) -> FloatArray:
    """How long writes of the log at the station ``log`` take, in seconds, one after the other with nothing else there.

    As the plan has them, issued by the first commit of each: shape (WRITES,).
    """

    def writes(steps: Steps) -> tuple[IntArray, IntArray]:
        collects = np.flatnonzero((steps.op == COLLECT) & (steps.arg == log))
        return collects + 1, collects + steps.work[collects].astype(np.int64)

    alone = _alone(build_plan(scenario, seed, replication=0), writes, WRITES, 1)
    return runner(at_hand())(alone, requests=WRITES).latency_s


@lru_cache(maxsize=16)
def held_per_s(scenario: Scenario, seed: int, pool: int) -> float:
    """How many of the ways for which permits of the station ``pool`` are held are done a second, all permits in use.

    As the plan has them, with nothing else in the way.
    """
    plan = build_plan(scenario, seed, replication=0)
    permits = plan.stations.bank_of(pool).servers
    waiting = min(permits, MOST_WAITING)

    def ways(steps: Steps) -> tuple[IntArray, IntArray]:
        mine = steps.arg == pool
        return np.flatnonzero(steps.takes() & mine) + 1, np.flatnonzero((steps.op == GIVE) & mine)

    alone = _alone(plan, ways, WAYS, waiting)
    wanted = WAYS + 8 * waiting
    engine = at_hand() if wanted * waiting < MANY_CHOICES else choose_engine("auto", WORTH_COMPILING)
    marks = runner(engine)(alone, requests=wanted, marks=BATCHES + 1).marks
    done = marks.arrived - marks.present
    first = BATCHES // 4
    # Where there are more permits than are measured, each is taken to do as much as those.
    return float((done[-1] - done[first]) / (marks.time_s[-1] - marks.time_s[first])) * permits / waiting


def _alone(
    plan: Plan, pieces: Callable[[Steps], tuple[IntArray, IntArray]], wanted: int, at_once: int
) -> Plan:
    """Pieces of paths as requests of their own in a closed loop, over and over; so many are ``at_once`` under way.

    ``pieces`` says of a block of steps where they begin, and which step ends each and is not done any more.
    """
    found: list[Steps] = []
    while len(found) < wanted:
        for source in [*([] if plan.open_source is None else [plan.open_source]), *plan.closed]:
            steps = source.next_chunk().steps
            found += [steps.at(np.arange(begin, end + 1)) for begin, end in zip(*pieces(steps), strict=True)]
    found = found[:wanted]
    for each in found:
        each.op[-1] = END
    lengths = np.array([each.op.size for each in found])
    chunk = bare_rows(np.cumsum(lengths) - lengths, Steps.joined(found))
    return Plan(plan.stations, ("",), (0,), None, (_Repeated(chunk),), ((0, 0),) * at_once)


@lru_cache(maxsize=8)
def _accesses(scenario: Scenario, seed: int, first: int, accesses: int, with_rebuilds: bool) -> Chunk:
    """Accesses to the arms of a bank, of the open or the closed classes, drive after drive, each a path of its own."""
    bank = build_plan(scenario, seed, replication=0).stations.bank_of(first)
    scenario = _of_pool(scenario, bank)
    plan = build_plan(scenario, seed, replication=0)
    opened = [] if plan.open_source is None else [plan.open_source]
    orders = (
        (opened, plan.closed) if any(each.is_open for each in scenario.workload) else (plan.closed, opened)
    )
    classes = len(plan.classes) if with_rebuilds else len(scenario.workload)
    steps, drives = _of_bank(orders[0], bank, accesses, classes)
    if not steps:
        steps, drives = _of_bank(orders[1], bank, accesses, classes)
    if not steps:
        return _accesses(scenario, seed, first, accesses, True)
    order = np.argsort(np.concatenate(drives), kind="stable")[:accesses]
    return one_visit_each(Steps.joined(steps).at(order))


def _of_pool(scenario: Scenario, bank: Bank) -> Scenario:
    """The scenario with those classes only that go to the pool of the bank: others may send a thousand times as much.

    Where classes share a read cache all are needed.
    """
    names = [each.name for each in scenario.server.pool if bank.name.startswith(each.station_name(""))]
    if not names or getattr(scenario.server.controller, "read_cache", None) is not None:
        return scenario
    there = tuple(each for each in scenario.workload if any(part.pool in names for part in each.parts))
    return scenario.model_copy(update={"workload": there}) if there else scenario


def _of_bank(
    sources: Sequence[Source], bank: Bank, wanted: int, classes: int
) -> tuple[list[Steps], list[IntArray]]:
    """Accesses to the arms of a bank, block by block, and the drive of each; nothing if the sources have none.

    Those of the first so many classes only.
    """
    found: list[Steps] = []
    drives: list[IntArray] = []
    rounds = 0
    while (found or not rounds) and sum(drive.size for drive in drives) < wanted:
        rounds += 1
        for source in sources:
            chunk = source.next_chunk()
            steps = chunk.steps
            mine = (steps.op == VISIT) & (steps.arg >= bank.first) & (steps.arg < bank.first + bank.count)
            mine &= np.repeat(chunk.class_index < classes, np.diff(chunk.first, append=steps.op.size))
            at = np.flatnonzero(mine)
            if at.size:
                found.append(steps.at(at))
                drives.append(steps.arg[at].astype(np.int64) - bank.first)
    return found, drives


class _Repeated(Source):
    """The same rows over and over, in blocks of so few that an engine has room for them from the start."""

    def __init__(self, chunk: Chunk) -> None:
        super().__init__(len(chunk), chunk.steps.op.size)
        self._blocks = cycle(chunk.parts(REPEATED_ROWS))

    def _block(self, rows: int) -> Chunk:
        del rows
        return next(self._blocks)


def at_any_load(scenario: Scenario) -> Scenario:
    """The scenario without its load factor, which changes no mix of classes where nothing is rebuilt beside them."""
    return scenario if scenario.background else scenario.model_copy(update={"load": 1.0})
