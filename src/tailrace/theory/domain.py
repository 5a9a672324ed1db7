"""Where is a formula valid? Arguments become arrays of floats or are refused with the range accepted."""

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tailrace.errors import TailraceError

Floats: TypeAlias = NDArray[np.float64]

# A scalar comes back for scalars and an array for arrays; numpy types its own ufuncs as Any for the same
# reason.
Value: TypeAlias = Any


class OutsideValidityError(TailraceError, ValueError):
    """An argument lies outside the range in which a formula holds, or a method cannot answer it correctly."""


def _refuse(name: str, values: Floats, wrong: NDArray[np.bool_] | np.bool_, accepted: str) -> None:
    if wrong.any() if values.ndim else wrong:  # most are single numbers, for which this is all the time
        worst = float(values[wrong].flat[0]) if values.ndim else float(values)
        raise OutsideValidityError(f"{name} = {worst:g}: accepted is {accepted}")


def real(name: str, value: ArrayLike) -> Floats:
    """Finite numbers of any sign."""
    values = np.asarray(value, dtype=np.float64)
    _refuse(name, values, ~np.isfinite(values), "a finite number")
    return values


def positive(name: str, value: ArrayLike) -> Floats:
    """Finite numbers above 0."""
    values = real(name, value)
    _refuse(name, values, values <= 0, "a number above 0")
    return values


def non_negative(name: str, value: ArrayLike) -> Floats:
    """Finite numbers from 0 up."""
    values = real(name, value)
    _refuse(name, values, values < 0, "0 or a number above")
    return values


def whole(name: str, value: ArrayLike, least: int = 1) -> Floats:
    """Whole numbers from `least` up, as floats."""
    values = real(name, value)
    _refuse(name, values, (values < least) | (values != np.floor(values)), f"a whole number from {least} up")
    return values


def share(name: str, value: ArrayLike) -> Floats:
    """Numbers from 0 to 1, both included."""
    values = real(name, value)
    _refuse(name, values, (values < 0) | (values > 1), "a share from 0 to 1")
    return values


def level(name: str, value: ArrayLike) -> Floats:
    """Probability levels of quantiles: from 0, included, to 1, excluded."""
    values = real(name, value)
    _refuse(name, values, (values < 0) | (values >= 1), "a probability from 0 up to but not including 1")
    return values


def stable(utilisation: ArrayLike) -> Floats:
    """Utilisations below 1, where a stationary state exists."""
    values = real("utilisation", utilisation)
    _refuse("utilisation", values, values >= 1, "below 1; at or above it the queue grows without limit")
    return values


def plain(values: ArrayLike) -> Value:
    """A zero-dimensional array as a Python float, any other array as it is."""
    array = np.asarray(values, dtype=np.float64)
    return float(array) if array.ndim == 0 else array
