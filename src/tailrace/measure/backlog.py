"""Is the server overloaded? Growth of the backlog over the measured window, judged over the replications."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.measure.estimate import Estimate
from tailrace.measure.section import sectioned_ratio

GROWTH_THRESHOLD = 0.01
"""Share of the arriving requests that may be left unserved before a server counts as overloaded."""
ONE_SIDED_LEVEL = 0.999

State = Literal["overloaded", "stable", "unclear"]


@dataclass(frozen=True, slots=True)
class Backlog:
    """What the growth of the backlog says.

    `growth` is the share of arriving requests left unserved, with the two-sided interval whose lower end is
    the 99.9 % bound. `sustained` is the share that is served, the factor by which the load must be
    multiplied to be carried; it is 1 where nothing is left. `state` is "overloaded" when the lower bound
    exceeds the threshold, "stable" when the upper bound lies under it, "unclear" between.
    """

    growth: Estimate
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
    flow, gain = [], []
    for so_far, backlog in zip(arrived, present, strict=True):
        if so_far.shape != backlog.shape or so_far.ndim != 1 or so_far.size < 2:
            raise ValueError(f"two marks or more a replication, not {so_far.shape} and {backlog.shape}")
        if (np.diff(so_far) < 0).any():
            raise ValueError("arrivals so far never decrease")
        flow.append(float(so_far[-1] - so_far[0]))
        gain.append(float(backlog[-1] - backlog[0]))
    growth = sectioned_ratio(gain, flow, level=2 * level - 1, n=int(sum(flow)))
    if growth.value is None:
        return Backlog(growth, None, "unclear")
    sustained = min(1.0, max(0.0, 1 - growth.value))
    if growth.low is None or growth.high is None:
        return Backlog(growth, sustained, "unclear")
    if growth.low > threshold:
        return Backlog(growth, sustained, "overloaded")
    return Backlog(growth, sustained, "stable" if growth.high < threshold else "unclear")
