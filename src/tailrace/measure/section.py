"""What interval do independent replications give? Sectioning: their spread about the pooled value.

Replication r of R holds n_r observations. With weights w_r = n_r / mean(n), x_r its own figure, x that of
the pooled sample and e_r = w_r (x_r - x), the interval is x +- t(R-1) S / sqrt(R), S^2 = sum(e_r^2) /
(R-1). The weights are those that the pooled value gives; for equal lengths this is the sectioning of
Asmussen and Glynn, Stochastic Simulation (2007), section III.5, for a mean of unequal lengths the ratio
estimator of Law and Kelton, Simulation Modeling and Analysis, chapter 9 (both from memory).

For quantiles this takes the distribution to be smooth as far as the replications' own lie apart, sqrt(R) times the
interval. Beside a gap between latencies the shares of the replications say more: see `wider_by_shares`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from tailrace.arrays import FloatArray, IntArray
from tailrace.measure.interval import IntervalEstimate, student_quantile
from tailrace.measure.quantile import excursions, quantiles_in_place, vicinities

MINIMUM_EXCURSIONS = 12
"""Fewest excursions beyond a quantile, in each replication, for which an interval is given."""
PLANNED_EXCURSIONS = 4
"""The same for fresh replications of a length for which a pilot supported the quantile.

The count goes with the quantile: a sample admitted for its many excursions has too high a quantile. Own
trials, M/M/1 at 0.8, p95, 16 replications with 17 excursions each on average: `at least 12 in each` admits
46 % of the runs, whose 95 % intervals hold 93 % of the time; of 12 on average 4 %, and 70 %. So the data of
a pilot decide, and for the answer the bar lies where nothing that passed the pilot meets it; there it
admits all, and 95 % hold.
"""


SMOOTH_OVER = 0.95
"""Level of the interval of a share over which the pooled sample says how much latency it is worth."""

MOST_OFF = 0.5
"""Share by which a figure may be off from which on an interval that is as much wider would say nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class Sectioned:
    """A pooled figure and how the replications lie about it.

    `value` is None where the sample cannot support it, and `reason` says why; `deviations` are the e_r,
    shape (R,); `n` is the number of observations in all. `off_by` is the share by which the value may be off besides,
    for the reason given; beyond `MOST_OFF`, no interval can be had.
    """

    value: float | None
    deviations: FloatArray
    n: int
    reason: str = ""
    off_by: float = 0.0

    def estimate(self, level: float = 0.95) -> IntervalEstimate:
        """Return the figure with its interval.

        Raises:
            ValueError: a level outside (0, 1).
        """
        if self.value is None:
            return IntervalEstimate.unknown(self.n, self.reason)
        known = interval_about(self.value, self.deviations, self.n, level)
        if self.off_by == 0.0 or known.low is None or known.high is None:
            return known
        if self.off_by > MOST_OFF:
            return IntervalEstimate(self.value, None, None, self.n, f"no interval: {self.reason}")
        margin = self.off_by * abs(self.value)
        return IntervalEstimate(
            self.value,
            known.low - margin,
            known.high + margin,
            self.n,
            f"{known.method}, widened: {self.reason}",
        )

    def doubted(self, reason: str, off_by: float) -> Sectioned:
        """The same figure, which may be off by such a share besides, or by a greater that was known before."""
        if self.value is None or off_by <= self.off_by:
            return self
        return replace(self, reason=reason, off_by=off_by)


@dataclass(frozen=True, slots=True, eq=False)
class QuantileSpread:
    """The pooled p-quantile, how the replications lie about it, and how often each went beyond it.

    `value` is None where a replication is empty, with the `reason`. `deviations`, `sizes` and `excursions` have
    the shape (R,); `constant` says whether the median and every replication's own quantile are that very value.
    """

    p: float
    value: float | None
    deviations: FloatArray
    sizes: IntArray
    excursions: IntArray
    constant: bool
    reason: str = ""

    def section(self, minimum_excursions: int) -> Sectioned:
        """The quantile, or why so many excursions in each replication are not there to support it."""
        n = int(self.sizes.sum())
        reason = self.reason or self._unsupported(minimum_excursions)
        return Sectioned(None if reason else self.value, self.deviations, n, reason)

    def _unsupported(self, minimum: int) -> str:
        # One latency that holds both median and quantile (a server that never queues) shows no spells. It is
        # accepted where spells of a single observation each would have shown themselves.
        if minimum <= 0 or (self.constant and self.sizes.min() >= minimum / min(self.p, 1 - self.p)):
            return ""
        fewest = int(self.excursions.min())
        if fewest >= minimum:
            return ""
        where = f"beyond p{100 * self.p:.6g} in replication {int(self.excursions.argmin())}"
        return f"{fewest} excursion{'s' if fewest != 1 else ''} {where}, {minimum} needed"


