"""Which of two designs is better? Paired differences over replications that share their random numbers.

Replication r of both designs sees the same requests, so their figures move together, and the difference is
known better than either. The weighted deviations of both (see `section`) are subtracted before they are
squared.
"""

from dataclasses import dataclass

import numpy as np

from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.section import (
    Sectioned,
    interval_about,
)


@dataclass(frozen=True, slots=True)
class Paired:
    """One figure of two designs: `difference` is second - first, `ratio` second / first."""

    difference: IntervalEstimate
    ratio: IntervalEstimate


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
        reason = f"first: {first.reason}" if first.value is None else f"second: {second.reason}"
        return Paired(IntervalEstimate.unknown(n, reason), IntervalEstimate.unknown(n, reason))
    difference = interval_about(
        second.value - first.value, second.deviations - first.deviations, n, level, "paired differences"
    )
    if first.value == 0:
        return Paired(difference, IntervalEstimate.unknown(n, "the first is 0"))
    ratio = second.value / first.value
    deviations = np.asarray((second.deviations - ratio * first.deviations) / first.value)
    return Paired(difference, interval_about(ratio, deviations, n, level, "paired ratios"))
