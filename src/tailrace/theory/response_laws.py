"""How is the time at one station distributed, as a law that can be added to others?

Each is a constant, which every request spends, and an excess over it, which is zero with probability `atom`
and has a density beyond: `mean_s` of both together, `constant_s`, `atom`, and `excess_transform(s)`, E
exp(-s excess) for complex s with positive real part. So the jumps of the distribution are known and need not
be inverted. Constructors raise OutsideValidityError (a ValueError) for parameters out of range or a
utilisation of 1 or more.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np

from tailrace.theory.domain import non_negative, positive, share, stable, whole
from tailrace.theory.laws import Complexes, Constant, Law
from tailrace.theory.mg1 import mg1_wait_mean
from tailrace.theory.mmc import mmc_response_mean, mmc_wait_probability


class ResponseLaw(Protocol):
    """What `sums` adds up; see the module's text for the meaning of the members."""

    @property
    def mean_s(self) -> float:
        """Mean in seconds, constant and excess together."""

    @property
    def constant_s(self) -> float:
        """What every request spends, in seconds."""

    @property
    def atom(self) -> float:
        """Probability of spending no more than that."""

    def excess_transform(self, s: Complexes) -> Complexes:
        """E exp(-s excess)."""


@dataclass(frozen=True)
class MmcResponse:
    """Wait and service at M/M/c: exponential service, and with probability C an exponential wait; exact."""

    arrival_rate: float
    service_rate: float
    servers: int = 1

    def __post_init__(self) -> None:
        positive("arrival_rate", self.arrival_rate)
        positive("service_rate", self.service_rate)
        stable(self.arrival_rate / (self.service_rate * whole("servers", self.servers)))

    @property
    def mean_s(self) -> float:
        return float(mmc_response_mean(self.arrival_rate, self.service_rate, self.servers))

    @cached_property
    def wait_probability(self) -> float:
        """Probability of having to wait, Erlang C."""
        return float(mmc_wait_probability(self.arrival_rate, self.service_rate, self.servers))

    @property
    def constant_s(self) -> float:
        return 0.0

    @property
    def atom(self) -> float:
        return 0.0

    @property
    def drain_rate(self) -> float:
        """Rate of the exponential wait of those that wait, c mu - lambda."""
        return self.servers * self.service_rate - self.arrival_rate

    def excess_transform(self, s: Complexes) -> Complexes:
        waits = self.wait_probability
        wait = 1 - waits + waits * self.drain_rate / (s + self.drain_rate)
        return np.asarray(wait * self.service_rate / (s + self.service_rate))


@dataclass(frozen=True)
class Mg1Response:
    """Wait and service at M/G/1 in order of arrival; exact (Pollaczek-Khinchine)."""

    arrival_rate: float
    service: Law

    def __post_init__(self) -> None:
        stable(positive("arrival_rate", self.arrival_rate) * self.service.mean_s)

    @property
    def mean_s(self) -> float:
        wait = mg1_wait_mean(self.arrival_rate, self.service.mean_s, self.service.scv)
        return float(wait + self.service.mean_s)

    @property
    def constant_s(self) -> float:
        """The service time if it is constant, else 0."""
        return self.service.mean_s if isinstance(self.service, Constant) else 0.0

    @property
    def atom(self) -> float:
        """Probability of spending no more than that: of no wait, if the service is constant."""
        return 1 - self.arrival_rate * self.service.mean_s if self.constant_s else 0.0

    def excess_transform(self, s: Complexes) -> Complexes:
        rho = self.arrival_rate * self.service.mean_s
        wait = (1 - rho) / (1 - rho * self.service.residual_transform(s))
        return np.asarray(wait if self.constant_s else wait * self.service.transform(s))


@dataclass(frozen=True)
class Mg1Wait:
    """The wait alone at M/G/1 in order of arrival; exact (Pollaczek-Khinchine)."""

    arrival_rate: float
    service: Law

    def __post_init__(self) -> None:
        stable(positive("arrival_rate", self.arrival_rate) * self.service.mean_s)

    @property
    def mean_s(self) -> float:
        return float(mg1_wait_mean(self.arrival_rate, self.service.mean_s, self.service.scv))

    @property
    def constant_s(self) -> float:
        return 0.0

    @property
    def atom(self) -> float:
        """Probability of spending no more than that: of no wait."""
        return 1 - self.arrival_rate * self.service.mean_s

    def excess_transform(self, s: Complexes) -> Complexes:
        rho = self.arrival_rate * self.service.mean_s
        return np.asarray((1 - rho) / (1 - rho * self.service.residual_transform(s)))


@dataclass(frozen=True)
class FirstRankWait:
    """The wait at M/G/1 of those who go before all others, without interrupting the service under way; exact.

    Mean W0 / (1 - rho_1) with W0 the residual work in service (Cobham 1954); transform
    (1 - rho + rho_2 r_2(s)) / (1 - rho_1 r_1(s)) with the transforms r of the residual services of those who go first
    (1) and of the others (2) (Takagi, Queueing Analysis 1, 1991; from memory).
    """

    first_rate: float
    first: Law
    other_rate: float
    other: Law

    def __post_init__(self) -> None:
        positive("first_rate", self.first_rate)
        positive("other_rate", self.other_rate)
        stable(self._loads[0] + self._loads[1])

    @property
    def _loads(self) -> tuple[float, float]:
        return self.first_rate * self.first.mean_s, self.other_rate * self.other.mean_s

    @property
    def mean_s(self) -> float:
        first, other = self._loads
        residual = first * self.first.mean_s * (1 + self.first.scv) + other * self.other.mean_s * (
            1 + self.other.scv
        )
        return residual / 2 / (1 - first)

    @property
    def constant_s(self) -> float:
        return 0.0

    @property
    def atom(self) -> float:
        """Probability of no wait."""
        return 1 - sum(self._loads)

    def excess_transform(self, s: Complexes) -> Complexes:
        first, other = self._loads
        above = 1 - first - other + other * self.other.residual_transform(s)
        return np.asarray(above / (1 - first * self.first.residual_transform(s)))


@dataclass(frozen=True)
class DelayedResponse:
    """A wait that is zero or exponential, given by its probability and mean, and an independent service.

    The approximation for stations of which only the mean wait is known: exact for M/M/c and GI/M/1, right in heavy
    traffic for others (common practice, after Kingman 1962); with probability and mean 0 a delay.
    """

    wait_probability: float
    wait_mean_s: float
    service: Law

    def __post_init__(self) -> None:
        share("wait_probability", self.wait_probability)
        if non_negative("wait_mean_s", self.wait_mean_s) > 0:
            positive("wait_probability", self.wait_probability)

    @property
    def mean_s(self) -> float:
        return self.wait_mean_s + self.service.mean_s

    @property
    def constant_s(self) -> float:
        """The service time if it is constant, else 0."""
        return self.service.mean_s if isinstance(self.service, Constant) else 0.0

    @property
    def atom(self) -> float:
        """Probability of spending no more than that: of no wait, if the service is constant."""
        return 1 - self.wait_probability if self.constant_s else 0.0

    def excess_transform(self, s: Complexes) -> Complexes:
        waits = self.wait_probability
        wait = 1 - waits + waits / (1 + s * self.wait_mean_s / waits) if waits else np.ones_like(s)
        return np.asarray(wait if self.constant_s else wait * self.service.transform(s))