def sectioned_mean(samples: Sequence[FloatArray], level: float = 0.95) -> IntervalEstimate:
    """Mean of the pooled sample with its interval over replications; see `mean_sections`."""
    return mean_sections(samples).estimate(level)


def sectioned_quantiles(
    samples: Sequence[FloatArray],
    ps: Iterable[float],
    level: float = 0.95,
    minimum_excursions: int | Mapping[float, int] = MINIMUM_EXCURSIONS,
) -> dict[float, IntervalEstimate]:
    """Quantiles of the pooled sample with their intervals, by probability; see `quantile_sections`."""
    sections = quantile_sections(samples, ps, minimum_excursions)
    return {p: section.estimate(level) for p, section in sections.items()}


def sectioned_ratio(
    numerators: ArrayLike, denominators: ArrayLike, level: float = 0.95, n: int | None = None
) -> IntervalEstimate:
    """Ratio of two totals with its interval over replications: a rate, a share, or an average over time.

    Args:
        numerators: shape (R,), one total a replication, say requests completed or the integral of a queue.
        denominators: shape (R,), none negative, say the seconds observed.
        level: confidence level of the interval.
        n: number of observations behind the totals, where it is not the number of replications.

    Raises:
        ValueError: no replication, shapes that differ, figures that are not finite, a negative denominator,
            a level outside (0, 1).
    """
    return ratio_sections(numerators, denominators, n).estimate(level)


def ratio_sections(numerators: ArrayLike, denominators: ArrayLike, n: int | None = None) -> Sectioned:
    """Ratio of two totals and how the replications lie about it; arguments as for `sectioned_ratio`."""
    above = np.asarray(numerators, dtype=np.float64)
    below = np.asarray(denominators, dtype=np.float64)
    if above.ndim != 1 or above.shape != below.shape or above.size == 0:
        raise ValueError(f"one total of each kind a replication, not {above.shape} and {below.shape}")
    if not (np.isfinite(above).all() and np.isfinite(below).all()) or (below < 0).any():
        raise ValueError("totals are finite, and denominators not negative")
    size = above.size if n is None else n
    total = float(below.sum())
    if total == 0:
        return Sectioned(None, np.zeros_like(above), size, "nothing observed")
    ratio = float(above.sum()) / total
    return Sectioned(ratio, (above - ratio * below) * (below.size / total), size)


def mean_sections(samples: Sequence[FloatArray]) -> Sectioned:
    """Mean of the pooled sample and how the replications lie about it.

    Args:
        samples: one array of shape (n_r,) a replication, any unit; some may be empty.

    Raises:
        ValueError: no replication, or a sample that is not finite.
    """
    sizes, sums = [], []
    for sample in samples:
        sizes.append(sample.size)
        sums.append(float(_checked(sample).sum()))
    return ratio_sections(sums, sizes, n=sum(sizes))


def quantile_sections(
    samples: Sequence[FloatArray],
    ps: Iterable[float],
    minimum_excursions: int | Mapping[float, int] = MINIMUM_EXCURSIONS,
) -> dict[float, Sectioned]:
    """Quantiles of the pooled sample and how the replications lie about them, by probability.

    A quantile is unknown, with the reason, where some replication made too few excursions beyond it, or
    where a replication is empty.

    Args:
        samples: one array of shape (n_r,) a replication, in order of arrival; not changed. ps:
        probabilities strictly between 0 and 1. minimum_excursions: fewest excursions in each replication,
        for all quantiles or by probability; 0 takes any
            sample that is not empty.

    Raises:
        ValueError: no replication, a probability outside (0, 1), or a sample that is not finite.
    """
    return {
        p: each.section(_least(minimum_excursions, p)) for p, each in quantile_spreads(samples, ps).items()
    }


