"""Is the server overloaded? Growth of the backlog over the measured window, judged over the replications.

Only the first, the middle and the last mark decide: for a queue that grows steadily their difference is
the best estimate of the growth, and in own trials it found more overloads than a line through all marks.
From 1.01 of saturation on no run was ever called stable in trials with one server: what is not found is
unclear. A threshold of 0 instead of 1 % would find more, but would also call up to 15 % of the short runs at
0.98 overloaded, because a queue that starts empty grows until it is in equilibrium.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.section import sectioned_ratio

GROWTH_THRESHOLD = 0.01
"""Share of the arriving requests that may be left unserved before a server counts as overloaded."""
ONE_SIDED_LEVEL = 0.999
LASTING = 0.6
"""Growth for each arrival of the later half, over that of the whole, below which the backlog only fills up.

A server that needs a long queue to work at its best, as the arms of drives do, starts empty and takes long to
fill: twenty-four spinning drives at 0.95 of saturation went from 451 requests to 676 and 744 in the first
and the later half of what was measured of 20,000 (own trial), a ratio of 0.46. Under an overload it is 1.
"""

State = Literal["overloaded", "stable", "unclear"]


@dataclass(frozen=True, slots=True)
class Backlog:
    """What the growth of the backlog says.

    `growth` is the share of arriving requests left unserved, with the two-sided interval whose ends are the
    99.9 % bounds. `sustained` is the share that is served, by which the load must be multiplied to be
    carried; it is 1 where nothing is left. `state` is "overloaded" when the lower bound exceeds the
    threshold, over the whole window and over its later half alone, and the growth does not slacken;
    "stable" when the upper bound lies under it and the lower does not exceed 0, and "unclear" otherwise:
    the run cannot be called settled.
    """

    growth: IntervalEstimate
    sustained: float | None
    state: State

    @property
    def overloaded(self) -> bool:
        """Whether the load is more than the server can carry, beyond reasonable doubt."""
        return self.state == "overloaded"


def backlog_growth(
    arrived: Sequence[FloatArray],
    present: Sequence[FloatArray],
    threshold: float = GROWTH_THRESHOLD,
    level: float = ONE_SIDED_LEVEL,
) -> Backlog:
    """Judge by the backlog at equally spaced marks of the measured window whether a server is overloaded.

    Args:
        arrived: one array of shape (marks,) a replication, requests that have arrived by each mark.
        present: likewise, requests present plus detached work unfinished at each mark.
        threshold: share left unserved from which a server counts as overloaded.
        level: level of the one-sided bound.

    Raises:
        ValueError: no replication, fewer than two marks, shapes that differ, arrivals that decrease.
    """
    if len(arrived) != len(present) or not arrived:
        raise ValueError("arrivals and backlog of at least one replication")
    for so_far, backlog in zip(arrived, present, strict=True):
        if so_far.shape != backlog.shape or so_far.ndim != 1 or so_far.size < 2:
            raise ValueError(f"two marks or more a replication, not {so_far.shape} and {backlog.shape}")
        if (np.diff(so_far) < 0).any():
            raise ValueError("arrivals so far never decrease")
    growth = _growth(arrived, present, 2 * level - 1)
    if growth.value is None:
        return Backlog(growth, None, "unclear")
    sustained = min(1.0, max(0.0, 1 - growth.value))
    state: State = "unclear"
    if growth.low is not None and growth.high is not None:
        if growth.low > threshold:
            late = _late_growth(arrived, present, 2 * level - 1)
            is_lasting = late.low is not None and late.low > threshold
            if is_lasting and (late.value or 0.0) >= LASTING * growth.value:
                state = "overloaded"
        elif growth.low <= 0 and growth.high < threshold:
            state = "stable"
    return Backlog(growth, sustained, state)


def _growth(arrived: Sequence[FloatArray], present: Sequence[FloatArray], level: float) -> IntervalEstimate:
    """Share of the arrivals that is left over from the first to the last mark."""
    flow = [float(each[-1] - each[0]) for each in arrived]
    gain = [float(each[-1] - each[0]) for each in present]
    return sectioned_ratio(gain, flow, level=level, n=int(sum(flow)))


def _late_growth(
    arrived: Sequence[FloatArray], present: Sequence[FloatArray], level: float
) -> IntervalEstimate:
    """The same from the mark in the middle on."""
    return _growth(
        [each[(each.size - 1) // 2 :] for each in arrived],
        [each[(each.size - 1) // 2 :] for each in present],
        level,
    )
