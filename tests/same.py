"""What has to be the same to the last bit: compared whole, and where it is not, told by its first difference alone.

pytest would look for all differences, line by line, which takes gigabytes where a run is long.
"""

import numpy as np
import pytest
from numpy.typing import ArrayLike

from tailrace.engine.observations import Observations

COLUMNS = (
    "class_index",
    "client",
    "kind",
    "size_bytes",
    "arrival_s",
    "completion_s",
    "wait_s",
    "service_s",
)
MARK_COLUMNS = ("time_s", "arrived", "present", "detached", "busy_s", "waiting_s")


def assert_same(one: Observations, other: Observations) -> None:
    """Both runs ended alike, and every column and mark is the same to the last bit (NaN is the same as NaN)."""
    ended = one.complete, other.complete
    assert ended[0] == ended[1]
    for name in COLUMNS:
        assert_equal(getattr(one, name), getattr(other, name), name)
    for name in MARK_COLUMNS:
        assert_equal(getattr(one.marks, name), getattr(other.marks, name), f"marks.{name}")


def assert_equal(one: ArrayLike, other: ArrayLike, name: str) -> None:
    """Two arrays of one type and shape, with the same values, NaN and NaN being the same."""
    difference = first_difference(np.asarray(one), np.asarray(other))
    if difference is not None:
        pytest.fail(f"{name}: {difference}", pytrace=True)


def first_difference(one: np.ndarray, other: np.ndarray) -> str | None:
    """Where two arrays differ first and by what, in words; None where they do not."""
    if (one.dtype, one.shape) != (other.dtype, other.shape):
        return f"{one.dtype} of shape {one.shape}, but {other.dtype} of shape {other.shape}"
    if np.array_equal(one, other, equal_nan=one.dtype.kind == "f"):
        return None
    unlike = one != other
    if one.dtype.kind == "f":
        unlike &= ~(np.isnan(one) & np.isnan(other))
    at = tuple(int(place) for place in np.argwhere(unlike)[0])
    return f"{int(unlike.sum())} of {one.size} differ, first [{', '.join(map(str, at))}]: {one[at]!r} and {other[at]!r}"