@dataclass(frozen=True, slots=True, eq=False)
class Quantiles:
    """Quantiles of replications: their ``sizes``, shape (R,), the pooled ``values``, shape (P,), and the ``spread`` of
    the replications about them, deviations e_r of shape (R, P).

    Where a replication is empty there are no values, and the spread is 0.
    """

    ps: tuple[float, ...]
    sizes: IntArray
    values: FloatArray | None
    spread: FloatArray

    @classmethod
    def of(cls, samples: Sequence[FloatArray], ps: Iterable[float]) -> Quantiles:
        """Find them; the samples are gone through twice, an entry at a time.

        Raises:
            ValueError: no replication, a probability outside (0, 1), or a sample that is not finite.
        """
        if not len(samples):
            raise ValueError("no replication to measure")
        probabilities = tuple(ps)
        sizes = np.zeros(len(samples), dtype=np.int64)
        own = np.zeros((len(samples), len(probabilities)))
        for row in range(len(samples)):
            sizes[row], own[row] = _own_quantiles(samples[row], probabilities)
        if not sizes.all():
            return cls(probabilities, sizes, None, np.zeros_like(own))
        weights = sizes / sizes.mean()
        values, spread = np.zeros(len(probabilities)), np.zeros_like(own)
        for place, (p, around) in enumerate(zip(probabilities, vicinities(samples, own), strict=True)):
            value = values[place] = around.quantile(p)
            spread[:, place] = weights * (own[:, place] - value)
            if around.low < around.high:
                spread[:, place] = wider_by_shares(
                    spread[:, place], weights, around.share(value), p, around.quantile, around.reach
                )
        return cls(probabilities, sizes, values, spread)

    @classmethod
    def about(cls, ps: tuple[float, ...], sizes: IntArray, values: FloatArray, own: FloatArray) -> Quantiles:
        """Those that are known already, with each replication's ``own``, shape (R, P); none is empty."""
        return cls(ps, sizes, values, (sizes / sizes.mean())[:, None] * (own - values))

    def value(self, p: float) -> float:
        """The pooled quantile."""
        assert self.values is not None
        return float(self.values[self.ps.index(p)])

    def deviations(self, p: float) -> FloatArray:
        """The weighted deviations e_r of the replications, shape (R,)."""
        return np.asarray(self.spread[:, self.ps.index(p)])

    def curve(self, level: float = 0.95) -> dict[float, IntervalEstimate]:
        """The quantiles with intervals, each by itself, to draw a distribution: whether excursions support each is not
        asked. Nothing where a replication is empty.

        Raises:
            ValueError: a level outside (0, 1).
        """
        if self.values is None:
            return {}
        n = int(self.sizes.sum())
        return {p: interval_about(self.value(p), self.deviations(p), n, level) for p in self.ps}


def wider_by_shares(
    deviations: FloatArray,
    weights: FloatArray,
    shares: FloatArray,
    p: float,
    pooled: Callable[[float], float],
    reach: tuple[float, float],
) -> FloatArray:
    """Deviations of own quantiles about the pooled one, or, where that is more, those that the shares tell.

    With s_r the share of replication r up to the pooled p-quantile, w_r (p - s_r) has the spread of the pooled share
    about p times sqrt(R). Its interval p +- d goes through the pooled sample from q(p - d) over q to q(p + d), and a
    deviation of a share is worth the root mean square of the two ways, over d: on a lattice one may be much the longer.
    Where the distribution is smooth, deviations of quantiles and of shares agree (Bahadur's representation: Serfling,
    Approximation Theorems of Mathematical Statistics, 1980, section 2.5, from memory).

    Args:
        deviations: e_r by own quantiles, shape (R,).
        weights: w_r, shape (R,).
        shares: s_r, shape (R,).
        p: probability of the quantile.
        pooled: quantiles of the pooled sample.
        reach: probabilities between which they are known; an interval that goes beyond, as those of few replications
            do, tells nothing.
    """
    count = deviations.size
    off = weights * (p - shares)
    off = off - off.mean()  # where many latencies are the value itself, all shares up to it lie beyond p
    if count < 2 or not off.any():
        return deviations
    half = interval_about(p, off, count, SMOOTH_OVER).half_width
    assert half is not None
    if not reach[0] <= p - half < p + half <= reach[1]:
        return deviations
    value = pooled(p)
    below, above = value - pooled(p - half), pooled(p + half) - value
    told = off * (math.hypot(below, above) / (math.sqrt(2) * half))
    return told if np.square(told).sum() > np.square(deviations).sum() else deviations


