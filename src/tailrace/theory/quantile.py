"""At which time does a tail fall to a given level? Bracketing and bisection over whole arrays."""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from tailrace.theory.domain import Floats, OutsideValidityError


def solve_tail(tail: Callable[[Floats], Floats], target: Floats, scale: ArrayLike) -> Floats:
    """Smallest t with tail(t) <= target, element by element, to the last bits.

    `tail` maps an array of times of the broadcast shape to P(T > t), falling to 0; `scale` is a positive
    time of the order of the answer. Where tail(0) <= target already (an atom at zero), the answer is 0.
    Bisection: slow and sure, about sixty evaluations.

    Raises OutsideValidityError if the tail does not fall below the target within 2**200 scales.
    """
    target, high = (np.array(a, dtype=np.float64) for a in np.broadcast_arrays(target, scale))
    low = np.zeros_like(high)
    at_zero = tail(low) <= target
    for _ in range(200):
        above = (tail(high) > target) & ~at_zero
        if not above.any():
            break
        low = np.where(above, high, low)
        high = np.where(above, 2 * high, high)
    else:
        raise OutsideValidityError("the tail does not fall to the level asked for")
    while True:
        middle = low + (high - low) / 2
        # The interval is exhausted when its middle is one of its ends.
        if np.all((middle <= low) | (middle >= high) | (high - low <= 4 * np.finfo(float).eps * high)):
            return np.where(at_zero, 0.0, high)
        above = tail(middle) > target
        low = np.where(above, middle, low)
        high = np.where(above, high, middle)


def solve_tail_once(tail: Callable[[float], float], target: float, scale: float) -> float:
    """As solve_tail for one number and an expensive continuous tail, by Brent's method to 1e-12 relative.

    Raises OutsideValidityError if the tail does not fall below the target within 2**60 scales.
    """
    if tail(0.0) <= target:
        return 0.0
    low, high = 0.0, scale
    for _ in range(60):
        if tail(high) <= target:
            return float(brentq(lambda t: tail(t) - target, low, high, xtol=1e-14 * high, rtol=1e-12))
        low, high = high, 2 * high
    raise OutsideValidityError("the tail does not fall to the level asked for")
