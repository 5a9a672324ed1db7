"""Which description of a drive do measured points support? That which predicts each point best from the others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tailrace.engine.choice import Engine
from tailrace.fit.by_depth import calibrate_measured
from tailrace.fit.calibration import Calibration, calibrate
from tailrace.fit.left_out import apart
from tailrace.fit.measured import KINDS, Media
from tailrace.scenario.tables.points import MeasuredPoint

SUPPORTED = 0.15
"""Median distance of points left out, from which on the points support no description."""

AS_GOOD = 0.01
"""Difference of these medians below which descriptions are as good as each other."""


@dataclass(frozen=True)
class Candidate:
    """One kind of media fitted to the points, or ``reason`` why not."""

    kind: str
    fitted: Calibration | None
    reason: str = ""

    @property
    def median(self) -> float:
        """Median distance of what was left out, of means where there are any; infinite where nothing is known."""
        if self.fitted is None:
            return float("inf")
        of_means, of_quantiles = (apart(self.fitted.left_out, each) for each in (True, False))
        known = of_means if of_means.size else of_quantiles
        return float(np.median(known)) if known.size else float("inf")


def fit_kind_of(
    kind: str, start: Media | None, points: Sequence[MeasuredPoint], seed: int, engine: Engine | None
) -> Candidate:
    """Fit one kind; those with parts begin at ``start``."""
    try:
        if start is None:
            return Candidate(kind, calibrate_measured(points, seed, engine))
        return Candidate(kind, calibrate(start, points, None, seed, engine))
    except ValueError as error:
        return Candidate(kind, None, str(error))


def ranked(
    points: Sequence[MeasuredPoint],
    starts: Mapping[str, Media],
    seed: int = 1,
    engine: Engine | None = "reference",
) -> tuple[Candidate, ...]:
    """All kinds fitted, that which predicts points left out best first; ``starts`` by kind, for those with parts.

    Of descriptions as good as each other that with parts goes first: it says more of what was not measured.
    """
    found = [fit_kind_of(kind, starts.get(kind), points, seed, engine) for kind in KINDS]
    found.sort(key=lambda each: each.median)
    best = found[0].median
    with_parts = [each for each in found if each.kind in starts and each.median <= best + AS_GOOD]
    if with_parts and np.isfinite(best):
        found.remove(with_parts[0])
        found.insert(0, with_parts[0])
    return tuple(found)
