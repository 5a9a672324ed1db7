"""How does an open network of stations respond? Jackson's theorem by visits, several classes.

Every station behaves as M/M/c (or a delay) on its own. Exact for Poisson arrivals and probabilistic routing,
at stations in order of arrival whose exponential service has the same mean for all classes, or that share
the processor (any service law); elsewhere an approximation.
Sources: J. R. Jackson, Networks of waiting lines, Operations Research 5, 1957; F. Baskett, K. M. Chandy, R.
R. Muntz and F. G. Palacios, Open, closed, and mixed networks of queues with different classes of customers,
JACM 22, 1975; E. D. Lazowska, J. Zahorjan, G. S. Graham and K. C. Sevcik, Quantitative System Performance,
1984, chapters 6 and 7 (from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tailrace.theory.demands import demand_table, per_class, server_counts
from tailrace.theory.domain import Floats, stable
from tailrace.theory.erlang import erlang_c


@dataclass(frozen=True)
class OpenSolution:
    """Stationary means of an open network; C classes, K stations.

    Attributes: throughput: requests per second of each class, shape (C,). utilisation: share of the servers
        busy, by class, (C, K); at a delay 0. Sum over axis 0 for a station's. residence_s: seconds a request
        of the class spends at the station over all its visits, (C, K). number: mean number of requests of
        the class at the station, (C, K).
    """

    throughput: Floats
    utilisation: Floats
    residence_s: Floats
    number: Floats

    @property
    def response_s(self) -> Floats:
        """Mean seconds from arrival to departure, shape (C,)."""
        return np.asarray(self.residence_s.sum(axis=1))

    @property
    def mean_response_s(self) -> float:
        """Mean response over the requests of all classes (Little's law for the whole network)."""
        return float(self.number.sum() / self.throughput.sum())


@dataclass(frozen=True)
class Bottleneck:
    """The station that saturates first, and by what factor the load can grow until then."""

    station: int
    load_factor: float


def solve_open(demands_s: ArrayLike, arrival_rates: ArrayLike, servers: ArrayLike = 1) -> OpenSolution:
    """Stationary means for arrival_rates (per second, one a class); demands_s and servers as in `demands`.

    At station i with utilisation U and c servers, residence = D (1 + C(c, cU) / (c (1 - U))), C of Erlang.
    Raises OutsideValidityError (a ValueError) for negative demands or rates, shapes that do not fit, and a
    station with utilisation of 1 or more (see `saturation`).
    """
    demands = demand_table(demands_s)
    classes, stations = demands.shape
    rates = per_class("arrival_rates", arrival_rates, classes)
    counts = server_counts(servers, stations)
    used = rates[:, None] * demands / counts
    total = stable(used.sum(axis=0))
    queues = np.isfinite(counts)
    stretch = np.ones(stations)
    waits = np.asarray(erlang_c(counts[queues], total[queues] * counts[queues]))
    stretch[queues] += waits / (counts[queues] * (1 - total[queues]))
    residence = demands * stretch
    return OpenSolution(rates, used, residence, rates[:, None] * residence)


def saturation(demands_s: ArrayLike, arrival_rates: ArrayLike, servers: ArrayLike = 1) -> Bottleneck:
    """Which station reaches utilisation 1 first when all rates grow together, and at what factor; exact.

    The factor is `inf` when nothing is asked of any station with a queue. Raises as `open_network`, but
    loads beyond saturation are answered: their factor is below 1.
    """
    demands = demand_table(demands_s)
    rates = per_class("arrival_rates", arrival_rates, demands.shape[0])
    used = (rates @ demands) / server_counts(servers, demands.shape[1])
    station = int(np.argmax(used))
    return Bottleneck(station, float(1 / used[station]) if used[station] > 0 else float("inf"))
