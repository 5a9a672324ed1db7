"""How well is each point predicted by the others? That, not the fit, is what a description is worth."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.scenario.tables.points import MeasuredPoint

MEANS = ("mean", "throughput")
"""Quantities by which descriptions are ranked: quantiles follow from them and a law."""

Refit = Callable[[Sequence[int]], Sequence[dict[str, float]] | None]
"""From the places of the points that are kept to the logarithms of what all points then would have; None: no fit."""


@dataclass(frozen=True)
class Residual:
    """One measured quantity beside the fitted one, in SI; ``log_difference`` is ln(fitted/measured)."""

    point: MeasuredPoint
    quantity: str
    measured: float
    fitted: float
    log_difference: float

    @property
    def apart(self) -> float:
        """How far the fitted value lies from the measured one, as a share of this."""
        return math.expm1(self.log_difference)


def left_out(points: Sequence[MeasuredPoint], refit: Refit) -> tuple[Residual, ...]:
    """Each condition with all of its points left out in turn, and predicted by a fit to the others.

    Where it was measured more than once, ``measured`` is the geometric mean: what could be predicted at best.
    """
    found = []
    for places in _by_condition(points):
        predicted = refit([place for place in range(len(points)) if place not in places])
        if predicted is None:
            continue
        first = points[places[0]]
        for name in first.measured:
            if name == "throughput" and first.queue_depth is None:
                continue  # what is asked for at a rate is done at it: nothing is predicted
            logs = [math.log(points[p].measured[name]) for p in places if name in points[p].measured]
            measured, told = sum(logs) / len(logs), predicted[places[0]][name]
            if not math.isfinite(told):  # nothing is left of its kind
                continue
            found.append(Residual(first, name, math.exp(measured), math.exp(told), told - measured))
    return tuple(found)


def repeated(points: Sequence[MeasuredPoint]) -> float | None:
    """Root mean square by which measurements of one condition lie from their mean, in the logarithm; None without any.

    Of mean and throughput; by the degrees of freedom that are left.
    """
    squares, freedom = 0.0, 0
    for places in _by_condition(points):
        for name in MEANS:
            logs = np.log([points[p].measured[name] for p in places if name in points[p].measured])
            if logs.size > 1:
                squares += float(np.sum((logs - logs.mean()) ** 2))
                freedom += logs.size - 1
    return math.sqrt(squares / freedom) if freedom else None


def apart(residuals: Iterable[Residual], of_means: bool) -> FloatArray:
    """How far values lie from measured ones, as shares of these above 0: of means and throughputs, or of quantiles."""
    return np.array([abs(each.apart) for each in residuals if (each.quantity in MEANS) == of_means])


def _by_condition(points: Sequence[MeasuredPoint]) -> list[list[int]]:
    places: dict[object, list[int]] = {}
    for place, point in enumerate(points):
        places.setdefault(point.condition, []).append(place)
    return list(places.values())
