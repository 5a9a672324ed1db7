"""How long must a run be? The pilot decides the length of the answer; the answer's own width never does.

A run that goes on until its own interval is narrow stops when the spread happens to look small, and such
intervals hold too seldom. So a pilot of a few replications is doubled until its interval is fair, then
thrown away, and fresh replications are made once, of the length that the pilot calls for.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Literal

from tailrace.measure.interval import IntervalEstimate, check_level, student_quantile
from tailrace.measure.section import MINIMUM_EXCURSIONS, PLANNED_EXCURSIONS

PILOT_REPLICATIONS = 8
PILOT_START = 2_500
"""Requests in each replication of the first pilot."""
PILOT_PRECISION = 0.10
"""Relative half-width of the target quantile at which a pilot is good enough to plan by."""
ANSWER_REPLICATIONS = 16
ANSWER_START = 40_000
"""Fewest requests in each replication of the answer, budget permitting: enough for the p99.9 of the reads of a lightly
loaded server."""
DOUBLINGS = 3
STUCK = 0.75
"""What is left of a half-width after so many doublings of the pilot, if they do not help."""
MARGIN = 2.2
"""Extra length, because the pilot's half-width has only seven degrees of freedom.

The squared widths of answer and pilot are as F(15, 7), so that 85 % of the answers reach the
precision; 47 % would without it (derived).
"""

StoppedBy = Literal["precision", "budget", "fixed", "decided"]


def next_pilot_length(requests: int | None = None) -> int:
    """Requests a replication of the next pilot: the first one, or twice the last.

    Raises:
        ValueError: the last length was not positive.
    """
    if requests is None:
        return PILOT_START
    if requests < 1:
        raise ValueError(f"a pilot has requests, not {requests}")
    return 2 * requests


def pilot_done(*targets: IntervalEstimate, precision: float = PILOT_PRECISION) -> bool:
    """Whether every target quantile is supported, and its relative half-width under `precision`.

    Raises:
        ValueError: no target at all: there is always one, the p99 if nothing else.
    """
    if not targets:
        raise ValueError("a pilot is judged by at least one quantile")
    widths = [target.relative_half_width for target in targets]
    return all(width is not None and width < precision for width in widths)


def longer_helps(half_widths: Sequence[float]) -> bool:
    """Whether doubling the pilot still narrows its interval, from the half-widths of all pilots so far.

    Three doublings should bring it to 0.35 of what it was, give or take a third. If it has stayed above
    0.75, what differs between the replications is drawn once in each (the beats of regular clients, say),
    and it takes more replications, not longer ones.

    Args:
        half_widths: relative half-width at each length, in order, supported or not.
    """
    return len(half_widths) <= DOUBLINGS or half_widths[-1] <= STUCK * half_widths[-1 - DOUBLINGS]


def answer_replications(pilot_half_width: float, precision: float, least: int, most: int) -> int:
    """Replications of the answer where longer ones do not help: 2.2 * 0.41 * 16 * (h / precision)^2.

    Args:
        pilot_half_width: relative half-width h of the pilot.
        precision: relative half-width wanted.
        least: fewest replications.
        most: most replications, if that is more.

    Raises:
        ValueError: a figure that is not positive, other than a half-width of 0.
    """
    if not (pilot_half_width >= 0 and precision > 0 and least > 0):
        raise ValueError(f"figures are positive, not {pilot_half_width}, {precision} and {least}")
    wanted = MARGIN * interval_shrinkage() * ANSWER_REPLICATIONS * (pilot_half_width / precision) ** 2
    return max(least, math.ceil(min(most, wanted)))


def planned_excursions(pilot: Mapping[float, IntervalEstimate]) -> dict[float, int]:
    """Fewest excursions to ask of the answer, by probability: few for a quantile that the pilot supported.

    Args:
        pilot: the pilot's quantiles by probability; the answer's replications are at least as long as the
        pilot's.
    """
    return {
        p: MINIMUM_EXCURSIONS if quantile.value is None else PLANNED_EXCURSIONS
        for p, quantile in pilot.items()
    }


def interval_shrinkage(
    before: int = PILOT_REPLICATIONS, after: int = ANSWER_REPLICATIONS, level: float = 0.95
) -> float:
    """Share of the length that gives `after` replications the half-width of `before`.

    A half-width is t(R-1) s / sqrt(R n): at equal half-width n is as (t(R-1))^2 / R. For 8 and 16 it is 0.41.
    """
    check_level(level)
    wide = student_quantile(level, before - 1) ** 2 / before
    return student_quantile(level, after - 1) ** 2 / after / wide


def answer_length(
    pilot_requests: int,
    width_ratio: float,
    budget: int,
    least: int = 1,
    replications: int = ANSWER_REPLICATIONS,
) -> int:
    """Requests a replication of the answer: the most of n, 2.2 * 0.41 * n * (h / wanted)^2 and the least.

    Never more than the budget. The factor 0.41 is that of 16 replications.

    Args:
        pilot_requests: requests n in each replication of the pilot.
        width_ratio: half-width h over the one wanted, of the target that needs most.
        budget: most requests in each replication of the answer.
        least: fewest requests in each, budget permitting.
        replications: how many the answer will have.

    Raises:
        ValueError: a figure that is not positive, other than a ratio of 0.
    """
    if pilot_requests < 1 or budget < 1 or least < 1:
        raise ValueError(f"lengths are positive, not {pilot_requests}, {budget} and {least}")
    if not width_ratio >= 0:
        raise ValueError(f"a ratio of half-widths is positive, not {width_ratio}")
    wanted = MARGIN * interval_shrinkage(after=replications) * pilot_requests * width_ratio**2
    # the least of both first: an infinite half-width asks for the whole budget
    return max(1, math.ceil(min(budget, max(pilot_requests, least, wanted))))


def stopped_by(target: IntervalEstimate, precision: float | None) -> StoppedBy:
    """Say what ended a run: its precision was reached, the budget was used up, or the length was given.

    Args:
        target: the answer's estimate of the target that is widest.
        precision: relative half-width wanted, or None where the length was given.
    """
    if precision is None:
        return "fixed"
    width = target.relative_half_width
    return "precision" if width is not None and width <= precision else "budget"
