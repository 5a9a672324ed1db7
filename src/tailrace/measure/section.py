"""What interval do independent replications give? Sectioning: their spread about the pooled value.

Each replication r holds n_r observations; weights w_r = n_r / mean(n) make the spread that of the pooled
value, which long replications pull more than short ones. With e_r = w_r (x_r - x), x_r the figure of
replication r and x that of the pooled sample, the interval is x +- t(R-1) S / sqrt(R), S^2 = sum(e_r^2) /
(R-1): for equal lengths the sectioning of Asmussen and Glynn, Stochastic Simulation (2007), section III.5
(from memory); for a mean of unequal lengths the usual ratio estimator, Law and Kelton, Simulation Modeling
and Analysis, chapter 9 (from memory).
"""

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import ArrayLike

from tailrace.arrays import BoolArray, FloatArray
from tailrace.measure.estimate import Estimate, student_quantile

MINIMUM_EXCURSIONS = 12
"""Fewest excursions beyond a quantile, in each replication, for which an interval is given."""


def sectioned_mean(samples: Sequence[FloatArray], level: float = 0.95) -> Estimate:
    """Mean of the pooled sample with its interval over replications.

    Args:
        samples: one array of shape (n_r,) a replication, any unit; empty ones are allowed.
        level: confidence level of the interval.

    Raises:
        ValueError: no replication, a level outside (0, 1), or a sample that is not finite.
    """
    samples = [_checked(sample) for sample in samples]
    sums = [float(sample.sum()) for sample in samples]
    sizes = [sample.size for sample in samples]
    return sectioned_ratio(sums, sizes, level, n=sum(sizes))


def sectioned_ratio(
    numerators: ArrayLike, denominators: ArrayLike, level: float = 0.95, n: int | None = None
) -> Estimate:
    """Ratio of two totals with its interval over replications: a rate, a share, or an average over time.

    Args:
        numerators: shape (R,), one total a replication, say requests completed or the integral of a queue.
        denominators: shape (R,), none negative, say the seconds observed.
        level: confidence level of the interval.
        n: number of observations behind the totals, where it is not the number of replications.

    Raises:
        ValueError: no replication, shapes that differ, figures that are not finite, a negative denominator.
    """
    above = np.asarray(numerators, dtype=np.float64)
    below = np.asarray(denominators, dtype=np.float64)
    if above.ndim != 1 or above.shape != below.shape or above.size == 0:
        raise ValueError(
            f"one numerator and one denominator a replication, not {above.shape} and {below.shape}"
        )
    if not (np.isfinite(above).all() and np.isfinite(below).all()) or (below < 0).any():
        raise ValueError("totals are finite, and denominators not negative")
    size = above.size if n is None else n
    total = float(below.sum())
    if total == 0:
        return Estimate.unknown(size, "nothing observed")
    ratio = float(above.sum()) / total
    return interval_about(ratio, (above - ratio * below) * (below.size / total), size, level)


def sectioned_quantile(
    samples: Sequence[FloatArray],
    p: float,
    level: float = 0.95,
    minimum_excursions: int = MINIMUM_EXCURSIONS,
) -> Estimate:
    """One quantile of the pooled sample; see `sectioned_quantiles`."""
    return sectioned_quantiles(samples, (p,), level, minimum_excursions)[p]


def sectioned_quantiles(
    samples: Sequence[FloatArray],
    ps: Iterable[float],
    level: float = 0.95,
    minimum_excursions: int = MINIMUM_EXCURSIONS,
) -> dict[float, Estimate]:
    """Quantiles of the pooled sample with their intervals over replications, by probability.

    A quantile is unknown, with the reason, where some replication made too few excursions beyond it (see
    `excursions`): observations beyond a quantile come in spells, and it is spells that must be counted.

    Args:
        samples: one array of shape (n_r,) a replication, in order of arrival; not changed.
        ps: probabilities strictly between 0 and 1.
        level: confidence level of each interval.
        minimum_excursions: fewest excursions in each replication; 0 takes any sample that is not empty.

    Raises:
        ValueError: no replication, a probability or level outside (0, 1), or a sample that is not finite.
    """
    probabilities = list(ps)
    samples = [_checked(sample) for sample in samples]
    if not samples:
        raise ValueError("no replication to measure")
    sizes = np.array([sample.size for sample in samples])
    n = int(sizes.sum())
    if n == 0 or not sizes.all():
        reason = "nothing observed" if n == 0 else f"nothing observed in replication {int(np.argmin(sizes))}"
        return {p: Estimate.unknown(n, reason) for p in probabilities}
    pooled = partitioned_quantiles(np.concatenate(samples), [0.5, *probabilities])
    own = np.array([partitioned_quantiles(sample.copy(), probabilities) for sample in samples])
    weights = sizes / sizes.mean()
    median, values = float(pooled[0]), pooled[1:]
    estimates = {}
    for column, p in enumerate(probabilities):
        value = float(values[column])
        reason = _unsupported(samples, p, value, median, own[:, column], minimum_excursions)
        estimates[p] = (
            Estimate.unknown(n, reason)
            if reason
            else interval_about(value, weights * (own[:, column] - value), n, level)
        )
    return estimates


