"""Short names for the array types that pass between the floors, and the running sum that several of them need."""

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]


def running_before(group: IntArray, amount: IntArray, totals: IntArray) -> IntArray:
    """What each group had gathered before each entry, in order; ``totals`` (one entry a group) is brought up to date.

    ``group`` and ``amount`` have the shape (m,), as has the result.
    """
    order = np.argsort(group, kind="stable")
    sorted_group, sorted_amount = group[order], amount[order]
    after = np.cumsum(sorted_amount)
    first = np.flatnonzero(np.diff(sorted_group, prepend=-1))
    counts = np.diff(first, append=group.size)
    base = (after - sorted_amount)[first]
    sorted_before = after - sorted_amount - np.repeat(base, counts) + totals[sorted_group]
    last = first + counts - 1
    totals[sorted_group[last]] = sorted_before[last] + sorted_amount[last]
    before = np.empty_like(amount)
    before[order] = sorted_before
    return before
