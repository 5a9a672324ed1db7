"""How long may the answers be, if all of them together must not take longer than so many seconds?"""

from __future__ import annotations

from collections.abc import Sequence

from tailrace.answer.points import Length, Points
from tailrace.scenario.tables.scenario import Scenario

SHORTEST = 1_000
"""Requests of a replication below which nothing is shortened."""
TRIAL = 2_500
"""Requests of the trial that shows how fast a scenario is."""


def within_budget(
    points: Points, scenarios: Sequence[Scenario], wanted: Sequence[Length | None], seconds: float
) -> list[Length | None]:
    """The lengths wanted, all cut by one factor if they would take longer than what is left of the budget.

    How fast each point is shows a trial of one short replication, so that a slow point counts as what it is.
    """
    costs = []
    for scenario, length in zip(scenarios, wanted, strict=True):
        if length is None:
            costs.append(0.0)
            continue
        requests = min(TRIAL, length.requests)
        before = points.bench.tally.work_s
        points.outcomes([scenario], [range(1)], [requests], "Trial")
        costs.append((points.bench.tally.work_s - before) / requests)
    total = sum(
        cost * length.requests * length.replications
        for cost, length in zip(costs, wanted, strict=True)
        if length is not None
    )
    left = (seconds - points.bench.tally.elapsed_s) * points.bench.width
    factor = min(1.0, max(left, 0.0) / total) if total > 0 else 1.0
    return [
        None
        if length is None
        else Length(
            max(int(length.requests * factor), min(SHORTEST, length.requests)),
            length.replications,
            length.supported,
        )
        for length in wanted
    ]
