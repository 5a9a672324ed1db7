"""What do closed forms say where nothing is exact? Every station on its own, and the requests' own paths over them.

Works, visits and ways are counted on a sample of the plan. A pool whose permits are served (a die, held through the
transfer) is a station that serves for as long as service holds it, waiting for the bus meanwhile included.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from tailrace import theory
from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.forecast.arms import ArmWait, arm_wait
from tailrace.forecast.banks import (
    LOW_UTILISATION,
    BankWait,
    ExponentialWait,
    Offered,
    Takes,
    bank_wait,
    own_law,
    ranked_wait,
)
from tailrace.forecast.by_itself import writes_alone_s
from tailrace.forecast.exact import written_law
from tailrace.forecast.flow import Draws, Mix, flow_wait
from tailrace.forecast.saturation import written_laws
from tailrace.forecast.ways import PerStation, slowest_way_mean_s
from tailrace.plan.build import sample_of
from tailrace.plan.columns import COLLECT, Chunk
from tailrace.plan.demand import Sample, Visits
from tailrace.plan.stations import Discipline, Stations
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.workload import Workload
from tailrace.theory.quantile import solve_tail_once
from tailrace.theory.sums import TimesSum

MOST_GROUPS = 12
"""Groups of requests of one kind and size that are told apart."""


@dataclass(frozen=True)
class Group:
    """Requests of one class, kind and size, ``share`` of the class: rows of its sample.

    ``works`` holds, for each bank, the works of the visits to it that they wait for, but for those of a log.
    """

    share: float
    rows: BoolArray
    has_split: bool
    works: tuple[FloatArray, ...]


@dataclass(frozen=True)
class ClassSample:
    """A class, a block of its requests, and every visit of them; what is counted on it is counted once."""

    workload: Workload
    chunk: Chunk
    visits: Visits
    bank: IntArray
    """Place of the bank that each visit goes to."""
    banks: int
    """Number of banks."""

    @cached_property
    def made(self) -> IntArray:
        """Visits to each bank, shape (banks,), detached ones included."""
        return np.bincount(self.bank, minlength=self.banks)

    @cached_property
    def _works(self) -> tuple[FloatArray, ...]:
        return self._by_bank(np.arange(self.bank.size))

    @cached_property
    def groups(self) -> tuple[Group, ...]:
        """Requests by kind and size, where these are few."""
        keys = np.stack([self.chunk.kind.astype(np.int64), self.chunk.size_bytes])
        values, which, counts = np.unique(keys, axis=1, return_inverse=True, return_counts=True)
        if values.shape[1] > MOST_GROUPS:
            values, which, counts = np.unique(keys[:1], axis=1, return_inverse=True, return_counts=True)
        which = which.reshape(-1)
        found = []
        for number, count in enumerate(counts):
            rows = which == number
            split = bool(self.visits.split[rows].any())
            mine = np.flatnonzero(self.visits.awaited & (self.visits.log < 0) & rows[self.visits.row])
            found.append(Group(float(count) / which.size, rows, split, self._by_bank(mine)))
        return tuple(found)

    def _by_bank(self, visits: IntArray) -> tuple[FloatArray, ...]:
        """The works of some visits, in their order, for each bank."""
        # Small numbers, which are sorted in a tenth of the time.
        bank = self.bank[visits].astype(np.min_scalar_type(self.banks))
        order = np.argsort(bank, kind="stable")
        ends = np.cumsum(np.bincount(bank, minlength=self.banks))[:-1]
        return tuple(np.split(self.visits.work_s[visits[order]], ends))

    def per_request(self, place: int) -> float:
        """Mean visits of a request to a bank, detached ones included."""
        return float(self.made[place]) / len(self.chunk)

    def commits(self, log: int) -> float:
        """Mean commits of a request that are collected at the station ``log``."""
        steps = self.chunk.steps
        return float(np.count_nonzero((steps.op == COLLECT) & (steps.arg == log))) / len(self.chunk)

    def works(self, place: int) -> FloatArray:
        """Work of each visit to a bank, in seconds, detached ones included."""
        return self._works[place]


@lru_cache(maxsize=4)
def _class_samples(sample: Sample, workloads: tuple[Workload, ...]) -> Mapping[str, ClassSample]:
    """The sample of each class and rebuild."""
    numbers, banks = _bank_numbers(sample.stations), len(sample.stations.banks)
    found = {}
    for workload in workloads:
        visits = sample.visits[workload.name]
        bank = numbers[visits.station]
        found[workload.name] = ClassSample(workload, sample.chunks[workload.name], visits, bank, banks)
    return found


class Decomposition:
    """A sample of every class's requests, and the waits at every bank for given rates of the classes."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario, self.seed = scenario, seed
        sample = sample_of(scenario, seed)
        self.stations = sample.stations
        self.samples = _class_samples(sample, (*scenario.workload, *scenario.background))
        known = written_laws(scenario)
        self._laws = {
            place: written_law(known[bank.stage, bank.name])
            for place, bank in enumerate(self.stations.banks)
            if (bank.stage, bank.name) in known
        }
        self.arms: dict[int, ArmWait] = {}
        self._each_arm: dict[int, list[ArmWait]] = {}
        self.waits: list[BankWait] = []
        self._logs = [bank.first for bank in self.stations.banks if bank.discipline == Discipline.BULK]
        self._at_logs_s = dict.fromkeys(self.samples, 0.0)
        self._shares = {name: np.ones(each.bank.size) for name, each in self.samples.items()}

    def reckon(self, rates: Mapping[str, float]) -> None:
        """Waits at every bank, for requests per second of each class.

        Raises OutsideValidityError if a bank cannot carry the load.
        """
        self._collect(rates)
        self.waits = []
        late: list[int] = []
        for place, bank in enumerate(self.stations.banks):
            offered = self._offered(place, rates)
            idle = BankWait(0.0, dict.fromkeys(self.samples, 0.0))
            self.waits.append(idle)
            if bank.discipline == Discipline.TOKEN:
                if bank.paces and offered.rate_per_s > 0:
                    late.append(place)
            elif bank.discipline == Discipline.ARM:
                if offered.rate_per_s > 0:
                    self.arms[place] = self._arm_wait(offered, place)
                    self.waits[place] = self.arms[place].wait
                    if bank.alike is not None:
                        self._each_arm[place] = self._arm_waits(place, rates)
            elif bank.flow is not None:
                if offered.rate_per_s > 0:
                    self.waits[place] = flow_wait(bank.flow, self.mix(place, rates), list(self.samples))
            elif offered.rate_per_s > 0:
                self.waits[place] = bank_wait(bank, offered, self._laws.get(place))
        for place in late:
            offered = self._offered(place, rates)
            meanwhile = self._wait_within_s()
            works = {name: each + meanwhile for name, each in offered.works.items()}
            held = Offered(offered.rates, works, offered.priority, offered.arrival_scv)
            bank, wait = self.stations.banks[place], bank_wait(self.stations.banks[place], held)
            if bank.ranked and bank.servers == 1 and held.arrival_scv == 1.0:
                takes = list(self._takes(place, rates, meanwhile))
                if len({each.rank for each in takes}) > 1:
                    wait = ranked_wait(takes, wait.utilisation, list(self.samples))
            self.waits[place] = wait

    def _collect(self, rates: Mapping[str, float]) -> None:
        """Commits written together, and seconds at the log: as if nothing disturbed a write, which held any number."""
        self._at_logs_s = dict.fromkeys(self.samples, 0.0)
        for log in self._logs:
            commits = {name: sample.commits(log) for name, sample in self.samples.items()}
            rate = sum(rates.get(name, 0.0) * each for name, each in commits.items())
            if rate > 0.0:
                writes_s = writes_alone_s(self.scenario, self.seed, log)
                served = theory.bulk_service(rate, writes_s)
                for name, sample in self.samples.items():
                    self._at_logs_s[name] += commits[name] * (served.wait_s + float(writes_s.mean()))
                    self._shares[name][sample.visits.log == log] = 1.0 / served.size

    def _takes(self, place: int, rates: Mapping[str, float], meanwhile_s: float) -> Iterator[Takes]:
        """What one pool of a ranked bank is asked for, by class and rank; ``meanwhile_s`` is waited with a permit."""
        for name, sample in self.samples.items():
            visits, mine = sample.visits, sample.bank == place
            each = rates.get(name, 0.0) / len(sample.chunk) / self.stations.banks[place].loaded
            for rank in np.unique(visits.rank[mine]) if each else ():
                of_rank = mine & (visits.rank == rank)
                works = visits.work_s[of_rank] + meanwhile_s
                awaited = float(visits.awaited[of_rank].mean())
                made = each * float(self._shares[name][of_rank].sum())
                yield Takes(name, int(rank), made, works, awaited)

    def mix(self, place: int, rates: Mapping[str, float]) -> Mix:
        """What is asked a second of one station of a bank that serves by the number present."""
        bank = self.stations.banks[place]
        draws = {
            name: Draws.of(sample.chunk, bank.first, bank.count) for name, sample in self.samples.items()
        }
        weights = {
            name: rates.get(name, 0.0) / len(sample.chunk) / bank.loaded
            for name, sample in self.samples.items()
        }
        return Mix.of(draws, weights)

    def is_visited(self, place: int) -> bool:
        """Whether any class goes to a bank at all."""
        return any(bool(sample.made[place]) for sample in self.samples.values())

    def collects(self, name: str) -> bool:
        """Whether commits of a class are collected."""
        return any(self.samples[name].commits(log) > 0.0 for log in self._logs)

    def has_split(self, name: str) -> bool:
        """Whether requests of a class go several ways at once."""
        return bool(self.samples[name].visits.split.any())

    def mean_s(self, name: str) -> float:
        """Mean latency of a class, in seconds."""
        spent = math.fsum(
            group.share * self._group_mean_s(name, group) for group in self.samples[name].groups
        )
        return self._at_logs_s[name] + spent

    def shared_at_high_load(self, name: str) -> str | None:
        """The bank, visited by the class, that shares its servers at more than a low utilisation; None if none does."""
        for place, bank in enumerate(self.stations.banks):
            wait = self.waits[place]
            visited = bool(self.samples[name].made[place])
            shared = bank.discipline in (Discipline.PS, Discipline.FLOW)
            if shared and visited and wait.utilisation > LOW_UTILISATION:
                return bank.name
        return None

    def quantile_s(self, name: str, p: float) -> float:
        """A quantile of the latency of a class whose requests go one way each, all station times being independent.

        Raises OutsideValidityError where it cannot be inverted.
        """
        groups = self.samples[name].groups
        parts = [self._parts(name, group) for group in groups]
        if len(groups) == 1:
            laws, visits, constant = parts[0]
            return theory.sum_quantile(p, laws, visits, constant)
        times = [(group.share, TimesSum(*part)) for group, part in zip(groups, parts, strict=True)]
        scale = self.mean_s(name)
        return solve_tail_once(lambda t: math.fsum(w * each.tail(t) for w, each in times), 1 - p, scale, 1e-6)

    def _group_mean_s(self, name: str, group: Group) -> float:
        if group.has_split or self._each_arm:
            return slowest_way_mean_s(self.samples[name].chunk, group.rows, self._per_station(name))
        laws, visits, constant = self._parts(name, group)
        return constant + math.fsum(n * law.mean_s for n, law in zip(visits, laws, strict=True))

    def _parts(self, name: str, group: Group) -> tuple[list[theory.ResponseLaw], list[float], float]:
        """What a request of a group spends: laws, how often each, and what is constant."""
        laws, visits, constant = list[theory.ResponseLaw](), list[float](), 0.0
        requests = float(group.rows.sum())
        for place, bank in enumerate(self.stations.banks):
            works = group.works[place]
            if not works.size or (bank.discipline == Discipline.TOKEN and not bank.paces):
                continue
            wait, each = self.waits[place], works.size / requests
            if bank.discipline == Discipline.PS:
                constant += each * float(works.mean()) * wait.slowdown
                continue
            law = wait.law
            if bank.discipline == Discipline.FCFS and len(set(wait.wait_s.values())) > 1:  # by priority
                law = ExponentialWait(wait.probability, wait.wait_s[name])
            if law is not None and law.mean_s > 0:
                laws.append(law)
                visits.append(each)
            # A hold is no time of its own: the visits meanwhile are counted where they are made.
            service = None if bank.discipline == Discipline.TOKEN else self._laws.get(place) or own_law(works)
            if bank.discipline == Discipline.FLOW:  # those present vary little beside the work itself
                service = own_law(works * wait.slowdown)
            if bank.discipline == Discipline.ARM:
                service = self.arms[place].service
            if service is not None:
                laws.append(theory.DelayedResponse(0.0, 0.0, service))
                visits.append(each)
        return laws, visits, constant

    def _per_station(self, name: str) -> PerStation:
        """What a class meets at every station."""
        columns = []
        for place, bank in enumerate(self.stations.banks):
            arms = self._each_arm.get(place, [self.arms[place]] if place in self.arms else [None])
            rows = [self._met(name, self.waits[place] if arm is None else arm.wait, arm) for arm in arms]
            columns.append(np.repeat(rows, bank.count // len(rows), axis=0))
        return PerStation(*np.concatenate(columns).T)

    def _met(self, name: str, wait: BankWait, arm: ArmWait | None) -> list[float]:
        """The fields of `PerStation` at one station."""
        mean, share = wait.wait_s.get(name, 0.0), wait.probability
        # As `ExponentialWait`: zero, or with some probability exponential.
        variance = mean**2 * (2 / share - 1) if share > 0 else 0.0
        beyond = [0.0, 0.0] if arm is None else [arm.beyond_work_s, arm.service.scv * arm.service.mean_s**2]
        return [mean, variance, wait.slowdown, *beyond]

    def _arm_wait(self, offered: Offered, place: int) -> ArmWait:
        return arm_wait(self.scenario, self.seed, self.stations, place, offered)

    def _arm_waits(self, place: int, rates: Mapping[str, float]) -> list[ArmWait]:
        """The wait at each arm of a bank of which some bear more than others."""
        bank, of_label = self.stations.banks[place], dict[int, ArmWait]()
        labels = np.zeros(bank.count, dtype=np.int64) if bank.alike is None else bank.alike
        for label in np.unique(labels).tolist():
            offered = self._offered(place, rates, np.flatnonzero(labels == label) + bank.first)
            if offered.rate_per_s > 0:
                of_label[label] = self._arm_wait(offered, place)
        return [of_label.get(label, self.arms[place]) for label in labels.tolist()]

    def _offered(self, place: int, rates: Mapping[str, float], among: IntArray | None = None) -> Offered:
        """What one station of a bank is asked for, the bank, or the stations ``among`` it, taken as evenly loaded."""
        count = self.stations.banks[place].loaded if among is None else among.size
        each = {name: self._made(name, place, among) / count for name in self.samples}
        visits = {name: rates.get(name, 0.0) * each[name] for name in self.samples}
        total = sum(visits.values())
        works = {name: self.samples[name].works(place) for name in visits}
        ranks = {name: self.samples[name].workload.priority for name in visits}
        scv = 1.0
        if total > 0:
            scv = math.fsum(
                made / total * self._arrival_scv(name, each[name]) for name, made in visits.items()
            )
        return Offered(visits, works, ranks, round(scv, 9))

    def _made(self, name: str, place: int, among: IntArray | None = None) -> float:
        """Mean visits of a request to a bank, or some stations of it, those shared with others counted by its share."""
        sample = self.samples[name]
        if among is None and not self._logs:
            return sample.per_request(place)
        mine = sample.bank == place
        if among is not None:
            mine &= np.isin(sample.visits.station, among)
        return float(self._shares[name][mine].sum()) / len(sample.chunk)

    def _arrival_scv(self, name: str, visits: float) -> float:
        """Variability of the gaps between a class's arrivals at one station, thinned at random on the way there."""
        workload = self.samples[name].workload
        law = workload.arrival_law
        # Clients each of its own pace are as good as Poisson.
        mixed = law.keeps_clients and workload.clients > 1
        scv = law.gap_scv if workload.is_open and not mixed else 1.0
        return 1.0 + min(visits, 1.0) * (scv - 1.0)

    def _wait_within_s(self) -> float:
        """Mean wait at other banks while a permit of a pacing pool is held."""
        waited, holds = 0.0, 0.0
        for sample in self.samples.values():
            within = sample.visits.within
            for place, bank in enumerate(self.stations.banks):
                if bank.discipline == Discipline.TOKEN and bank.paces:
                    holds += float(sample.made[place])
                elif bank.discipline == Discipline.FCFS:
                    made = float(np.count_nonzero(within & (sample.bank == place)))
                    waited += made * self.waits[place].wait_s[sample.workload.name]
        return waited / holds if holds else 0.0


def _bank_numbers(stations: Stations) -> IntArray:
    return np.repeat(np.arange(len(stations.banks)), [bank.count for bank in stations.banks])
