"""What do closed forms say where they are exact? Servers whose stages follow laws, and requests that go one way.

Every request passes network, controller, lane and one drive, as far as the scenario has them, and nothing else
happens: Poisson arrivals or clients that wait for each answer. Then networks have product form, and single stations
their own exact theory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tailrace import theory
from tailrace.arrays import FloatArray
from tailrace.forecast.result import ClassTheory
from tailrace.hardware.measured import MeasuredCost
from tailrace.hardware.service import gamma_times
from tailrace.physics.flow import capped
from tailrace.scenario.tables import law as written
from tailrace.scenario.tables.measured import Measured
from tailrace.scenario.tables.media import Generic
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.server import LawStage, Pool
from tailrace.scenario.tables.workload import Workload

SHARING = "processor sharing promises means only"
CLOSED = "for closed classes means only are known"
JUMPS = "the sum of the stations' times could not be inverted"
PRIORITIES = "with priorities means only are known"


@dataclass(frozen=True)
class _Station:
    """``count`` equal stations, one of which every request visits once.

    ``smoothed`` says whether the law has no more than the moments of the one that was written. With ``totals`` it
    gives 1, 2 ... present so much together, the last to any more (`physics.flow`).
    """

    servers: int
    count: int
    discipline: str
    law: theory.Law
    smoothed: bool
    totals: FloatArray | None = None

    @classmethod
    def measured(cls, media: Measured, size_bytes: int, read: bool) -> _Station:
        """Measured drives of which all requests are of one size and kind."""
        cost = MeasuredCost.of(media).of_kind(read)
        mean_s, share = cost.asked(np.array([size_bytes]))
        scv = cost.written.variability
        law = theory.Gamma(float(mean_s[0]), scv) if scv > 0 else theory.Constant(float(mean_s[0]))
        return cls(1, media.count, "ps", law, False, capped(cost.totals, float(share[0])))

    @classmethod
    def of(cls, stage: LawStage | Generic, count: int) -> _Station:
        smoothed = isinstance(stage.service, written.Empirical)
        return cls(stage.servers, count, stage.discipline, written_law(stage.service), smoothed)

    @property
    def queues(self) -> bool:
        return self.discipline != "delay"

    @property
    def memoryless(self) -> bool:
        return abs(self.law.scv - 1) < 1e-12 and isinstance(self.law, theory.Gamma)

    @property
    def product_form(self) -> bool:
        return self.discipline != "fcfs" or self.memoryless

    def utilisation(self, rate_per_s: float) -> float:
        return rate_per_s * self.law.mean_s / self.count / self.most

    @property
    def most(self) -> float:
        """Seconds of service that it gives a second at most."""
        return self.servers if self.totals is None else float(self.totals[-1])


def exact_classes(scenario: Scenario) -> dict[str, ClassTheory] | None:
    """What is known exactly of each class, by name; None where this server or workload is none of the exact models.

    The load must be one that the server can carry.
    """
    stations = _stations(scenario)
    if stations is None or not all(_goes_one_way(scenario, *each) for each in _with_spans(scenario)):
        return None
    opened = [each for each in scenario.workload if each.is_open]
    if any(not each.arrival_law.is_poisson or each.surge is not None for each in opened):
        return None
    ranked = len({each.priority for each in scenario.workload}) > 1 and any(
        each.discipline == "fcfs" for each in stations
    )
    if len(opened) < len(scenario.workload):
        return None if ranked else _closed_or_mixed(scenario, stations)
    rates = [each.rate_at(scenario.load) for each in opened]
    if ranked:
        return _ranked(opened, rates, stations)
    one = _open(stations, sum(rates))
    return None if one is None else dict.fromkeys((each.name for each in opened), one)


def exact_quantiles_s(scenario: Scenario, ps: Sequence[float]) -> dict[float, float]:
    """Quantiles of latency in seconds of a scenario for which `exact_classes` gives a p99, alike for all classes."""
    stations = _stations(scenario) or []
    alone = _alone_s(scenario, stations)
    if alone is not None:
        return {p: alone * _of_mean(stations[0].law.scv, p) for p in ps}
    rate = scenario.open_rate_per_s
    parts = [_response_law(each, rate / each.count) for each in stations]
    return {p: _quantile_s(p, parts) for p in ps}


def written_law(law: written.Law) -> theory.Law:
    """A scenario's law as one of the closed forms' laws."""
    match law:
        case written.Exponential():
            return theory.exponential(law.mean)
        case written.Constant():
            return theory.Constant(law.value)
        case written.Uniform():
            return theory.Uniform(law.low, law.high)
        case written.Gamma():
            return theory.Gamma(law.mean, law.scv)
        case written.Lognormal():
            return theory.Lognormal(law.mean, law.scv)
        case written.Hyperexponential():
            return theory.hyperexponential(law.mean, law.scv)
        case written.Empirical():
            return theory.law_of_values(law.sorted_s)


def _stations(scenario: Scenario) -> list[_Station] | None:
    server = scenario.server
    if scenario.cluster or len(server.pools) > 1 or any(each.step for each in scenario.workload):
        return None
    media, lanes = server.pools[0].media, server.pools[0].lanes
    stages = [each for each in (server.network, server.controller, lanes) if each is not None]
    laws = [each for each in stages if isinstance(each, LawStage)]
    if (
        len(laws) < len(stages)
        or not isinstance(media, Generic | Measured)
        or media.slow_drives
        or _is_redundant(server.pools[0])
    ):
        return None
    found = [_Station.of(each, 1) for each in laws]
    if isinstance(media, Measured):
        asked = {(part.size, each.reads) for each in scenario.workload for part in each.sizes}
        size_bytes, reads = next(iter(asked))
        if len(asked) > 1 or reads not in (0.0, 1.0):
            return None
        return [*found, _Station.measured(media, size_bytes, reads == 1.0)]
    return [*found, _Station.of(media, media.count)]


def _is_redundant(pool: Pool) -> bool:
    return pool.layout.redundancy != "none" or pool.layout.spares > 0


def _with_spans(scenario: Scenario) -> list[tuple[Workload, int]]:
    spans = zip(scenario.workload, scenario.spans(), strict=True)
    return [(workload, length) for workload, (_, length) in spans]


def _goes_one_way(scenario: Scenario, workload: Workload, span: int) -> bool:
    """Whether each request goes to one drive, all drives being equally likely whatever went before."""
    pool = scenario.pool_of(workload)
    media, unit = pool.media, int(pool.layout.stripe_unit)
    fits = workload.aligned and all(unit % part.size == 0 for part in workload.sizes)
    even = media.count == 1 or (
        workload.pattern == "random" and workload.popularity is None and span >= 1000 * unit * media.count
    )
    return fits and even and workload.limit is None


# Open


def _open(stations: Sequence[_Station], rate: float) -> ClassTheory | None:
    """All classes alike, since they ask the same of every station: what they see, if that is known exactly."""
    queues = [each for each in stations if each.queues]
    alone = len(queues) == 1 and queues[0].discipline == "fcfs" and queues[0].servers == 1
    if not (alone or all(each.product_form for each in queues)):
        return None
    mean = sum(_response_mean_s(each, rate / each.count) for each in stations)
    if any(each.discipline == "ps" for each in queues):
        return ClassTheory(mean, None, _open_method(queues), exact_mean=True, p99_reason=SHARING)
    # Burke, Reich: times at stations in tandem are independent if only the first and last have several servers.
    independent = all(each.servers == 1 for each in queues[1:-1])
    parts = [_response_law(each, rate / each.count) for each in stations]
    try:
        p99 = _quantile_s(0.99, parts)
    except theory.OutsideValidityError:
        return ClassTheory(mean, None, _open_method(queues), exact_mean=True, p99_reason=JUMPS)
    return ClassTheory(
        mean,
        p99,
        _open_method(queues),
        exact_mean=True,
        exact_p99=independent and not any(each.smoothed for each in stations),
        caution=None
        if independent
        else "The p99 takes the stations as independent; with several servers midway they are only nearly so.",
    )


def _quantile_s(p: float, parts: Sequence[theory.ResponseLaw]) -> float:
    """A quantile of the sum; by itself M/G/1 may jump where its services do."""
    if len(parts) == 1 and isinstance(parts[0], theory.Mg1Response):
        return theory.mg1_response_quantile(p, parts[0].arrival_rate, parts[0].service)
    return theory.sum_quantile(p, parts)


def _response_mean_s(station: _Station, rate: float) -> float:
    if station.totals is not None:
        return float(theory.sharing_number_by_rate(rate * station.law.mean_s, station.totals)) / rate
    if station.discipline == "ps":
        return float(theory.sharing_response_mean(rate, station.law.mean_s, station.servers))
    return _response_law(station, rate).mean_s


def _response_law(station: _Station, rate: float) -> theory.ResponseLaw:
    if not station.queues:
        return theory.DelayedResponse(0.0, 0.0, station.law)
    if station.memoryless:
        return theory.MmcResponse(rate, 1 / station.law.mean_s, station.servers)
    return theory.Mg1Response(rate, station.law)


def _open_method(queues: Sequence[_Station]) -> str:
    if len(queues) > 1:
        return "product form, stations in tandem"
    station = queues[0] if queues else None
    if station is None:
        return "a sum of delays"
    servers = str(station.servers)
    if station.totals is not None:
        return "processor sharing at a rate by the number present"
    if station.discipline == "ps":
        return f"M/G/{servers} with processor sharing"
    return f"M/M/{servers}" if station.memoryless else "M/G/1 (Pollaczek and Khinchine)"


def _ranked(
    workloads: Sequence[Workload], rates: Sequence[float], stations: Sequence[_Station]
) -> dict[str, ClassTheory] | None:
    """Classes of several priorities at a single station in order of arrival within each, without interruption."""
    queues = [each for each in stations if each.queues]
    if len(queues) != 1:
        return None
    station = queues[0]
    if station.servers > 1 and not station.memoryless:
        return None
    ranks = sorted({each.priority for each in workloads})
    merged = [
        sum(rate for each, rate in zip(workloads, rates, strict=True) if each.priority == rank)
        / station.count
        for rank in ranks
    ]
    mean_s, scv = station.law.mean_s, station.law.scv
    if station.servers == 1:
        waits, method = theory.priority_wait_means(merged, mean_s, scv), "M/G/1 with priorities (Cobham)"
    else:
        waits = theory.priority_wait_means_mmc(merged, mean_s, station.servers)
        method = f"M/M/{station.servers} with priorities (Kella and Yechiali)"
    service = sum(each.law.mean_s for each in stations)
    return {
        each.name: ClassTheory(
            float(waits[ranks.index(each.priority)]) + service,
            None,
            method,
            exact_mean=True,
            p99_reason=PRIORITIES,
        )
        for each in workloads
    }


# Closed, and both kinds together


def _alone_s(scenario: Scenario, stations: Sequence[_Station]) -> float | None:
    """Mean latency where a measured drive always holds the same number: each takes its own work times a constant.

    None where that is not so.
    """
    closed = scenario.workload
    if len(stations) > 1 or len(closed) > 1 or closed[0].is_open or closed[0].think_time:
        return None
    (station,) = stations
    if station.totals is None or station.count > 1:
        return None
    number = closed[0].clients * (closed[0].queue_depth or 1)
    return number * station.law.mean_s / float(station.totals[min(number, station.totals.size) - 1])


def _of_mean(scv: float, p: float) -> float:
    """A quantile of a gamma law over its mean."""
    return float(gamma_times(1.0, scv, np.array([p]))[0])


def _closed_or_mixed(scenario: Scenario, stations: Sequence[_Station]) -> dict[str, ClassTheory] | None:
    """Product form with closed classes; open ones beside them where every station has one server.

    Open classes leave 1 - rho of each station to the closed ones, and see what those have queued: S. S. Lavenberg and
    M. Reiser, Stationary state probabilities at arrival instants for closed queueing networks with multiple types
    of customers, J. Applied Probability 17, 1980 (from memory).
    """
    if not all(each.product_form for each in stations):
        return None
    rate = scenario.open_rate_per_s
    queues = np.repeat([each.queues for each in stations], [each.count for each in stations])
    servers = np.repeat(
        [each.servers if each.queues else math.inf for each in stations], [each.count for each in stations]
    )
    by_number = _by_number(stations)
    if rate > 0 and (by_number or np.any((servers > 1) & queues)):
        return None
    demand = np.repeat([each.law.mean_s / each.count for each in stations], [each.count for each in stations])
    left = np.where(queues, 1 - rate * demand, 1.0)
    closed = [each for each in scenario.workload if not each.is_open]
    clients = [each.clients * (each.queue_depth or 1) for each in closed]
    think = [each.think_time or 0.0 for each in closed]
    try:
        solved = theory.solve_closed(
            np.tile(demand / left, (len(closed), 1)), clients, think, servers, rates=by_number
        )
    except theory.OutsideValidityError:  # too many populations
        return None
    answers, alone = {}, _alone_s(scenario, stations)
    for place, each in enumerate(closed):
        bounding = (clients[place], think[place], servers, len(closed) == 1, not by_number)
        low, high = bounds_s(demand / left, *bounding)
        if by_number:
            most = np.repeat([station.most for station in stations], [station.count for station in stations])
            low, _ = bounds_s(demand / left / most, *bounding)
        answers[each.name] = ClassTheory(
            float(solved.response_s[place]),
            None if alone is None else alone * _of_mean(stations[0].law.scv, 0.99),
            solved.method,
            exact_mean=True,
            exact_p99=alone is not None,
            low_s=low,
            high_s=high,
            rate_per_s=float(solved.throughput[place]),
            p99_reason=CLOSED if alone is None else None,
        )
    queued = np.where(queues, solved.number.sum(axis=0), 0.0)
    opened = ClassTheory(
        float(np.sum(demand * (1 + queued) / left)),
        None,
        "product form beside closed classes",
        exact_mean=True,
        p99_reason="beside closed classes means only are known",
    )
    return {each.name: answers.get(each.name, opened) for each in scenario.workload}


def _by_number(stations: Sequence[_Station]) -> dict[int, FloatArray]:
    """What the stations give by the number present, by their places among all of them."""
    every = [each for each in stations for _ in range(each.count)]
    return {place: each.totals for place, each in enumerate(every) if each.totals is not None}


def bounds_s(
    demand_s: FloatArray,
    clients: int,
    think_s: float,
    servers: FloatArray,
    alone: bool,
    balanced: bool = True,
) -> tuple[float, float | None]:
    """Lower and upper bound of the mean response of a closed class, asymptotic and (single servers) balanced-job.

    ``alone`` says whether no other closed class is there; beside others only the lower bound holds.
    """
    bounds = theory.asymptotic_bounds(demand_s, clients, think_s, servers)
    low, high = bounds.response_low_s, bounds.response_high_s
    if balanced and alone and bool(np.all(servers == 1)):
        tighter = theory.balanced_job_bounds(demand_s, clients, think_s)
        low, high = max(low, tighter.response_low_s), min(high, tighter.response_high_s)
    return low, high if alone else None
