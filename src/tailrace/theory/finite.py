"""What if only so many can be present? M/M/c//N, whose clients think between their requests.

A birth-death chain: state probabilities as products, formed in logarithms so that nothing overflows.
Scalars only. Raises OutsideValidityError (a ValueError) for service times that are not above 0, negative
thinking, and for servers or clients that are not whole or below 1.
Source: L. Kleinrock, Queueing Systems, volume 1, 1975, sections 3.5 to 3.8, volume 2, 1976 (from memory).
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincc

from tailrace.theory.domain import Floats, level, non_negative, positive, whole
from tailrace.theory.quantile import solve_tail_once


@dataclass(frozen=True)
class FinitePopulation:
    """M/M/c//N: clients that think (mean Z, any law), issue one request, wait for it and think again.

    Attributes:
        probabilities: of 0, 1, ..., clients requests at the station, shape (clients + 1,).
        found: the same as an arriving request finds it, a system with one client less, shape (clients,).
        think_s, service_s: means in seconds; servers: c.
    """

    probabilities: Floats
    found: Floats
    think_s: float
    service_s: float
    servers: int

    @property
    def utilisation(self) -> float:
        """Mean share of the servers that are busy."""
        return self.throughput * self.service_s / self.servers

    @property
    def throughput(self) -> float:
        """Requests completed per second."""
        busy = np.minimum(np.arange(self.probabilities.size), self.servers)
        return float(self.probabilities @ busy) / self.service_s

    @property
    def response_mean_s(self) -> float:
        """Mean time of a request at the station (Little's law)."""
        return float(self.probabilities @ np.arange(self.probabilities.size)) / self.throughput

    @property
    def wait_mean_s(self) -> float:
        """Mean wait of a request."""
        return max(0.0, self.response_mean_s - self.service_s)

    def wait_tail(self, t_s: float) -> float:
        """P(wait > t_s), in order of arrival: a mixture of Erlang distributions."""
        return _erlang_mixture(self.found[self.servers :], self.servers / self.service_s, t_s)

    def wait_quantile(self, p: float) -> float:
        """The wait in seconds that a share p (0 <= p < 1) of the requests do not exceed."""
        return solve_tail_once(self.wait_tail, 1 - float(level("p", p)), self.service_s)


def finite_population(clients: int, think_s: float, service_s: float, servers: int = 1) -> FinitePopulation:
    """The stationary state of M/M/c//N, the machine repair model; think_s may be 0.

    An arriving request sees the stationary state of clients - 1 (arrival theorem: Lavenberg and Reiser 1980,
    Sevcik and Mitrani 1981; from memory). With one server p0 is Erlang's B of think_s / service_s at N
    servers.
    """
    n, c = int(whole("clients", clients)), int(whole("servers", servers))
    think, service = float(non_negative("think_s", think_s)), float(positive("service_s", service_s))

    def state(population: int) -> Floats:
        if think == 0:
            return np.append(np.zeros(population), 1.0)
        busy = np.minimum(np.arange(1, population + 1), c)
        return _birth_death(np.arange(population, 0, -1) / think, busy / service)

    return FinitePopulation(state(n), state(n - 1), think, service, c)


def _birth_death(births: Floats, deaths: Floats) -> Floats:
    """Stationary probabilities of a chain with births[n] from n to n + 1 and deaths[n] back."""
    logs = np.concatenate([[0.0], np.cumsum(np.log(births / deaths))])
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum())


def _erlang_mixture(weights: Floats, rate: float, t_s: float) -> float:
    """Tail of a mixture of Erlang laws of order 1, 2, ... at one rate; what the weights lack to 1 is at 0."""
    t = float(non_negative("t_s", t_s))
    return float(weights @ gammaincc(np.arange(1, weights.size + 1), rate * t))
