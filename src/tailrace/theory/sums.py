"""How long do requests take from end to end? Tails and quantiles of sums of station times.

Both take the times at the stations as independent. That is exact for M/M/1 stations in tandem in order of
arrival, and for M/M/c at the first and last station (Burke 1956 and 1969, Reich 1957: from memory);
elsewhere, where requests overtake, come back or are served by general laws, an approximation. Both raise
OutsideValidityError (a ValueError) for levels outside 0 <= p <= 0.999999 and negative times or visits.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from tailrace.theory.domain import non_negative
from tailrace.theory.inversion import QUANTILE_PRECISION, invert_tail, invertible_target
from tailrace.theory.laws import Complexes
from tailrace.theory.quantile import solve_tail_once
from tailrace.theory.response_laws import ResponseLaw


def sum_tail(
    t_s: float, parts: Sequence[ResponseLaw], visits: ArrayLike = 1.0, constant_s: float = 0.0
) -> float:
    """P(constant_s + sum over all visits to all parts > t_s), by inversion of the product of transforms.

    parts: laws from `response_laws`; visits: mean visits to each, one number a part or one for all. A broken
    number v is floor(v) visits and one more with probability v - floor(v). Absolute error below 1e-9 where
    the times have densities; constants shift the rest and are exact. Near other jumps (service by a mixture
    of constants, a broken number of visits to a constant) accuracy is lost, and close to them it is refused.
    """
    return TimesSum(parts, visits, constant_s).tail(t_s)


def sum_quantile(
    p: float, parts: Sequence[ResponseLaw], visits: ArrayLike = 1.0, constant_s: float = 0.0
) -> float:
    """The seconds of the sum (as `sum_tail`) that a share p <= 0.999999 of the requests do not exceed."""
    target = invertible_target(p)
    total = TimesSum(parts, visits, constant_s)
    if total.mean_s == 0:
        return 0.0
    scale = float(max(total.mean_s - total.constant_s, 1e-6 * total.mean_s))
    return float(total.constant_s) + solve_tail_once(total.excess_tail, target, scale, QUANTILE_PRECISION)


class TimesSum:
    """A sum of independent response times, as constant, atom and excess: `sum_tail` for many times."""

    def __init__(self, parts: Sequence[ResponseLaw], visits: ArrayLike, constant_s: float) -> None:
        counts = np.broadcast_to(non_negative("visits", visits), (len(parts),)).tolist()
        self._visits = [
            (part, math.floor(n), n - math.floor(n)) for part, n in zip(parts, counts, strict=True)
        ]
        constant = float(non_negative("constant_s", constant_s))
        self.constant_s = constant + sum(n * part.constant_s for part, n, _ in self._visits)
        self.mean_s = constant + sum((n + more) * part.mean_s for part, n, more in self._visits)
        self._atom = math.prod(
            part.atom**n * (1 - more * (1 - (0.0 if part.constant_s else part.atom)))
            for part, n, more in self._visits
        )

    def tail(self, t_s: float) -> float:
        """P(sum > t_s)."""
        t = float(non_negative("t_s", t_s))
        return 1.0 if t < self.constant_s else self.excess_tail(t - self.constant_s)

    def excess_tail(self, t: float) -> float:
        """P(sum > constant + t)."""
        if self._atom == 1:
            return 0.0
        return 1 - self._atom if t == 0 else invert_tail(self._excess_transform, t)

    def _excess_transform(self, s: Complexes) -> Complexes:
        product = np.ones_like(s)
        for part, visits, more in self._visits:
            once = part.excess_transform(s)
            product = product * once**visits
            if more:
                product = product * (1 + more * (once * np.exp(-s * part.constant_s) - 1))
        return np.asarray(product)
