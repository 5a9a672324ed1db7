"""A sample of times in few numbers, that can be added to others: how many lie in each narrow class of size.

A class spans 2^(1/256), 0.27 %; of each the least and the greatest time are kept. A quantile of several samples
together is found in the class that holds its rank, between those two: it is off by at most the width of the class, and
not at all where a class holds one value or two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.measure.quantile import quantile_rank

CLASSES_PER_OCTAVE = 256


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Numbers of the classes in use, rising, and of each how many times lie in it, the least and the greatest.

    All of shape (classes,). Times that are not positive lie in a class of their own, the lowest.
    """

    place: IntArray
    count: IntArray
    low: FloatArray
    high: FloatArray

    @property
    def n(self) -> int:
        """Number of times."""
        return int(self.count.sum())


def spectrum(sample: FloatArray) -> Spectrum:
    """The spectrum of a sample, shape (n,)."""
    ordered = np.sort(sample)
    positive = np.maximum(ordered, np.finfo(np.float64).tiny)
    place = np.floor(np.log2(positive) * CLASSES_PER_OCTAVE).astype(np.int64)
    used, first, count = np.unique(place, return_index=True, return_counts=True)
    return Spectrum(used, count.astype(np.int64), ordered[first], ordered[first + count - 1])


def pooled_quantiles(spectra: Sequence[Spectrum], ps: Sequence[float]) -> FloatArray:
    """Quantiles of several samples together.

    Args:
        spectra: those of the samples, at least one of them not empty.
        ps: probabilities strictly between 0 and 1.

    Raises:
        ValueError: nothing in any sample, or a probability outside (0, 1).
    """
    places = np.concatenate([each.place for each in spectra])
    used, where = np.unique(places, return_inverse=True)
    count = np.bincount(where, np.concatenate([each.count for each in spectra]), used.size).astype(np.int64)
    low, high = np.full(used.size, np.inf), np.full(used.size, -np.inf)
    np.minimum.at(low, where, np.concatenate([each.low for each in spectra]))
    np.maximum.at(high, where, np.concatenate([each.high for each in spectra]))
    reached = np.cumsum(count)
    values = []
    for p in ps:
        rank = quantile_rank(int(reached[-1]) if used.size else 0, p)
        at = int(np.searchsorted(reached, rank))
        inside = rank - (reached[at] - count[at]) - 1
        share = inside / (count[at] - 1) if count[at] > 1 else 0.0
        values.append(low[at] + share * (high[at] - low[at]))
    return np.array(values)
