"""What is the quantile of a sample, and how often did the sample go beyond it?"""

import math
from collections.abc import Callable, Sequence
from typing import TypeAlias

import numpy as np

from tailrace.arrays import BoolArray, FloatArray

PIECE = 2**18
"""Observations looked at together, so that what is noted of each does not take the memory of a whole sample."""


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


def pooled_quantiles(samples: Sequence[FloatArray], ps: Sequence[float], own: FloatArray) -> FloatArray:
    """Quantiles of all samples together, without a copy of them.

    A quantile of the whole lies between the least and the greatest of the samples' own, so that only what lies
    there has to be gathered, and the rest counted.

    Args:
        samples: one array of shape (n_r,) a replication, none empty; not changed.
        ps: probabilities strictly between 0 and 1.
        own: shape (R, len(ps)), each sample's quantiles.
    """
    low, high = own.min(axis=0), own.max(axis=0)
    below, at_low = np.zeros(len(ps), dtype=np.int64), np.zeros(len(ps), dtype=np.int64)
    between: list[list[FloatArray]] = [[] for _ in ps]
    total = 0
    for sample in samples:
        total += sample.size
        for place in range(len(ps)):
            if low[place] < high[place]:
                below[place] += np.count_nonzero(sample < low[place])
                at_low[place] += np.count_nonzero(sample == low[place])
                inside = sample[(sample > low[place]) & (sample < high[place])]
                between[place].append(inside)
    values = high.copy()
    for place, p in enumerate(ps):
        rank = quantile_rank(total, p) - below[place]
        if low[place] == high[place]:
            continue
        inside = np.concatenate(between[place])
        if rank <= at_low[place]:
            values[place] = low[place]
        elif rank <= at_low[place] + inside.size:
            index = int(rank - at_low[place]) - 1
            inside.partition(index)
            values[place] = inside[index]
    return np.asarray(values)


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
        return _spells(sample, lambda part: part <= quantile, lambda part: part >= median)
    if quantile > median:
        return _spells(sample, lambda part: part >= quantile, lambda part: part <= median)
    # what lies exactly on the quantile is on one side only, and may be most of the sample
    return max(
        _spells(sample, lambda part: part > median, lambda part: part <= median),
        _spells(sample, lambda part: part >= median, lambda part: part < median),
    )


Condition: TypeAlias = Callable[[FloatArray], BoolArray]


def _spells(sample: FloatArray, starts: Condition, ends: Condition) -> int:
    """Count the ends that follow a start: how often a spell that had begun has ended. Never both at once."""
    spells, in_spell = 0, False
    for begin in range(0, sample.size, PIECE):
        part = sample[begin : begin + PIECE]
        started = starts(part)
        turns = started[started | ends(part)]
        if turns.size == 0:
            continue
        spells += int(in_spell and not turns[0]) + int(np.count_nonzero(turns[:-1] > turns[1:]))
        in_spell = bool(turns[-1])
    return spells
