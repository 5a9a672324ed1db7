"""Quantiles of independent observations by order statistics: what the requests of a queue are not.

Conover, Practical Nonparametric Statistics; Le Boudec, Performance Evaluation (2010), appendix A (from memory).
"""

import math
from bisect import bisect_left, bisect_right

import numpy as np
from scipy.special import bdtr

from tailrace.measure.interval import IntervalEstimate


def order_statistic_ranks(n: int, p: float, level: float = 0.95) -> tuple[int, int] | None:
    """Ranks (j, k), from 1, of the observations that enclose the p-quantile; None for a sample too small.

    The number of observations below the quantile is binomial, so x_(j) to x_(k) holds it with probability F(k-1) -
    F(j-1) or more. Each end errs with at most half of 1 - level.
    """
    tail = (1 - level) / 2
    j = bisect_right(range(n), tail, key=lambda rank: float(bdtr(rank, n, p)))
    k = bisect_left(range(n), 1 - tail, key=lambda rank: float(bdtr(rank, n, p))) + 1
    return (j, k) if j >= 1 and k <= n else None


def coverage_of_ranks(n: int, p: float, ranks: tuple[int, int]) -> float:
    """Probability that these order statistics enclose the p-quantile of a continuous distribution."""
    return float(bdtr(ranks[1] - 1, n, p) - bdtr(ranks[0] - 1, n, p))


def smallest_sample(p: float, level: float = 0.95) -> int:
    """The least n whose greatest observation bounds the p-quantile from above, p^n <= 1 - level.

    Wilks, Annals of Mathematical Statistics 12, 1941 (from memory).
    """
    return max(1, math.ceil(math.log(1 - level) / math.log(p)))


def independent_quantile(sample: np.ndarray, p: float, level: float = 0.95) -> IntervalEstimate:
    """The p-quantile, shape (n,) in any order, between two order statistics."""
    n = sample.size
    ranks = order_statistic_ranks(n, p, level) if n else None
    if ranks is None:
        return IntervalEstimate.unknown(n, f"{n} independent observations do not enclose p{100 * p:.6g}")
    ordered = np.sort(sample)
    low, high = (float(ordered[rank - 1]) for rank in ranks)
    return IntervalEstimate(float(ordered[math.ceil(n * p) - 1]), low, high, n, "order statistics")
