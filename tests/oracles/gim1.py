"""GI/M/1: gaps of any law, one exponential server. Exact; L. Kleinrock, Queueing Systems, volume 1, 1975, chapter 6
(from memory)."""

import math

import numpy as np
from scipy.optimize import brentq

from tailrace.theory import Law


def gim1_wait_probability(gap: Law, service_rate: float) -> float:
    """The root below 1 of sigma = A(mu (1 - sigma)), A the gaps' transform."""

    def excess(idle: float) -> float:
        # A(mu idle) - 1 + idle, divided by idle so that the root at idle = 0 is gone and nothing cancels.
        residual = gap.residual_transform(np.asarray(service_rate * idle + 0j))
        return 1 - service_rate * gap.mean_s * float(residual.real)

    low = 1.0
    while excess(low) > 0:
        low /= 2
    return 1 - float(brentq(excess, low, 2 * low, xtol=1e-300, rtol=1e-13)) if low < 1 else 0.0


def gim1_wait_mean(gap: Law, service_rate: float) -> float:
    sigma = gim1_wait_probability(gap, service_rate)
    return sigma / (service_rate * (1 - sigma))


def gim1_wait_tail(t_s: float, gap: Law, service_rate: float) -> float:
    sigma = gim1_wait_probability(gap, service_rate)
    return sigma * math.exp(-service_rate * (1 - sigma) * t_s)


def gim1_wait_quantile(p: float, gap: Law, service_rate: float) -> float:
    sigma = gim1_wait_probability(gap, service_rate)
    return math.log(max(1.0, sigma / (1 - p))) / (service_rate * (1 - sigma))


def gim1_response_mean(gap: Law, service_rate: float) -> float:
    """The response is exponential."""
    return 1 / (service_rate * (1 - gim1_wait_probability(gap, service_rate)))


def gim1_response_quantile(p: float, gap: Law, service_rate: float) -> float:
    return -math.log(1 - p) * gim1_response_mean(gap, service_rate)
