"""Is a target met? Met, missed, or undecided where the interval straddles the limit."""

from collections.abc import Iterable
from typing import Literal

from tailrace.measure.interval import IntervalEstimate, check_level

Verdict = Literal["met", "missed", "undecided", "overloaded", "none"]

PRECEDENCE: tuple[Verdict, ...] = ("overloaded", "missed", "undecided", "met", "none")
"""The verdicts, the one that decides for the whole first."""


def verdict(estimate: IntervalEstimate, limit: float, upper: bool = True) -> Verdict:
    """Hold an estimate against its limit.

    Args:
        estimate: the measured figure; one without an interval is undecided.
        limit: the limit, in the unit of the estimate; a figure equal to it is within.
        upper: whether the figure may be at most the limit (a latency) or must be at least that (a rate).
    """
    if estimate.low is None or estimate.high is None:
        return "undecided"
    low, high = (estimate.low, estimate.high) if upper else (-estimate.high, -estimate.low)
    bound = limit if upper else -limit
    if high <= bound:
        return "met"
    if low > bound:
        return "missed"
    return "undecided"


def bonferroni_level(level: float, statements: int) -> float:
    """Level of each of several intervals such that all hold together with probability at least `level`.

    Bonferroni's inequality. It serves several targets, and several looks at one that is not yet decided.

    Raises:
        ValueError: a level outside (0, 1), or no statement.
    """
    check_level(level)
    if statements < 1:
        raise ValueError(f"a level is shared by at least one statement, not {statements}")
    return 1 - (1 - level) / statements


def combined(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the verdict of the whole, the gravest of its parts; "none" where there are none."""
    return min(verdicts, key=PRECEDENCE.index, default="none")
