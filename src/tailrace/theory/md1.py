"""How long do requests wait at M/D/1? Constant service times, exactly, by sums of positive terms.

Rates are per second, times in seconds; levels and times are scalars. All functions raise
OutsideValidityError (a ValueError) for rates or times that are not above 0 (t_s may be 0), a utilisation of
1 or more, and levels p outside 0 <= p < 1.
"""

import math

import numpy as np

from tailrace.theory.domain import Floats, level, non_negative, positive, stable
from tailrace.theory.poisson import poisson_term
from tailrace.theory.quantile import solve_tail_once

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)


def md1_wait_tail(t_s: float, arrival_rate: float, service_s: float) -> float:
    """P(wait > t_s) = (1 - rho) sum over j > x of exp(-rho (j - x)) (rho (j - x))^j / j!, x = t_s / S.

    The complement of Erlang's alternating sum over j <= x, which is lost to cancellation beyond some 25
    service times: over all j the terms add up to 1 / (1 - rho). Terms far out, where they vary slowly, are
    integrated by panels (Euler-Maclaurin), so that a utilisation of 0.9999 costs no more. Relative error
    below 1e-9.

    Source: A. K. Erlang 1909, C. D. Crommelin 1932 (from memory); the complement derived.
    """
    x = float(non_negative("t_s", t_s)) / float(positive("service_s", service_s))
    rho = float(stable(positive("arrival_rate", arrival_rate) * service_s))

    def term(j: Floats) -> Floats:
        return poisson_term(j, rho * (j - x))

    first = math.floor(x) + 1
    smooth = first + 4000 + 4 * math.ceil(x)
    total = float(np.sum(term(np.arange(first, smooth, dtype=np.float64))))
    # Beyond, the terms fall like exp(-decay j) / sqrt(j).
    decay = rho - 1 - math.log(rho)
    low, last = smooth - 0.5, smooth + 45 / decay
    ends = term(np.array([smooth - 1.0, smooth]))
    total += float(ends[1] - ends[0]) / 24
    while low < last:
        high = 1.5 * low
        middle, half = (low + high) / 2, (high - low) / 2
        total += half * float(_WEIGHTS @ term(middle + half * _NODES))
        low = high
    return (1 - rho) * total


def md1_wait_quantile(p: float, arrival_rate: float, service_s: float) -> float:
    """The wait in seconds that a share p of the requests do not exceed, from `md1_wait_tail`."""
    target = 1 - float(level("p", p))
    rho = float(stable(positive("arrival_rate", arrival_rate) * positive("service_s", service_s)))
    scale = service_s / (1 - rho)
    return solve_tail_once(lambda t: md1_wait_tail(t, arrival_rate, service_s), target, scale)


def md1_response_quantile(p: float, arrival_rate: float, service_s: float) -> float:
    """The time at the station in seconds that a share p of the requests do not exceed: wait and service."""
    return md1_wait_quantile(p, arrival_rate, service_s) + service_s
