"""How much of what each station can carry is asked of it? By the demands of the plan, before any run."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import cycle

import numpy as np
from scipy.special import stdtrit

from tailrace.arrays import FloatArray, IntArray
from tailrace.engine.choice import WORTH_COMPILING, at_hand, choose_engine, runner
from tailrace.forecast.dies import ERROR as STRETCH_ERROR
from tailrace.forecast.dies import stretch_of_dies
from tailrace.forecast.flow import share_carried
from tailrace.forecast.result import Saturation
from tailrace.forecast.servers import over_servers
from tailrace.physics.seek import SeekCurve, seek_times_s
from tailrace.plan.build import Plan, build_plan, sample_demands
from tailrace.plan.columns import COLLECT, END, GIVE, READ, VISIT, Chunk, Stage, Steps, one_visit_each
from tailrace.plan.source import Source
from tailrace.plan.stations import Bank, Discipline, Stations
from tailrace.plan.write_back import DESTAGES
from tailrace.scenario.tables.law import Law
from tailrace.scenario.tables.media import Generic
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.server import LawStage

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
class Load:
    """What open classes and rebuilds ask of each bank, as a share of what it can carry; NaN where there is no limit.

    ``error`` is half of the 95 % confidence interval of each share over the share: 0 where it follows from demands.

    A load at or beyond 1 cannot be carried; a log whose commits are collected carries 1 with its writes full and
    nothing else in their way. ``background`` is the part of rebuilds in it, which does not grow with the
    load of the classes. ``arms_by_run`` says whether that of the arms comes from a closed
    micro-run with all queue slots taken: what an arm can carry depends on how many requests it can choose from.
    ``per_request_s`` is, by the name of each class and rebuild, the service that one request asks of each bank.
    """

    banks: tuple[Bank, ...]
    share: FloatArray
    background: FloatArray
    error: FloatArray
    arms_by_run: bool
    per_request_s: Mapping[str, FloatArray]

    @property
    def binding(self) -> Saturation | None:
        """The bank that saturates first as the open load grows; None if none ever does."""
        factor = self._factors(1.0)
        if not np.isfinite(factor).any():
            return None
        # Permits that drives set the pace of carry as much as these: first is who binds whatever the errors are.
        latest = self._factors(1.0 - self.error)
        first = int(np.argmin(latest))
        bank, least, widest = self.banks[first], float(factor[first]), float(latest[first])
        error = widest / least - 1.0 if least > 0.0 else 0.0
        return Saturation(bank.name, bank.stage.name.lower(), least, error, bank.key, bank.each, bank.whose)

    def factor_at(self, bank: str) -> float:
        """How far the load of the classes can grow until a bank, by its name, saturates; infinite if never."""
        factors = zip(self.banks, self._factors(1.0), strict=True)
        return next((float(factor) for each, factor in factors if each.name == bank), math.inf)

    def _factors(self, scale: float | FloatArray) -> FloatArray:
        """How far the load of the classes can grow at each bank if all shares were so many times what they are."""
        grows = (self.share - self.background) * scale
        left = np.maximum(1.0 - self.background * scale, 0.0)
        factor = np.divide(left, grows, out=np.full(left.shape, np.inf), where=grows > 0.0)
        factor[left == 0.0] = 0.0
        return np.asarray(factor)


def offered_load(scenario: Scenario, seed: int) -> Load:
    """The load of the open classes and of rebuilds on every bank of the server."""
    stations, demands = sample_demands(scenario, seed)
    demands, banks = over_servers(scenario, seed, stations, demands)
    # Of classes and of rebuilds: seconds of service, visits, and what `flow.share_carried` asks.
    both = np.zeros((2, 4, len(stations)))
    for place, classes, factor in ((0, scenario.workload, scenario.load), (1, scenario.background, 1.0)):
        for workload in classes:
            if workload.is_open:
                demand = demands[workload.name]
                columns = (demand.service_s, demand.visits, demand.writing_s, demand.drawn_s)
                both[place] += workload.rate_at(factor) * np.stack(columns)
    service, visits, writing, drawn = both.sum(axis=0)
    share = np.full(len(stations.banks), np.nan)
    background, error = np.zeros(len(stations.banks)), np.zeros(len(stations.banks))
    arms_by_run = False
    laws = written_laws(scenario)
    firsts = [bank.first for bank in stations.banks]
    per_request = {name: np.add.reduceat(each.service_s, firsts) for name, each in demands.items()}
    for place, bank in enumerate(banks):
        mine = slice(bank.first, bank.first + bank.count)
        if bank.arm is not None and visits[mine].any():
            arms_by_run = True
            slots = stations.bank_of(bank.arm.slots)
            operations = visits[slots.first : slots.first + slots.count].sum()
            waiting = round(slots.servers * visits[mine].sum() / operations)
            mix = at_any_load(scenario)
            beside = apart = saturated_service(mix, seed, bank.first, waiting)
            if both[1, 1, mine].any():
                apart = saturated_service(mix, seed, bank.first, slots.servers, with_rebuilds=False)
            share[place], background[place] = _fullest(
                bank, both[0, 1, mine] * apart.mean_s, visits[mine] * beside.mean_s
            )
            error[place] = max(apart.error, beside.error)
        elif bank.discipline == Discipline.BULK:
            if visits[bank.first] > 0.0:
                each_s = float(writes_alone_s(scenario, seed, bank.first).mean())
                share[place] = visits[bank.first] * each_s / bank.servers
        elif bank.key == DESTAGES and visits[mine].any():
            begun_per_s = float(bank.means_alike(visits[mine]).max())
            share[place] = begun_per_s / held_per_s(at_any_load(scenario), seed, bank.first)
            error[place] = HELD_ERROR
        elif bank.flow is not None:
            asked = (
                share_carried(bank.flow, each[0, mine], each[2, mine], each[3, mine])
                for each in (both[0], np.stack([service, visits, writing, drawn]))
            )
            share[place], background[place] = _fullest(bank, *asked)
        elif bank.discipline not in (Discipline.DELAY, Discipline.ARM) and bank.paces:
            known = laws.get((bank.stage, bank.name))
            alone, all_ = both[0, 0, mine], service[mine]
            if known is not None:
                for name, each in demands.items():
                    per_request[name][place] = each.visits[mine].sum() * known.mean_s
                alone, all_ = both[0, 1, mine] * known.mean_s, visits[mine] * known.mean_s
            elif bank.dies is not None and visits[mine].any():
                stretch = stretch_of_dies(at_any_load(scenario), seed, bank.first)
                alone, all_, error[place] = alone * stretch, all_ * stretch, STRETCH_ERROR
            share[place], background[place] = _fullest(bank, alone / bank.servers, all_ / bank.servers)
    return Load(tuple(banks), share, background, error, arms_by_run, per_request)


def at_any_load(scenario: Scenario) -> Scenario:
    """The scenario without its load factor, which changes no mix of classes where nothing is rebuilt beside them."""
    return scenario if scenario.background else scenario.model_copy(update={"load": 1.0})


def _fullest(bank: Bank, of_classes: FloatArray, of_all: FloatArray) -> tuple[float, float]:
    """Load, and the part of rebuilds in it, of those stations alike that the growing classes fill first.

    ``of_classes`` and ``of_all``: what is asked of each station, shape (count,), without rebuilds and with them.
    """
    alone, total = bank.means_alike(of_classes), bank.means_alike(of_all)
    background = np.maximum(total - alone, 0.0)
    left = np.maximum(1.0 - background, 0.0)
    factor = np.divide(left, alone, out=np.full(left.shape, np.inf), where=alone > 0.0)
    factor[left == 0.0] = 0.0
    first = int(np.argmin(factor)) if np.isfinite(factor).any() else int(np.argmax(total))
    return float(total[first]), float(background[first])


def written_laws(scenario: Scenario) -> dict[tuple[Stage, str], Law]:
    """Laws that the scenario itself gives, by stage and name of the bank: their means are no matter of a sample."""
    server = scenario.server
    stages = [
        (Stage.NETWORK, "network", server.network),
        (Stage.CONTROLLER, "controller", server.controller),
        *((Stage.LANE, pool.station_name("lane"), pool.lanes) for pool in server.pools),
    ]
    laws = {(stage, name): given.service for stage, name, given in stages if isinstance(given, LawStage)}
    for pool in server.pools:
        if isinstance(pool.media, Generic):
            laws[Stage.MEDIA, pool.station_name("drive")] = pool.media.service
    return laws


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
    zeros = np.zeros(wanted, dtype=np.int64)
    chunk = Chunk(
        np.cumsum(lengths) - lengths,
        np.zeros(wanted),
        zeros.astype(np.uint16),
        zeros.astype(np.uint32),
        zeros,
        np.full(wanted, READ, dtype=np.uint8),
        Steps.joined(found),
    )
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
