"""What is the quantile of several samples together, each observation with a weight of its sample?

A server is in one condition for some hours and in another for others, and a request over all of them is one drawn by
rate and hours. Condition c with h_c hours is observed for T_cr seconds in replication r; each observation then stands
for h_c / T_cr hours' worth of its kind. With T_c the mean of the T_cr, the pooled quantile q is that of all
observations, each with the weight h_c / T_c; replication r's own, q_r, has the weights h_c / T_cr, so that what is not
known of the rates goes into its spread. The interval is that of sectioning (see `section`): deviations
w_r (q_r - q), w_r the weight of r's observations over its mean. For one condition this is `section` itself.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.measure.quantile import quantile_rank
from tailrace.measure.spectrum import Spectrum

FEW = 256
"""Observations among which a quantile is picked by sorting them."""


def weighted_quantile(samples: Sequence[FloatArray], weights: Sequence[float], p: float) -> float:
    """The least observation with a share of at least p of all weight at or below it.

    Args:
        samples: ascending, one array a sample, of which some may be empty.
        weights: that of each observation of a sample; positive.
        p: strictly between 0 and 1.

    Raises:
        ValueError: a probability outside (0, 1), or no observation.
    """
    known = [(each, weight) for each, weight in zip(samples, weights, strict=True) if each.size]
    quantile_rank(len(known), p)  # raises
    total = sum(each.size * weight for each, weight in known)
    wanted = total * p * (1 - 4 * np.finfo(np.float64).eps)

    def reached(value: float) -> float:
        return sum(weight * float(np.searchsorted(each, value, side="right")) for each, weight in known)

    low, high = min(float(each[0]) for each, _ in known), max(float(each[-1]) for each, _ in known)
    if reached(low) >= wanted:
        return low
    while True:
        bounds = [np.searchsorted(each, [low, high], side="right") for each, _ in known]
        if sum(int(end - begin) for begin, end in bounds) <= FEW:
            break
        middle = low + (high - low) / 2
        if not low < middle < high:  # all that is left is one value
            return high
        low, high = (low, middle) if reached(middle) >= wanted else (middle, high)
    inside = np.concatenate([each[begin:end] for (each, _), (begin, end) in zip(known, bounds, strict=True)])
    each_weighs = np.concatenate(
        [np.full(end - begin, weight) for (_, weight), (begin, end) in zip(known, bounds, strict=True)]
    )
    order = np.argsort(inside, kind="stable")
    sums = reached(low) + np.cumsum(each_weighs[order])
    # Of sums that rounding has put a hair too low the last is meant.
    return float(inside[order][min(int(np.searchsorted(sums, wanted)), order.size - 1)])


def weighted_spectrum_quantile(spectra: Sequence[Spectrum], weights: Sequence[float], p: float) -> float:
    """The same of samples of which only spectra are kept: as exact as these tell.

    Raises:
        ValueError: a probability outside (0, 1), or nothing in any sample.
    """
    quantile_rank(sum(each.n for each in spectra), p)  # raises
    place = np.concatenate([each.place for each in spectra])
    weigh = np.concatenate([each.count * weight for each, weight in zip(spectra, weights, strict=True)])
    used, where = np.unique(place, return_inverse=True)
    mass = np.bincount(where, weigh, used.size)
    low, high = np.full(used.size, np.inf), np.full(used.size, -np.inf)
    np.minimum.at(low, where, np.concatenate([each.low for each in spectra]))
    np.maximum.at(high, where, np.concatenate([each.high for each in spectra]))
    reached = np.cumsum(mass)
    wanted = float(reached[-1]) * p * (1 - 4 * np.finfo(np.float64).eps)
    at = min(int(np.searchsorted(reached, wanted)), used.size - 1)
    share = (wanted - (float(reached[at]) - float(mass[at]))) / float(mass[at])
    return float(low[at] + min(max(share, 0.0), 1.0) * (high[at] - low[at]))


def effective_excursions(counts: IntArray, weights: FloatArray) -> IntArray:
    """How many excursions of equal weight say as much as those of several conditions, each with its own.

    (sum of w e)^2 over the sum of w^2 e, rounded down: Kish's effective sample size, *Survey Sampling* (1965), section
    11.7 (from memory).

    Args:
        counts: shape (conditions, R).
        weights: shape (conditions,), of one observation of each.
    """
    first = weights @ counts
    second = np.square(weights) @ counts
    found = np.divide(first**2, second, out=np.zeros(first.shape), where=second > 0)
    return np.asarray(np.floor(found * (1 + 1e-12)), dtype=np.int64)
