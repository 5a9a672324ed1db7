"""How long do requests wait at each bank of stations? Every station on its own, as queueing theory has it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tailrace import theory
from tailrace.arrays import FloatArray
from tailrace.plan.stations import Bank, Discipline
from tailrace.theory.laws import Complexes

MOST_VALUES = 12
"""Different service times up to which their law is taken as it is; beyond, by mean and variability."""

SOME_VALUES = 200
"""Service times, of all, that are looked at first for whether they are more than `MOST_VALUES`."""

LOW_UTILISATION = 0.3
"""Utilisation up to which the time at a station that shares its servers is taken as its mean."""


@dataclass(frozen=True)
class BankWait:
    """Waiting at one station of a bank.

    ``wait_s`` is the mean wait of each class, by name, ``probability`` that of waiting at all, ``law`` that of the wait
    where it is known or approximated. Of a station that shares its servers, ``slowdown`` is the mean time of a visit
    over its work, and there is no wait.
    """

    utilisation: float
    wait_s: dict[str, float]
    probability: float = 0.0
    law: theory.ResponseLaw | None = None
    slowdown: float = 1.0


@dataclass(frozen=True)
class Offered:
    """What is asked of one station of a bank: of each class, visits per second and their works in seconds.

    ``works`` are samples, shape (n,) each; ``priority`` the classes' ranks at stations in order of arrival, and
    ``arrival_scv`` the variability of the gaps between all visits together.
    """

    rates: dict[str, float]
    works: dict[str, FloatArray]
    priority: dict[str, int]
    arrival_scv: float

    @property
    def rate_per_s(self) -> float:
        """Visits per second."""
        return sum(self.rates.values())


def bank_wait(bank: Bank, offered: Offered, known: theory.Law | None = None) -> BankWait:
    """The wait at a bank, by discipline and number of servers; arms are another matter.

    ``known`` is the law of its services where that is no matter of a sample.
    Raises OutsideValidityError if more is asked of the station than it can carry.
    """
    names, rate = list(offered.rates), offered.rate_per_s
    law = known or merged_law(
        [offered.works[name] for name in names], [offered.rates[name] for name in names]
    )
    if law is None or bank.discipline == Discipline.DELAY:
        return BankWait(0.0, dict.fromkeys(names, 0.0))
    used = rate * law.mean_s / bank.servers
    if bank.discipline == Discipline.PS:
        slowdown = float(theory.sharing_slowdown(rate, law.mean_s, bank.servers))
        return BankWait(used, dict.fromkeys(names, 0.0), slowdown=slowdown)
    mean = _wait_mean_s(rate, law, bank.servers, offered.arrival_scv)
    probability = float(theory.erlang_c(bank.servers, rate * law.mean_s))
    if bank.servers == 1 and offered.arrival_scv == 1.0:
        wait_law: theory.ResponseLaw = theory.Mg1Wait(rate, law)
    else:
        wait_law = ExponentialWait(probability, mean)
    waits = dict.fromkeys(names, mean)
    if bank.discipline == Discipline.FCFS and len({offered.priority[name] for name in names}) > 1:
        waits = _ranked_waits(offered, law, mean, used)
    return BankWait(used, waits, probability, wait_law)


@dataclass(frozen=True)
class Takes:
    """Takes of one class and rank from a pool: how many a second, for how long each, what share of them is awaited."""

    name: str
    rank: int
    rate_per_s: float
    works: FloatArray
    awaited: float


def ranked_wait(takes: Sequence[Takes], used: float, names: Sequence[str]) -> BankWait:
    """The wait at a pool of one permit in which lower ranks go first; ``used`` is its utilisation, below 1.

    Cobham's means; the law of the first rank where nobody waits for any other, else an exponential one.
    """
    residual_s = sum(each.rate_per_s * float(np.mean(each.works**2)) for each in takes) / 2
    load = {each.rank: 0.0 for each in takes}
    for each in takes:
        load[each.rank] += each.rate_per_s * float(each.works.mean())
    wait_s = {
        rank: residual_s
        / (1 - sum(load[other] for other in load if other < rank))
        / (1 - sum(load[other] for other in load if other <= rank))
        for rank in load
    }
    awaited = [(each, each.rate_per_s * each.awaited) for each in takes if each.awaited > 0]
    means = dict.fromkeys(names, 0.0)
    for name in means:
        mine = [(each, rate) for each, rate in awaited if each.name == name]
        if mine:
            means[name] = sum(rate * wait_s[each.rank] for each, rate in mine) / sum(rate for _, rate in mine)
    first = [each for each in takes if each.rank == 0]
    others = [each for each in takes if each.rank != 0]
    laws = [merged_law([e.works for e in part], [e.rate_per_s for e in part]) for part in (first, others)]
    total = sum(rate for _, rate in awaited)
    mean = sum(rate * wait_s[each.rank] for each, rate in awaited) / total if total else 0.0
    law: theory.ResponseLaw = ExponentialWait(used, mean)
    if laws[0] is not None and laws[1] is not None and all(each.rank == 0 for each, _ in awaited):
        first_rate, other_rate = (sum(e.rate_per_s for e in part) for part in (first, others))
        law = theory.FirstRankWait(first_rate, laws[0], other_rate, laws[1])
    return BankWait(used, means, used, law)


@dataclass(frozen=True)
class ExponentialWait:
    """A wait that is zero or exponential, given by its probability and mean; a law to be added to others."""

    probability: float
    mean_s: float
    constant_s: float = 0.0

    @property
    def atom(self) -> float:
        """Probability of no wait."""
        return 1.0 - self.probability

    def excess_transform(self, s: Complexes) -> Complexes:
        """E exp(-s wait)."""
        waits = self.probability
        if waits == 0.0:
            return np.ones_like(s)
        return np.asarray(1 - waits + waits / (1 + s * self.mean_s / waits))


def merged_law(works: Sequence[FloatArray], rates: Sequence[float]) -> theory.Law | None:
    """The law of the work of a visit, classes mixed by their rates; None where there is no work.

    As it is where there are few different values, else one of the same mean and variability.
    """
    some = [
        (work, rate / work.size) for work, rate in zip(works, rates, strict=True) if work.size and rate > 0
    ]
    if not some:
        return None
    values = np.concatenate([work for work, _ in some])
    weights = np.concatenate([np.full(work.size, each) for work, each in some])
    weights /= weights.sum()
    mean = float(weights @ values)
    if mean <= 0.0:
        return None
    # Most works have many values, which a few of them show in a fraction of the time.
    some_values = np.round(values[:: max(values.size // SOME_VALUES, 1)] / mean, 6)
    few = np.unique(some_values).size <= MOST_VALUES
    levels, level = (
        np.unique(np.round(values / mean, 6), return_inverse=True) if few else (values[:0], values[:0])
    )
    if levels.size == 1:
        return theory.Constant(mean)
    if 0 < levels.size <= MOST_VALUES and levels[0] > 0:
        shares = np.bincount(level, weights)
        laws = tuple(theory.Constant(float(each) * mean) for each in levels)
        return theory.Mixture(tuple((shares / shares.sum()).tolist()), laws)
    return theory.two_moment_law(mean, float(weights @ (values - mean) ** 2) / mean**2)


def own_law(works: FloatArray) -> theory.Law | None:
    """The law of the work of a class's own visits, without jumps unless it is constant; None where there is none."""
    mean = float(works.mean()) if works.size else 0.0
    if mean <= 0.0:
        return None
    scv = float(works.var()) / mean**2
    return theory.two_moment_law(mean, scv if scv > 1e-6 else 0.0)


def _wait_mean_s(rate: float, law: theory.Law, servers: int, arrival_scv: float) -> float:
    if servers == 1 and arrival_scv == 1.0:
        return float(theory.mg1_wait_mean(rate, law.mean_s, law.scv))
    if servers == 1:
        return float(theory.gg1_wait_klb(rate, law.mean_s, arrival_scv, law.scv))
    return float(theory.ggc_wait_allen_cunneen(rate, law.mean_s, arrival_scv, law.scv, servers))


def _ranked_waits(offered: Offered, law: theory.Law, mean_s: float, used: float) -> dict[str, float]:
    """Cobham's split of the wait among priorities: that of all together times (1 - rho) over the usual product."""
    busy = {
        name: used * rate * float(offered.works[name].mean()) / (offered.rate_per_s * law.mean_s)
        for name, rate in offered.rates.items()
        if rate > 0 and offered.works[name].size
    }
    waits = {}
    for name in offered.rates:
        rank = offered.priority[name]
        before = sum(share for other, share in busy.items() if offered.priority[other] < rank)
        through = sum(share for other, share in busy.items() if offered.priority[other] <= rank)
        waits[name] = mean_s * (1 - used) / ((1 - before) * (1 - through))
    return waits
