"""How long do requests wait at GI/M/1? Independent interarrival times of any law, one exponential server.

Scalars only; rates per second, times in seconds; the interarrival law is one of `tailrace.theory.laws`.
Exact. All functions raise OutsideValidityError (a ValueError) for a rate that is not above 0, a utilisation
of 1 or more, negative times, and levels p outside 0 <= p < 1.
Source: L. Kleinrock, Queueing Systems, volume 1, 1975, chapter 6 (from memory).
"""

import math

import numpy as np

from tailrace.theory.domain import level, non_negative, positive, stable
from tailrace.theory.laws import Law
from tailrace.theory.quantile import find_root


def gim1_wait_probability(interarrival: Law, service_rate: float) -> float:
    """Probability of having to wait: the root below 1 of sigma = A(mu (1 - sigma)), A the gaps' transform."""
    mu = float(positive("service_rate", service_rate))
    stable(1 / (interarrival.mean_s * mu))

    def excess(idle: float) -> float:
        # A(mu idle) - 1 + idle, divided by idle so that the root at idle = 0 is gone and nothing cancels.
        residual = interarrival.residual_transform(np.asarray(mu * idle + 0j))
        return 1 - mu * interarrival.mean_s * float(residual.real)

    low = 1.0
    while excess(low) > 0:
        low /= 2
    return 1 - find_root(excess, low, min(1.0, 2 * low)) if low < 1 else 0.0


def gim1_wait_mean(interarrival: Law, service_rate: float) -> float:
    """Mean wait in seconds, sigma / (mu (1 - sigma))."""
    sigma = gim1_wait_probability(interarrival, service_rate)
    return sigma / (service_rate * (1 - sigma))


def gim1_wait_tail(t_s: float, interarrival: Law, service_rate: float) -> float:
    """P(wait > t_s) = sigma exp(-mu (1 - sigma) t)."""
    sigma = gim1_wait_probability(interarrival, service_rate)
    return sigma * math.exp(-service_rate * (1 - sigma) * float(non_negative("t_s", t_s)))


def gim1_wait_quantile(p: float, interarrival: Law, service_rate: float) -> float:
    """The wait in seconds that a share p of the requests do not exceed."""
    beyond = 1 - float(level("p", p))
    sigma = gim1_wait_probability(interarrival, service_rate)
    return math.log(sigma / beyond) / (service_rate * (1 - sigma)) if sigma > beyond else 0.0


def gim1_response_mean(interarrival: Law, service_rate: float) -> float:
    """Mean time at the station in seconds, 1 / (mu (1 - sigma))."""
    return 1 / (service_rate * (1 - gim1_wait_probability(interarrival, service_rate)))


def gim1_response_quantile(p: float, interarrival: Law, service_rate: float) -> float:
    """The time at the station that a share p of the requests do not exceed: it is exponential."""
    return -math.log1p(-float(level("p", p))) * gim1_response_mean(interarrival, service_rate)
