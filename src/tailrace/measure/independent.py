"""What do independent observations support? Order statistics as the ends of an interval for a quantile.

Latencies of one run are not independent; their intervals come from replications.
"""

import math
from bisect import bisect_left, bisect_right

import numpy as np
from scipy.special import bdtr

from tailrace.arrays import FloatArray
from tailrace.measure.estimate import Estimate, check_level
from tailrace.measure.quantile import quantile_rank


def order_statistic_ranks(n: int, p: float, level: float = 0.95) -> tuple[int, int] | None:
    """Ranks (j, k), from 1, of the observations that enclose the p-quantile of n independent ones.

    The number of observations below the quantile is binomial, so x_(j) to x_(k) holds it with probability
    F(k-1) - F(j-1) or more. Each end errs with at most half of 1 - level: Conover, Practical Nonparametric
    Statistics; Le Boudec, Performance Evaluation (2010), appendix A (from memory).

    Returns:
        None if the sample is too small for such an interval.

    Raises:
        ValueError: an empty sample, or a probability or level outside (0, 1).
    """
    quantile_rank(n, p)
    check_level(level)
    if n < 1:
        raise ValueError(f"a sample has observations, not {n}")
    tail = (1 - level) / 2
    ranks = range(n)

    def below(rank: int) -> float:
        return float(bdtr(rank, n, p))

    j = bisect_right(ranks, tail, key=below)
    k = bisect_left(ranks, 1 - tail, key=below) + 1
    return (j, k) if j >= 1 and k <= n else None


def coverage_of_ranks(n: int, p: float, ranks: tuple[int, int]) -> float:
    """Probability that these order statistics enclose the p-quantile of a continuous distribution.

    F(k-1) - F(j-1) of the binomial distribution of n and p.

    Raises:
        ValueError: ranks that are not two of 1 .. n in increasing order, or a probability outside (0, 1).
    """
    low, high = ranks
    quantile_rank(n, p)
    if not 1 <= low < high <= n:
        raise ValueError(f"ranks increase and lie in 1 to {n}, not {low} and {high}")
    return float(bdtr(high - 1, n, p) - bdtr(low - 1, n, p))


def smallest_sample(p: float, level: float = 0.95) -> int:
    """Fewest independent observations whose greatest bounds the p-quantile from above with the given level.

    The least n with p^n <= 1 - level: Wilks, Annals of Mathematical Statistics 12, 1941 (from memory).

    Raises:
        ValueError: a probability or level outside (0, 1).
    """
    quantile_rank(1, p)
    check_level(level)
    return max(1, math.ceil(math.log(1 - level) / math.log(p)))


def independent_quantile(sample: FloatArray, p: float, level: float = 0.95) -> Estimate:
    """Quantile of independent observations between two order statistics.

    Args:
        sample: shape (n,), any order, any unit; not changed.
        p: probability strictly between 0 and 1.
        level: least confidence level of the interval.

    Raises:
        ValueError: a probability or level outside (0, 1), or a sample that is not finite.
    """
    if not np.isfinite(sample).all():
        raise ValueError("a sample is finite")
    n = sample.size
    ranks = order_statistic_ranks(n, p, level) if n else None
    if ranks is None:
        return Estimate.unknown(n, f"{n} independent observations do not enclose p{100 * p:.6g}")
    low, high = ranks
    middle = quantile_rank(n, p)
    ordered = np.partition(sample, sorted({low - 1, middle - 1, high - 1}))
    return Estimate(
        float(ordered[middle - 1]),
        float(ordered[low - 1]),
        float(ordered[high - 1]),
        n,
        f"order statistics {low} and {high} of {n}, level {coverage_of_ranks(n, p, ranks):.4g}",
    )