def partitioned_quantiles(sample: FloatArray, ps: Sequence[float]) -> FloatArray:
    """Quantiles of one sample by partition in place, which neither sorts nor copies it.

    The p-quantile is the order statistic of rank ceil(n p), the least observation with a share of at least
    p at or below it (definition 1 of Hyndman and Fan, The American Statistician 50(4), 1996; from memory).

    Args:
        sample: shape (n,), contiguous, n at least 1; reordered.
        ps: probabilities strictly between 0 and 1.

    Raises:
        ValueError: an empty sample or a probability outside (0, 1).
    """
    if sample.size == 0:
        raise ValueError("an empty sample has no quantile")
    indices = [quantile_rank(sample.size, p) - 1 for p in ps]
    if indices:
        sample.partition(sorted(set(indices)))
    return sample[indices]


def quantile_rank(n: int, p: float) -> int:
    """Rank, from 1 to n, of the order statistic that is the p-quantile of n observations.

    Raises:
        ValueError: a probability that is not strictly between 0 and 1.
    """
    if not 0 < p < 1:
        raise ValueError(f"a quantile has a probability between 0 and 1, not {p}")
    # n p may exceed a whole number by a rounding error: 0.07 * 100 is 7.000000000000001
    return min(n, max(1, math.ceil(n * p * (1 - 4 * np.finfo(np.float64).eps))))


def excursions(sample: FloatArray, quantile: float, median: float) -> int:
    """Count the spells that start beyond the quantile and have ended on the other side of the median.

    Args:
        sample: shape (n,), in order of arrival.
        quantile: a quantile of the pooled sample; below the median, a spell is one of low values.
        median: the median of the pooled sample.
    """
    if quantile < median:
        return excursions(-sample, -quantile, -median)
    if quantile > median:
        return _spells(sample >= quantile, sample <= median)
    # an observation that lies on the quantile belongs to one side only: it may be most of the sample
    return max(
        _spells(sample > median, sample <= median),
        _spells(sample >= median, sample < median),
    )


def interval_about(value: float, deviations: FloatArray, n: int, level: float = 0.95) -> Estimate:
    """Interval of a pooled value from the weighted deviations e_r of the replications about it.

    Args:
        value: the figure of the pooled sample.
        deviations: shape (R,), in the unit of the value.
        n: number of observations.
        level: confidence level.

    Raises:
        ValueError: a level outside (0, 1).
    """
    replications = deviations.size
    if replications < 2:
        student_quantile(level, 1)
        return Estimate(value, None, None, n, "one replication gives no interval")
    spread = math.sqrt(float(np.square(deviations).sum()) / (replications - 1))
    half_width = student_quantile(level, replications - 1) * spread / math.sqrt(replications)
    method = f"sectioning over {replications} replications, level {level:.4g}"
    return Estimate(value, value - half_width, value + half_width, n, method)


def _spells(starts: BoolArray, ends: BoolArray) -> int:
    """Count the starts that follow an end, or come first, and are themselves followed by an end."""
    ended = np.cumsum(ends)
    ended_before = ended[starts]  # never decreases: starts of one spell share a value
    spells = np.count_nonzero(np.diff(ended_before)) + min(1, ended_before.size)
    still_going = ended_before.size > 0 and ended_before[-1] == ended[-1]
    return int(spells) - int(still_going)


def _unsupported(
    samples: Sequence[FloatArray],
    p: float,
    value: float,
    median: float,
    own: FloatArray,
    minimum: int,
) -> str:
    """Say why the sample does not support the quantile, or nothing."""
    if minimum <= 0:
        return ""
    # An atom that holds median and quantile (a server that never queues) shows no spells. It is accepted
    # where spells of one observation each would have shown themselves.
    extreme = minimum / min(p, 1 - p)
    if value == median and (own == value).all() and all(sample.size >= extreme for sample in samples):
        return ""
    counts = [excursions(sample, value, median) for sample in samples]
    fewest = min(counts)
    if fewest >= minimum:
        return ""
    return (
        f"{fewest} excursions beyond p{100 * p:.6g} in replication {counts.index(fewest)}, {minimum} needed"
    )


def _checked(sample: FloatArray) -> FloatArray:
    sample = np.ascontiguousarray(sample, dtype=np.float64)
    if sample.ndim != 1:
        raise ValueError(f"a sample has one dimension, not {sample.ndim}")
    if sample.size and not (math.isfinite(sample.min()) and math.isfinite(sample.max())):
        raise ValueError("a sample is finite: every request that was counted must have completed")
    return sample
