"""What is the quantile of a sample, and how often did the sample go beyond it?"""

import math
from collections.abc import Sequence

import numpy as np

from tailrace.arrays import BoolArray, FloatArray


def quantile_rank(n: int, p: float) -> int:
    """Rank, from 1 to n, of the order statistic that is the p-quantile of n observations: ceil(n p).

    The least observation with a share of at least p at or below it, definition 1 of Hyndman and Fan, The
    American Statistician 50(4), 1996 (from memory).

    Raises:
        ValueError: a probability that is not strictly between 0 and 1, or no observation.
    """
    if not 0 < p < 1:
        raise ValueError(f"a quantile has a probability between 0 and 1, not {p}")
    if n < 1:
        raise ValueError("an empty sample has no quantile")
    # n p may exceed a whole number by a rounding error: 0.07 * 100 is 7.000000000000001
    return min(n, max(1, math.ceil(n * p * (1 - 4 * np.finfo(np.float64).eps))))


def partitioned_quantiles(sample: FloatArray, ps: Sequence[float]) -> FloatArray:
    """Quantiles of one sample, by partition in place, which neither sorts nor copies it.

    Args:
        sample: shape (n,), n at least 1; reordered.
        ps: probabilities strictly between 0 and 1.

    Raises:
        ValueError: an empty sample or a probability outside (0, 1).
    """
    indices = [quantile_rank(sample.size, p) - 1 for p in ps]
    if indices:
        sample.partition(sorted(set(indices)))
    return np.asarray(sample[indices])


def excursions(sample: FloatArray, quantile: float, median: float) -> int:
    """Count the spells that start beyond the quantile and have ended on the other side of the median.

    Observations beyond a quantile of a queue come in spells, and it is the number of spells, not of
    observations, that says how much a sample knows about the quantile.

    Args:
        sample: shape (n,), in order of arrival.
        quantile: a quantile of the pooled sample; below the median, a spell is one of low values.
        median: the median of the pooled sample.
    """
    if quantile < median:
        return excursions(-sample, -quantile, -median)
    if quantile > median:
        return _spells(sample >= quantile, sample <= median)
    # what lies exactly on the quantile is on one side only, and may be most of the sample
    return max(
        _spells(sample > median, sample <= median),
        _spells(sample >= median, sample < median),
    )


def _spells(starts: BoolArray, ends: BoolArray) -> int:
    """Count the starts that follow an end, or come first, and are themselves followed by an end."""
    ended = np.cumsum(ends)
    ended_before = ended[starts]  # never decreases; starts of one spell share a value
    if ended_before.size == 0:
        return 0
    still_going = ended_before[-1] == ended[-1]
    return 1 + int(np.count_nonzero(np.diff(ended_before))) - int(still_going)
