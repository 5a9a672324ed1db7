"""Where does a line of a sweep bend? By name: where the p99 has doubled."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

METHOD = "p99 doubled"
"""The knee is where the p99 first exceeds twice what it is at the easiest value of the line."""


@dataclass(frozen=True)
class Knee:
    """``value`` is interpolated between the last value within and the first beyond; None, with the reason, if not."""

    value: float | None
    within: float | None
    beyond: float | None
    reason: str = ""


def knee(values: Sequence[float], p99_s: Sequence[float | None]) -> Knee:
    """The knee of a line: values in order of rising load, and the p99 at each; None where overloaded or unknown.

    Between two values the p99 is taken as a power of the value (a straight line with both axes logarithmic).
    """
    if not values or p99_s[0] is None:
        return Knee(None, None, None, "the p99 at the first value is not known")
    limit = 2 * p99_s[0]
    last, last_p99 = values[0], p99_s[0]
    for value, p99 in zip(values[1:], p99_s[1:], strict=True):
        if p99 is None:
            return Knee(None, last, value, "from there on the p99 is not known, or the server is overloaded")
        if p99 > limit:
            share = math.log(limit / last_p99) / math.log(p99 / last_p99)
            if last > 0 and value > 0:
                return Knee(last * (value / last) ** share, last, value)
            return Knee(last + share * (value - last), last, value)
        last, last_p99 = value, p99
    return Knee(None, last, None, "the p99 has not doubled by the last value")
