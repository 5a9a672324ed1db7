"""How long may the answers be, if all of them together must not take longer than so many seconds?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from tailrace.answer.bench import Bench
from tailrace.answer.pilot import POINT, Length, lengths
from tailrace.measure.length import PILOT_REPLICATIONS, PILOT_START
from tailrace.scenario.tables.scenario import Scenario

SHORTEST = 1_000
"""Requests of a replication below which nothing is shortened, and of the trial that shows how fast a scenario is."""
FEWEST = 4
"""Replications from which on an interval is given, where even the shortest are too many."""
STARTING_S = 2.0
"""Seconds until processes that are still to be started do something."""
TRIALS = 0.1
"""Share of a budget that trials may take; points that are left then are taken to be as fast as the nearest tried."""
PILOTS = 0.3
"""Share of a budget that pilots may take; what they would find is not worth more."""
DOUBLING = 3.0
"""Times its own time that there has to be for all that is asked, so that runs that are not settled may be doubled."""


def within_budget(bench: Bench, scenarios: Sequence[Scenario], seconds: float) -> tuple[list[Length], str]:
    """Lengths of the answers such that all of them take about so long, and what that costs in words.

    How fast each point is shows a trial of one short replication, so that a slow point counts as what it is, as far
    as there is time. Pilots say how long the answers would have to be, as far as their share of the budget goes; then
    all are cut by one factor.
    """
    running = [each for each in scenarios if bench.asked_too_much(each) is None]
    costs = _costs(bench, running, TRIALS * seconds)
    width = bench.crew.executors.width
    pilots = PILOT_REPLICATIONS * sum(
        costs[each.simulated_digest] * min(PILOT_START, each.run.budget) for each in running
    )
    most = PILOTS * seconds * width
    wanted = lengths(bench, scenarios, POINT, most) if pilots <= most else _unpiloted(bench, scenarios)
    starting = STARTING_S if bench.crew.executors.begins_processes else 0.0
    left = max(seconds - bench.crew.tally.elapsed_s - starting, 0.0) * width
    total = sum(
        costs[scenario.simulated_digest] * length.requests * length.replications
        for scenario, length in zip(scenarios, wanted, strict=True)
        if length.overload is None
    )
    factor = min(1.0, left / total) if total > 0 else 1.0
    cut = [_cut(each, factor, fixed=DOUBLING * total > left) for each in wanted]
    return cut, _said(wanted, cut, pilots <= most)


def _costs(bench: Bench, scenarios: Sequence[Scenario], seconds: float) -> dict[str, float]:
    """Seconds of work for a request of each scenario, by its digest; trials go on for so many seconds."""
    until = bench.crew.tally.elapsed_s + seconds
    tried: dict[int, float] = {}
    for place in spread_out(len(scenarios)):
        if tried and bench.crew.tally.elapsed_s > until:
            break
        requests = min(SHORTEST, scenarios[place].run.budget)
        before = bench.crew.tally.work_s
        bench.samples([(scenarios[place], range(1), requests)], "Trial")
        tried[place] = (bench.crew.tally.work_s - before) / requests
    nearest = (min(tried, key=partial(_apart, place)) for place in range(len(scenarios)))
    return {each.simulated_digest: tried[at] for each, at in zip(scenarios, nearest, strict=True)}


def _apart(one: int, other: int) -> int:
    return abs(one - other)


def spread_out(count: int) -> list[int]:
    """The places 0 .. count - 1, so that the first few of them lie far apart.

    >>> spread_out(9)
    [0, 8, 4, 2, 6, 1, 3, 5, 7]
    """
    step = 1 << max(count - 1, 1).bit_length()
    found = dict.fromkeys([0, count - 1] if count else [])
    while step > 1:
        found |= dict.fromkeys(range(step // 2, count, step))
        step //= 2
    return list(found)


def _cut(length: Length, factor: float, fixed: bool) -> Length:
    """A share of all the requests: shorter replications, and fewer where these would be shorter than the shortest."""
    requests = max(int(length.requests * factor), min(SHORTEST, length.requests))
    share = min(factor * length.requests / requests, 1.0) if requests else 1.0
    fewer = max(int(length.replications * share), min(FEWEST, length.replications))
    return replace(length, requests=requests, replications=fewer, longest=requests if fixed else None)


def _unpiloted(bench: Bench, scenarios: Sequence[Scenario]) -> list[Length]:
    """As long as scenarios allow, where there is no time to find how long they have to be."""
    return [
        Length(each.run.budget, each.run.replications, overload=bench.asked_too_much(each))
        for each in scenarios
    ]


def _said(wanted: Sequence[Length], cut: Sequence[Length], piloted: bool) -> str:
    """What the budget cost in precision; nothing where it was enough."""
    both = [(long, short) for long, short in zip(wanted, cut, strict=True) if long.overload is None]
    shares = [
        short.requests * short.replications / (long.requests * long.replications) for long, short in both
    ]
    least = min(shares, default=1.0)
    if least >= 1.0:
        return ""
    _, short = both[shares.index(least)]
    runs = f"the shortest are {short.replications} replications of {short.requests:,} requests"
    if short.replications <= FEWEST and short.requests <= SHORTEST:
        runs += ", the fewest there are, so that it may have taken longer"
    if not piloted:
        return (
            f"The budget left no time to find how long runs have to be for the precision asked for: {runs}."
        )
    return (
        f"The budget cut the runs to {100 * least:.2g} % of what the precision asked for takes: intervals are about "
        f"{1 / math.sqrt(least):.2g} times as wide; {runs}."
    )
