"""How much more is asked of the popular items? The Zipf exponent of a trace, with its interval.

Which item has which rank is not known, and ranking items by their own counts makes any trace look skewed. So the
likelihood is that of the counts alone: how many items were asked for 0, 1, 2 ... times, each item's count being Poisson
with the rate of its unknown rank. Items are not independent draws of a rank but have each rank once, which makes the
counts of counts vary less; the interval takes that into account (sandwich: White, Maximum likelihood estimation of
misspecified models, Econometrica 50(1), 1982, from memory; the variance of the score is derived here).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.physics.cache import popularity_groups
from tailrace.physics.zipf import zipf_law

MOST_EXPONENT = 3.0
FEWEST_REPEATS = 100
"""Requests for an item that was asked for before, below which a trace tells nothing of popularity."""

_EXACT_COUNTS = 64
_Z = 1.959963984540054
_DROP = _Z**2 / 2
_FLAT = 0.1
"""Below this exponent the likelihood is flat at 0, and the interval comes from its fall."""


@dataclass(frozen=True)
class Popularity:
    """Exponent of a Zipf law over ``items`` with its 95 % interval, from ``requests`` that are independent.

    ``misfit`` is the largest difference between the shares of items asked for at most k times, in the trace and by the
    law, over all k: small where a Zipf law describes the trace.
    """

    exponent: float
    low: float
    high: float
    items: int
    requests: int
    misfit: float


def popularity(item: IntArray, items: int) -> Popularity | None:
    """Fit a Zipf law to the items (numbers 0 .. items − 1, shape (requests,)) that were asked for, in any order.

    None where too few items were asked for twice to tell.
    """
    _, counts = np.unique(item, return_counts=True)
    if item.size - counts.size < FEWEST_REPEATS or items < 2:
        return None
    from scipy.optimize import minimize_scalar

    seen = _CountsOfCounts(counts, items)
    found = minimize_scalar(
        lambda s: -seen.log_likelihood(s),
        bounds=(0.0, MOST_EXPONENT),
        method="bounded",
        options={"xatol": 1e-5},
    )
    best = float(found.x)
    if best >= _FLAT:
        error = seen.standard_error(best)
        low, high = best - _Z * error, best + _Z * error
    else:
        low, high = 0.0, seen.falls_at(best)
    return Popularity(best, max(low, 0.0), high, items, item.size, seen.misfit(best))


class _CountsOfCounts:
    """How many items were asked for how often, against what a Zipf law would have it."""

    def __init__(self, counts: IntArray, items: int) -> None:
        self._items, self._requests = items, int(counts.sum())
        most = int(counts.max())
        beyond = np.unique(np.rint(_EXACT_COUNTS * 1.15 ** np.arange(1, 200)))
        self._edges = np.concatenate([np.arange(_EXACT_COUNTS + 1.0), beyond[beyond < most]])
        cell = np.searchsorted(self._edges, counts, side="left")
        self._seen = np.bincount(cell, minlength=self._edges.size + 1).astype(np.float64)
        self._seen[0] = items - counts.size

    def _cells(self, exponent: float) -> tuple[FloatArray, FloatArray]:
        """Probability of each cell of counts by group of ranks, shape (groups, cells), and items in each group."""
        from scipy.special import pdtr

        groups = popularity_groups(zipf_law(self._items, max(exponent, 1e-6)), single=256, per_octave=16)
        rate = groups.shares * self._requests
        below = pdtr(self._edges[None, :], rate[:, None])
        cells = np.diff(below, axis=1, prepend=0.0, append=1.0)
        return np.maximum(cells, 0.0), np.asarray(groups.counts, dtype=np.float64)

    def _expected(self, exponent: float) -> FloatArray:
        """Share of the items in each cell."""
        cells, items = self._cells(exponent)
        return np.asarray(np.maximum(items @ cells / self._items, 1e-300))

    def log_likelihood(self, exponent: float) -> float:
        return float(self._seen @ np.log(self._expected(exponent)))

    def _slope(self, exponent: float) -> FloatArray:
        """Derivative of the logarithm of each cell's share."""
        step = 1e-4
        return np.asarray(
            (np.log(self._expected(exponent + step)) - np.log(self._expected(max(exponent - step, 1e-6))))
            / (2 * step)
        )

    def _spread(self, exponent: float) -> tuple[float, float]:
        """Variance of the score, and the information."""
        slope = self._slope(exponent)
        cells, items = self._cells(exponent)
        mean = cells @ slope
        score = float(items @ (cells @ slope**2 - mean**2))
        return score, float(self._items * self._expected(exponent) @ slope**2)

    def standard_error(self, exponent: float) -> float:
        score, information = self._spread(exponent)
        return float(np.sqrt(score)) / information

    def falls_at(self, best: float) -> float:
        """Where the likelihood has fallen so far that larger exponents are out of the interval."""
        top = self.log_likelihood(best)
        for exponent in np.arange(best + 0.005, MOST_EXPONENT, 0.005):
            score, information = self._spread(float(exponent))
            if (top - self.log_likelihood(float(exponent))) * information > _DROP * score:
                return float(exponent)
        return MOST_EXPONENT

    def misfit(self, exponent: float) -> float:
        seen = np.cumsum(self._seen) / self._items
        return float(np.max(np.abs(seen - np.cumsum(self._expected(exponent)))))
