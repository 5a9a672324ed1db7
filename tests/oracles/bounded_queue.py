"""M/M/c/K: so many requests at most, those in service included; whoever finds it full is lost.

A birth-death chain: state probabilities as products, in logarithms. L. Kleinrock, Queueing Systems, volume 1, 1975,
sections 3.5 to 3.8 (from memory).
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammaincc


@dataclass(frozen=True)
class BoundedQueue:
    """``probabilities`` of 0, 1, ..., capacity requests present; rates per second; servers: c."""

    probabilities: np.ndarray
    arrival_rate: float
    service_rate: float
    servers: int

    @property
    def loss(self) -> float:
        """Share of the requests that are lost (Poisson arrivals see the time average)."""
        return float(self.probabilities[-1])

    @property
    def throughput(self) -> float:
        return self.arrival_rate * (1 - self.loss)

    @property
    def number_mean(self) -> float:
        return float(self.probabilities @ np.arange(self.probabilities.size))

    @property
    def response_mean_s(self) -> float:
        """Of an accepted request, by Little's law."""
        return self.number_mean / self.throughput

    @property
    def wait_mean_s(self) -> float:
        waiting = np.maximum(0, np.arange(self.probabilities.size) - self.servers)
        return float(self.probabilities @ waiting) / self.throughput

    def wait_tail(self, t_s: float) -> float:
        """P(wait > t_s) of an accepted request: Erlang of as many services as it finds ahead of it."""
        found = self.probabilities[self.servers : -1] / (1 - self.loss)
        return float(found @ gammaincc(np.arange(1, found.size + 1), self.servers * self.service_rate * t_s))

    def wait_quantile(self, p: float) -> float:
        if self.wait_tail(0.0) <= 1 - p:
            return 0.0
        longest = 10 * self.probabilities.size / self.service_rate
        return float(brentq(lambda t: self.wait_tail(t) - (1 - p), 0.0, longest, xtol=1e-14, rtol=1e-12))


def bounded_queue(arrival_rate: float, service_rate: float, servers: int, capacity: int) -> BoundedQueue:
    """The stationary state; any utilisation, above 1 too."""
    busy = np.minimum(np.arange(1, capacity + 1), servers)
    logs = np.concatenate([[0.0], np.cumsum(np.log(arrival_rate / (busy * service_rate)))])
    weights = np.exp(logs - logs.max())
    return BoundedQueue(weights / weights.sum(), arrival_rate, service_rate, servers)
