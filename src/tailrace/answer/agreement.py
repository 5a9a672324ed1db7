"""Do simulation and closed forms agree where the closed form is exact?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tailrace.answer.figures import LEVEL
from tailrace.answer.result import ClassResult
from tailrace.forecast.result import Theory
from tailrace.measure.interval import IntervalEstimate, student_quantile

ERRORS = 4.0
"""Standard errors beyond which a difference is no chance: of the 95 % intervals one in twenty would cry wolf."""

LEAST_REPLICATIONS = 8
"""Replications below which the standard error itself is too uncertain."""


def disagreements(theory: Theory, classes: Sequence[ClassResult], replications: int) -> tuple[str, ...]:
    """A warning for each simulated figure that lies too far from its exact value."""
    if replications < LEAST_REPLICATIONS:
        return ()
    return tuple(
        _warning(result.name, quantity, estimate, exact, errors, theory.classes[result.name].method)
        for result in classes
        if result.name in theory.classes
        for quantity, estimate, exact in _exact_figures(result, theory)
        if (errors := standard_errors(estimate, exact, replications)) > ERRORS
    )


def standard_errors(estimate: IntervalEstimate, exact: float, replications: int) -> float:
    """How far a 95 % estimate lies from a value, in its standard errors; 0 where there is no interval."""
    if estimate.value is None or not estimate.half_width:
        return 0.0
    return abs(estimate.value - exact) / (estimate.half_width / student_quantile(LEVEL, replications - 1))


def _exact_figures(result: ClassResult, theory: Theory) -> Iterator[tuple[str, IntervalEstimate, float]]:
    known = theory.classes[result.name]
    if known.exact_mean and known.mean_s is not None:
        yield "mean", result.all.latency_s["mean"], known.mean_s
    if known.exact_p99 and known.p99_s is not None:
        yield "p99", result.all.latency_s["p99"], known.p99_s


def _warning(
    name: str, quantity: str, estimate: IntervalEstimate, exact: float, errors: float, method: str
) -> str:
    assert estimate.value is not None
    share = estimate.value / exact - 1
    return (
        f"Warning: the simulated {quantity} of class {name!r} is {abs(share):.2%} ({errors:.1f} standard errors) "
        f"{'above' if share > 0 else 'below'} its exact value by closed form ({method}). "
        "The run is too short, or one of the two is wrong."
    )
