"""What is the quantile of a sample, and how often did the sample go beyond it?"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray, IntArray

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


def quantiles_in_place(sample: FloatArray, ps: Sequence[float]) -> FloatArray:
    """Quantiles of one sample, which is sorted in place: with numpy's vector instructions sooner than a partition.

    Args:
        sample: shape (n,), n at least 1; reordered.
        ps: probabilities strictly between 0 and 1.

    Raises:
        ValueError: an empty sample or a probability outside (0, 1).
    """
    indices = [quantile_rank(sample.size, p) - 1 for p in ps]
    sample.sort()
    return np.asarray(sample[indices])


@dataclass(frozen=True, slots=True, eq=False)
class Vicinity:
    """What lies around a quantile of several samples together: between the least and the greatest of their own.

    `sizes`, the numbers `below` the least and `at` it have the shape (R,); `inside` holds what lies strictly between
    the two of each sample, rising, and `gathered` of all.
    """

    low: float
    high: float
    sizes: IntArray
    below: IntArray
    at: IntArray
    inside: Sequence[FloatArray]
    gathered: FloatArray

    def quantile(self, p: float) -> float:
        """The quantile of all samples together, brought to the nearest that is known here."""
        rank = quantile_rank(int(self.sizes.sum()), p) - int(self.below.sum()) - int(self.at.sum())
        if rank <= 0:
            return self.low
        return float(self.gathered[rank - 1]) if rank <= self.gathered.size else self.high

    def share(self, value: float) -> FloatArray:
        """Which share of each sample is at most ``value``, from ``low`` up to below ``high``; shape (R,)."""
        between = [np.searchsorted(each, value, side="right") for each in self.inside]
        return np.asarray((self.below + self.at + np.array(between)) / self.sizes)

    @property
    def reach(self) -> tuple[float, float]:
        """Shares of all samples at most ``low`` and below ``high``: from the one to the other quantiles are known."""
        least = int(self.below.sum()) + int(self.at.sum())
        total = int(self.sizes.sum())
        return least / total, (least + self.gathered.size) / total


def vicinities(samples: Sequence[FloatArray], own: FloatArray) -> Iterator[Vicinity]:
    """What lies around quantiles of all samples together, one quantile after the other, without a copy of the samples.

    A quantile of the whole lies between the least and the greatest of the samples' own, so that only what lies
    there has to be gathered, and the rest counted.

    Args:
        samples: one array of shape (n_r,) a replication, none empty; not changed, and gone through once.
        own: shape (R, P), each sample's quantiles.
    """
    low, high = own.min(axis=0), own.max(axis=0)
    found = [_around(samples[row], low, high) for row in range(len(samples))]
    sizes = np.array([size for size, *_ in found])
    below, at = (np.array([each[place] for each in found]) for place in (1, 2))
    for place in range(low.size):
        inside = [each[-1][place] for each in found]
        gathered = np.sort(np.concatenate(inside))
        ends = float(low[place]), float(high[place])
        yield Vicinity(*ends, sizes, below[:, place], at[:, place], inside, gathered)


def _around(
    sample: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[int, IntArray, IntArray, list[FloatArray]]:
    """Size of a sample, how much of it lies below and at each of ``low``, and what lies between that and ``high``.

    Nothing of the sample itself is kept, so that one at a time is in memory.
    """
    ranked = np.sort(sample)
    first, after = np.searchsorted(ranked, low), np.searchsorted(ranked, low, side="right")
    ends = np.searchsorted(ranked, high)
    inside = [ranked[begin:end].copy() for begin, end in zip(after, ends, strict=True)]
    return ranked.size, first, after - first, inside


def excursions(sample: FloatArray, quantiles: Sequence[float], median: float) -> IntArray:
    """Count, for each quantile, the spells that start beyond it and have ended on the other side of the median.

    Observations beyond a quantile of a queue come in spells, and it is the number of spells, not of
    observations, that says how much a sample knows about the quantile.

    Args:
        sample: shape (n,), in order of arrival.
        quantiles: quantiles of the pooled sample; below the median, a spell is one of low values.
        median: the median of the pooled sample.
    """
    levels = np.asarray(quantiles, dtype=np.float64)
    counts = np.zeros(levels.size, dtype=np.int64)
    above, below, level = levels > median, levels < median, levels == median
    counts[above] = _spells(sample, levels[above], median)
    if below.any():
        counts[below] = _spells(-sample, -levels[below], -median)
    if level.any():  # what lies exactly on the quantile is on one side only, and may be most of the sample
        over, under = np.nextafter(median, np.inf), np.nextafter(median, -np.inf)
        counts[level] = max(_spells(sample, [over], median)[0], _spells(sample, [median], under)[0])
    return counts


def _spells(sample: FloatArray, starts: Sequence[float] | FloatArray, end: float) -> IntArray:
    """How often a spell that began at or above each of ``starts`` has ended at or below ``end``, which is lower."""
    spells = np.zeros(len(starts), dtype=np.int64)
    in_spell = np.zeros(len(starts), dtype=np.bool_)
    for begin in range(0, sample.size, PIECE):
        part = sample[begin : begin + PIECE]
        ends = np.cumsum(part <= end, dtype=np.int32)
        for place, start in enumerate(starts):
            # of those that start or continue a spell: how many ends came before
            before = ends[part >= start]
            if in_spell[place]:
                before = np.concatenate([[0], before])
            if before.size:
                spells[place] += np.count_nonzero(before[1:] > before[:-1]) + int(ends[-1] > before[-1])
                in_spell[place] = ends[-1] == before[-1]
    return spells
