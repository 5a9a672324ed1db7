"""What does a store hold of a study that is not finished? The points of a sweep, as far as their runs are."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.metadata import version
from typing import Any

from tailrace.answer.figures import LEVEL
from tailrace.answer.sample import Sample
from tailrace.crew.store import Store, Study
from tailrace.measure.length import PILOT_REPLICATIONS
from tailrace.quantity import LATENCIES, RATES, Quantity
from tailrace.study.sweep import figure_columns

STATISTICS = (*RATES, *LATENCIES)


def unfinished_rows(store: Store, study: Study) -> list[dict[str, Any]]:
    """Rows like those of the finished sweep, of points with two finished replications of their answer or more.

    No verdict is given. Empty for another kind of study, whose points follow from one another.
    """
    points = study.asked.get("decided", {}).get("points", [])
    return [row for point in points for row in _rows(store, study, point)]


def _rows(store: Store, study: Study, point: dict[str, Any]) -> Iterator[dict[str, Any]]:
    found = store.outcomes(point["task"], study.asked["seed"], study.asked["version"], PILOT_REPLICATIONS)
    sample = Sample(found)
    if len(sample) < 2 or not sample.complete:
        return
    for name in point["classes"]:
        figures = ((each, sample.section(name, Quantity(each)).estimate(LEVEL)) for each in STATISTICS)
        yield {
            "scenario": point["scenario"],
            **point["values"],
            "class": name,
            "verdict": "not finished",
            "overloaded_station": None,
            "requests": sum(part.requests for part in sample.totals(name, "all")),
            "replications": len(sample),
            **figure_columns(figures),
            "seed": study.asked["seed"],
            "version": version("tailrace"),
            "digest": point["digest"],
        }