def quantile_spreads(
    samples: Sequence[FloatArray], ps: Iterable[float], known: Quantiles | None = None
) -> dict[float, QuantileSpread]:
    """What there is to know of each quantile before it is said how many excursions it takes to support it.

    Args:
        samples: as for `quantile_sections`.
        ps: probabilities strictly between 0 and 1.
        known: quantiles of the samples that have been found already, these and the median among them.

    Raises:
        ValueError: no replication, a probability outside (0, 1), or a sample that is not finite.
    """
    probabilities = list(ps)
    found = known or Quantiles.of(samples, [0.5, *probabilities])
    counts = np.zeros((len(samples), len(probabilities)), dtype=np.int64)
    if found.values is not None:
        median, values = found.value(0.5), [found.value(p) for p in probabilities]
        counts = np.array([excursions(samples[row], values, median) for row in range(len(samples))])
    return spreads_about(found, probabilities, counts)


def spreads_about(known: Quantiles, ps: Sequence[float], counts: IntArray) -> dict[float, QuantileSpread]:
    """The same for quantiles that are known, the median among them, with excursions counted: shape (R, len(ps))."""
    sizes = known.sizes
    if known.values is None:
        n = int(sizes.sum())
        reason = f"nothing observed in replication {int(np.argmin(sizes))}" if n else "nothing observed"
        nothing = np.zeros(sizes.size)
        return {p: QuantileSpread(p, None, nothing, sizes, sizes, False, reason) for p in ps}
    median = known.value(0.5)
    return {
        p: QuantileSpread(
            p,
            known.value(p),
            known.deviations(p),
            sizes,
            counts[:, place],
            known.value(p) == median and not known.deviations(p).any(),
        )
        for place, p in enumerate(ps)
    }


def interval_about(
    value: float, deviations: FloatArray, n: int, level: float = 0.95, name: str = "sectioning"
) -> IntervalEstimate:
    """Interval of a pooled value from the weighted deviations e_r of the replications about it.

    Args:
        value: the figure of the pooled sample.
        deviations: shape (R,), in the unit of the value.
        n: number of observations.
        level: confidence level.
        name: what the method is called.

    Raises:
        ValueError: a level outside (0, 1).
    """
    replications = deviations.size
    factor = student_quantile(level, max(1, replications - 1))
    if replications < 2:
        return IntervalEstimate(value, None, None, n, "one replication gives no interval")
    spread = math.sqrt(float(np.square(deviations).sum()) / (replications - 1))
    half_width = factor * spread / math.sqrt(replications)
    method = f"{name}, {replications} replications, level {level:.4g}"
    return IntervalEstimate(value, value - half_width, value + half_width, n, method)


def _own_quantiles(sample: FloatArray, ps: Sequence[float]) -> tuple[int, FloatArray]:
    """Size of a sample and its own quantiles, those of an empty one 0; it is let go of before the next is asked for."""
    checked = _checked(sample)
    own = quantiles_in_place(checked.copy(), ps) if checked.size else np.zeros(len(ps))
    return checked.size, own


def _least(minimum_excursions: int | Mapping[float, int], p: float) -> int:
    return minimum_excursions if isinstance(minimum_excursions, int) else minimum_excursions[p]


def _checked(sample: FloatArray) -> FloatArray:
    sample = np.asarray(sample, dtype=np.float64)
    if sample.ndim != 1:
        raise ValueError(f"a sample has one dimension, not {sample.ndim}")
    if sample.size and not (math.isfinite(sample.min()) and math.isfinite(sample.max())):
        raise ValueError("a sample is finite: every request that was counted must have completed")
    return sample
