"""At which time does a tail fall to a given level? Bracketing, bisection and inverse interpolation."""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

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


def solve_tail_once(
    tail: Callable[[float], float], target: float, scale: float, precision: float = 1e-13
) -> float:
    """As solve_tail for one number and an expensive tail, by `find_root` to the relative precision.

    Raises OutsideValidityError if the tail does not fall below the target within 2**60 scales.
    """
    if tail(0.0) <= target:
        return 0.0
    # Tails are nearly exponential: in logarithms a straight line, which interpolation finds at once.
    floor = 1e-6 * target
    low, high = 0.0, scale
    for _ in range(60):
        if tail(high) <= target:
            return find_root(lambda t: math.log(max(tail(t), floor) / target), low, high, precision)
        low, high = high, 2 * high
    raise OutsideValidityError("the tail does not fall to the level asked for")


def find_root(function: Callable[[float], float], low: float, high: float, precision: float = 1e-13) -> float:
    """Where a function of one number changes sign between two ends of different sign, to the relative precision.

    Inverse quadratic interpolation where it is safe, bisection elsewhere. At a jump over zero, the place of
    the jump.
    Source: T. R. Chandrupatla, A new hybrid quadratic/bisection algorithm for finding the zero of a nonlinear
    function without using derivatives, Advances in Engineering Software 28, 1997 (from memory).
    """
    a, b = high, low
    at_a, at_b = function(a), function(b)
    c, at_c = b, at_b
    share = 0.5
    while True:
        middle = a + share * (b - a)
        at_middle = function(middle)
        if (at_middle > 0) == (at_a > 0):
            c, at_c = a, at_a
        else:
            c, b, at_c, at_b = b, a, at_b, at_a
        a, at_a = middle, at_middle
        best = a if abs(at_a) < abs(at_b) else b
        # By the larger end, or a step could be lost in rounding.
        limit = 0.5 * (precision * max(abs(a), abs(b)) + 1e-300) / (abs(b - a) + 1e-300)
        if limit >= 0.499 or at_a == 0 or at_b == 0:
            return best
        xi, phi = (a - b) / (c - b), (at_a - at_b) / (at_c - at_b)
        share = 0.5
        if phi**2 < xi and (1 - phi) ** 2 < 1 - xi:
            share = at_a / (at_b - at_a) * at_c / (at_b - at_c) + (c - a) / (b - a) * at_a / (
                at_c - at_a
            ) * at_b / (at_c - at_b)
        share = min(max(share, limit), 1 - limit)
