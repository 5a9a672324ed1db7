"""How long does an amount of work take? Over the conditions in their order, what is left of each doing its part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tailrace.answer.bench import Evidence
from tailrace.answer.figures import LEVEL, finished
from tailrace.arrays import FloatArray
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.section import Sectioned
from tailrace.quantity import Quantity
from tailrace.scenario.reading.conditions import State
from tailrace.shown import told

MOST_CYCLES = 10_000
"""Cycles beyond which an amount is not followed."""


@dataclass(frozen=True)
class Work:
    """The amount of a class in bytes, and how long it takes from the beginning of the condition ``begins`` on.

    ``ends`` is the condition in which it is done, None where that is not known; ``after_s`` how long after the
    beginning of the first condition of the cycle it begins.
    """

    class_name: str
    amount: int
    begins: str
    after_s: float
    ends: str | None
    time_s: Sectioned

    @property
    def time(self) -> IntervalEstimate:
        """The time with its interval."""
        return self.time_s.estimate(LEVEL)

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        whose = {"class": self.class_name, "amount_bytes": self.amount}
        return {**whose, **told(self, "begins", "ends"), "time_s": self.time.as_dict()}


def _layered(deviations: FloatArray, count: int) -> FloatArray:
    """The mean of replications r, count + r, 2 count + r ... for each r, as `Mixture` takes them together."""
    layers = deviations.size // count
    return np.asarray(deviations[: layers * count].reshape(layers, count).mean(axis=0))


def work_of(parts: Sequence[State], evidence: Sequence[Evidence], name: str) -> Work | None:
    """The work of a class, which begins with the first condition that has it; None if it has no amount.

    Where the class is away nothing is done, and nothing is known where the server is overloaded: that counts as
    nothing. Without hours the conditions are taken as shares of the time, mixed evenly.
    """
    there = [any(each.name == name for each in part.scenario.workload) for part in parts]
    if not any(there):
        return None
    first = there.index(True)
    amount = parts[first].scenario.workload_named(name).amount
    if amount is None:
        return None
    unseen = [
        part.name
        for part, each, here in zip(parts, evidence, there, strict=True)
        if here and not each.is_known
    ]
    if unseen:
        reason = f"condition {unseen[0]} was left out"
        return Work(name, amount, parts[first].name, 0.0, None, Sectioned(None, np.zeros(1), 0, reason))
    moved = [
        each.section(name, Quantity("throughput")) if here and each.overload is None else None
        for each, here in zip(evidence, there, strict=True)
    ]
    known = [each for each in moved if each is not None]
    if not known or any(each.value is None for each in known):
        reason = next((each.reason for each in known if each.value is None), "overloaded")
        return Work(name, amount, parts[first].name, 0.0, None, Sectioned(None, np.zeros(1), 0, reason))
    count = min(each.deviations.size for each in known)
    rates = [each.value or 0.0 if each is not None else 0.0 for each in moved]
    spread = [np.zeros(count) if each is None else _layered(each.deviations, count) for each in moved]
    off_by = max(each.off_by for each in known)
    reason = next((each.reason for each in known if each.off_by == off_by), "")
    n = sum(each.n for each in known)
    weight = sum(each.weight for each in parts)
    if any(each.hours is None for each in parts):
        mean = sum(each.weight * rate for each, rate in zip(parts, rates, strict=True)) / weight
        deviations = sum(
            (each.weight / weight * one for each, one in zip(parts, spread, strict=True)), np.zeros(count)
        )
        time = finished(Sectioned(mean, deviations, n).doubted(reason, off_by), amount)
        return Work(name, amount, parts[first].name, 0.0, None, time)
    before = sum(each.lasts_s for each in parts[:first])
    done, spent, deviations = 0.0, 0.0, np.zeros(count)
    for step in range(first, first + MOST_CYCLES * len(parts)):
        place = step % len(parts)
        lasts = parts[place].lasts_s
        if rates[place] > 0 and done + rates[place] * lasts >= amount:
            last = (amount - done) / rates[place]
            time = Sectioned(spent + last, -(deviations + last * spread[place]) / rates[place], n)
            # What the rates are off by the time of moving is, at most.
            return Work(
                name, amount, parts[first].name, before, parts[place].name, time.doubted(reason, off_by)
            )
        done, spent = done + rates[place] * lasts, spent + lasts
        deviations = deviations + lasts * spread[place]
    nothing = Sectioned(None, deviations, n, "it is not done in any time worth telling")
    return Work(name, amount, parts[first].name, before, None, nothing)
