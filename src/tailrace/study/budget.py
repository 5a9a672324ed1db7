"""How long may the answers be, if all of them together must not take longer than so many seconds?"""

from __future__ import annotations

import math
import time
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

from tailrace.answer.bench import Bench
from tailrace.answer.pilot import POINT, Length, lengths
from tailrace.crew.executors import available_cores
from tailrace.measure.length import PILOT_REPLICATIONS, PILOT_START
from tailrace.scenario.tables.scenario import Scenario

SHORTEST = 1_000
"""Requests of a replication below which nothing is shortened, and of the trial that shows how fast a scenario is."""
LONGER = 16_000
"""Requests of a second trial, where there is time: every replication takes some time for itself, however short."""
STEPS = 2**30
"""Steps in which a factor is looked for."""
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


@dataclass(frozen=True)
class Pace:
    """Seconds of work that a replication takes, whatever its length, and for each of its requests."""

    each_s: float
    request_s: float

    @classmethod
    def of(cls, short: tuple[int, float], long: tuple[int, float] | None = None) -> Pace:
        """By one trial, or two: requests and seconds.

        What disturbs the short one must not make the requests seem free: they take some of the time of the long one.
        """
        if long is None or long[0] <= short[0]:
            return cls(0.0, short[1] / short[0])
        per_request = max((long[1] - short[1]) / (long[0] - short[0]), long[1] / long[0] / 4)
        return cls(max(long[1] - per_request * long[0], 0.0), per_request)

    def work_s(self, replications: int, requests: int) -> float:
        """Seconds of work that so many replications of so many requests take."""
        return replications * (self.each_s + self.request_s * requests)


def within_budget(
    bench: Bench, scenarios: Sequence[Scenario], seconds: float, began: float
) -> tuple[list[Length], str]:
    """Lengths of the answers such that all of them take about so long, and what that costs in words.

    How fast each point is show trials of one replication, so that a slow point counts as what it is, as far as there
    is time. Pilots say how long the answers would have to be, as far as their share of the budget goes; then all are
    cut by one factor. ``began`` is when the budget began to run, by `time.perf_counter`.
    """
    running = [each for each in scenarios if bench.asked_too_much(each) is None]
    paces = _paces(bench, running, TRIALS * seconds)
    executors = bench.crew.executors
    # More processes than cores take turns.
    width = executors.width if executors.is_elsewhere else min(executors.width, available_cores())
    pilots = sum(
        paces[each.simulated_digest].work_s(PILOT_REPLICATIONS, min(PILOT_START, each.run.budget))
        for each in running
    )
    most = PILOTS * seconds * width
    wanted = lengths(bench, scenarios, POINT, most) if pilots <= most else _unpiloted(bench, scenarios)
    starting = STARTING_S if executors.begins_processes else 0.0
    left = max(seconds - (time.perf_counter() - began) - starting, 0.0) * width
    total = _work_s(scenarios, wanted, paces)
    cut = _fitting(scenarios, wanted, paces, left, fixed=DOUBLING * total > left)
    return cut, _said(wanted, cut, pilots <= most)


def _work_s(scenarios: Sequence[Scenario], wanted: Sequence[Length], paces: Mapping[str, Pace]) -> float:
    return sum(
        paces[scenario.simulated_digest].work_s(length.replications, length.requests)
        for scenario, length in zip(scenarios, wanted, strict=True)
        if length.overload is None
    )


def _fitting(
    scenarios: Sequence[Scenario],
    wanted: Sequence[Length],
    paces: Mapping[str, Pace],
    work_s: float,
    fixed: bool,
) -> list[Length]:
    """The lengths, all cut by the one factor with which they take so much work; by halving, since what is cut to the
    shortest takes no less.
    """

    def cut(steps: int) -> list[Length]:
        return [_cut(each, steps / STEPS, fixed) for each in wanted]

    fit = bisect_right(range(STEPS + 1), work_s, key=lambda steps: _work_s(scenarios, cut(steps), paces))
    return cut(max(fit - 1, 0))


def _paces(bench: Bench, scenarios: Sequence[Scenario], seconds: float) -> dict[str, Pace]:
    """How fast each scenario is, by its digest; trials go on for so many seconds."""
    until = time.perf_counter() + seconds
    short: dict[int, tuple[int, float]] = {}
    for place in spread_out(len(scenarios)):
        if short and time.perf_counter() > until:
            break
        short[place] = _tried(bench, scenarios[place], SHORTEST)
    found = {place: Pace.of(each) for place, each in short.items()}
    for place, each in short.items():
        there_is = (until - time.perf_counter()) / found[place].request_s if each[1] > 0.0 else math.inf
        if there_is > 2 * SHORTEST:
            found[place] = Pace.of(each, _tried(bench, scenarios[place], int(min(LONGER, there_is))))
    nearest = (min(found, key=partial(_apart, place)) for place in range(len(scenarios)))
    return {each.simulated_digest: found[at] for each, at in zip(scenarios, nearest, strict=True)}


def _tried(bench: Bench, scenario: Scenario, requests: int) -> tuple[int, float]:
    """Requests of a trial, and the seconds that it took."""
    requests, before = min(requests, scenario.run.budget), bench.crew.tally.work_s
    bench.samples([(scenario, range(1), requests)], "Trial")
    return requests, bench.crew.tally.work_s - before


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
