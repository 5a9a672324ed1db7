"""How long may the answers be, if all of them together must not take longer than so many seconds?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from tailrace.answer.bench import Bench
from tailrace.answer.pilot import Length
from tailrace.scenario.tables.scenario import Scenario

SHORTEST = 1_000
"""Requests of a replication below which nothing is shortened."""
TRIAL = 2_500
"""Requests of the trial that shows how fast a scenario is."""


def within_budget(
    bench: Bench, scenarios: Sequence[Scenario], wanted: Sequence[Length], seconds: float
) -> list[Length]:
    """The lengths wanted, all cut by one factor if they would take longer than what is left of the budget.

    How fast each point is shows a trial of one short replication, so that a slow point counts as what it is.
    """
    costs = []
    for scenario, length in zip(scenarios, wanted, strict=True):
        if length.overload is not None:
            costs.append(0.0)
            continue
        requests = min(TRIAL, length.requests)
        before = bench.crew.tally.work_s
        bench.samples([(scenario, range(1), requests)], "Trial")
        costs.append((bench.crew.tally.work_s - before) / requests)
    total = sum(
        cost * length.requests * length.replications for cost, length in zip(costs, wanted, strict=True)
    )
    left = (seconds - bench.crew.tally.elapsed_s) * bench.crew.executors.width
    factor = min(1.0, max(left, 0.0) / total) if total > 0 else 1.0
    return [
        replace(length, requests=requests, longest=requests if factor < 1.0 else None)
        for length in wanted
        for requests in (max(int(length.requests * factor), min(SHORTEST, length.requests)),)
    ]
