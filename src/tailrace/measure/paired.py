"""Which of two designs is better? Paired differences over replications that share their random numbers.

Replication r of both designs sees the same requests, so their figures move together, and the difference is
known better than either. The weighted deviations of both (see `section`) are subtracted before they are
squared.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.measure.estimate import Estimate
from tailrace.measure.section import (
    MINIMUM_EXCURSIONS,
    Sectioned,
    interval_about,
    mean_sections,
    quantile_sections,
)


@dataclass(frozen=True, slots=True)
class Paired:
    """One figure of two designs: `difference` is second - first, `ratio` second / first."""

    difference: Estimate
    ratio: Estimate


def paired_mean(first: Sequence[FloatArray], second: Sequence[FloatArray], level: float = 0.95) -> Paired:
    """Difference and ratio of the pooled means of two designs.

    Args:
        first: one array of shape (n_r,) a replication, any unit.
        second: likewise, in the same unit; replication r has the random numbers of replication r of `first`.
        level: confidence level of each interval.

    Raises:
        ValueError: different numbers of replications, none, a level outside (0, 1), a sample that is not
        finite.
    """
    _check_pairs(first, second)
    return paired_sections(mean_sections(first), mean_sections(second), level)


def paired_quantiles(
    first: Sequence[FloatArray],
    second: Sequence[FloatArray],
    ps: Iterable[float],
    level: float = 0.95,
    minimum_excursions: int | Mapping[float, int] = MINIMUM_EXCURSIONS,
) -> dict[float, Paired]:
    """Differences and ratios of quantiles of two designs by sectioning, by probability.

    Unknown where either sample does not support the quantile. Arguments as for `paired_mean`; samples in
    order of arrival.

    Raises:
        ValueError: as `paired_mean`, or a probability outside (0, 1).
    """
    _check_pairs(first, second)
    probabilities = list(ps)
    ours = quantile_sections(first, probabilities, minimum_excursions)
    theirs = quantile_sections(second, probabilities, minimum_excursions)
    return {p: paired_sections(ours[p], theirs[p], level) for p in probabilities}


def paired_quantile(
    first: Sequence[FloatArray], second: Sequence[FloatArray], p: float, level: float = 0.95
) -> Paired:
    """One of `paired_quantiles`."""
    return paired_quantiles(first, second, (p,), level)[p]


def _check_pairs(first: Sequence[FloatArray], second: Sequence[FloatArray]) -> None:
    if len(first) != len(second):
        raise ValueError(f"replications are paired one to one, not {len(first)} with {len(second)}")


def paired_sections(first: Sectioned, second: Sectioned, level: float = 0.95) -> Paired:
    """Difference and ratio of one figure of two designs, from how the same replications lie about both.

    Raises:
        ValueError: different numbers of replications, or a level outside (0, 1).
    """
    if first.deviations.size != second.deviations.size:
        raise ValueError(
            f"replications are paired one to one, not {first.deviations.size} with {second.deviations.size}"
        )
    n = min(first.n, second.n)
    if first.value is None or second.value is None:
        reason = f"first: {first.reason}" if first.reason else f"second: {second.reason}"
        return Paired(Estimate.unknown(n, reason), Estimate.unknown(n, reason))
    difference = interval_about(
        second.value - first.value, second.deviations - first.deviations, n, level, "paired differences"
    )
    if first.value == 0:
        return Paired(difference, Estimate.unknown(n, "the first is 0"))
    ratio = second.value / first.value
    deviations = np.asarray((second.deviations - ratio * first.deviations) / first.value)
    return Paired(difference, interval_about(ratio, deviations, n, level, "paired ratios"))
