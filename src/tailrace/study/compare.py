"""Which design is better, by how much, and how many of the one are needed to do what the other does?

All designs carry the same requests: replication r has the same random numbers in each. So figures move together, and
a difference is known better than either figure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from tailrace.answer.answers import answered
from tailrace.answer.bench import Bench, Evidence, bench_for
from tailrace.answer.figures import LEVEL
from tailrace.answer.mixture import Mixture
from tailrace.answer.pilot import ANSWER, lengths
from tailrace.answer.result import Result
from tailrace.answer.run import result_of
from tailrace.answer.sample import Sample
from tailrace.answer.together import OVER_ALL, Together, joint_limits, own_limits
from tailrace.crew.crew import Crew
from tailrace.crew.progress import Watch
from tailrace.errors import SettingError
from tailrace.measure.length import ANSWER_START, PILOT_REPLICATIONS
from tailrace.measure.paired import Paired, paired_sections
from tailrace.measure.section import Sectioned
from tailrace.measure.verdict import Verdict, combined
from tailrace.quantity import Kind, Quantity
from tailrace.scenario.reading.conditions import State, alone, states
from tailrace.scenario.reading.read import Given, named
from tailrace.scenario.tables.cost import Cost, cost
from tailrace.scenario.tables.scenario import Scenario
from tailrace.shown import Shown

if TYPE_CHECKING:
    import pandas as pd

SEARCH_REQUESTS = 20_000
"""Requests in each replication by which the largest load is looked for."""
SEARCH_REPLICATIONS = 4
CLOSE = 1.02
"""Ratio of a load that misses its targets to one that meets them at which the search ends."""
SMALLEST_LOAD = 1 / 1024


@dataclass(frozen=True)
class Difference:
    """One figure of a design against that of the first: ``paired.difference`` in SI units, ``paired.ratio``."""

    design: str
    class_name: str
    kind: Kind
    quantity: str
    paired: Paired

    @property
    def column(self) -> str:
        """The name of the difference in tables and documents, with its unit."""
        return "difference_per_s" if Quantity(self.quantity).is_rate else "difference_s"


@dataclass(frozen=True)
class Design:
    """One of the designs compared.

    ``carries`` is the largest factor by which its open load can be multiplied with every target still met, to within
    2 % and by values, not by intervals; None with a reason in ``unknown`` where there is no such factor. ``boxes`` is
    how many of these, sharing the load evenly, do at the targets what one of the first design does.
    """

    name: str
    result: Result
    cost: Cost
    carries: float | None
    unknown: str
    boxes: int | None

    def row(self) -> dict[str, Any]:
        """All but the answer, ready for JSON."""
        return {
            "name": self.name,
            "price": self.cost.price,
            "power_w": self.cost.power_w,
            "carries_load_factor": self.carries,
            "carries_unknown": self.unknown or None,
            "boxes_for_first": self.boxes,
        }


@dataclass(frozen=True, repr=False)
class Comparison(Shown):
    """Designs side by side, and how each differs from the first."""

    designs: tuple[Design, ...]
    differences: tuple[Difference, ...]

    @property
    def verdict(self) -> Verdict:
        """The gravest of the designs' verdicts."""
        return combined(each.result.verdict for each in self.designs)

    @property
    def table(self) -> pd.DataFrame:
        """One row a difference: design, class, kind, quantity, and the paired difference (in SI) and ratio."""
        import pandas as pd

        return pd.DataFrame(
            {
                "design": each.design,
                "against": self.designs[0].name,
                "class": each.class_name,
                "kind": each.kind,
                "quantity": each.quantity,
                **each.paired.difference.columns(each.column),
                **each.paired.ratio.columns("ratio"),
            }
            for each in self.differences
        )

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        return {
            "tailrace": version("tailrace"),
            "seed": self.designs[0].result.seed,
            "verdict": self.verdict,
            "designs": [{**each.row(), "answer": each.result.as_dict()} for each in self.designs],
            "differences": [
                {
                    "design": each.design,
                    "against": self.designs[0].name,
                    "class": each.class_name,
                    "kind": each.kind,
                    "quantity": each.quantity,
                    each.column: each.paired.difference.as_dict(),
                    "ratio": each.paired.ratio.as_dict(),
                }
                for each in self.differences
            ],
        }


def compare(
    *given: Given,
    names: Sequence[str] | None = None,
    seed: int | None = None,
    engine: str = "auto",
    workers: int | Crew | None = None,
    progress: Watch | None = None,
) -> Comparison:
    """Compare designs on the same requests: the first one, and each other against it.

    Every design is run with as many requests and replications as the one that needs most.

    Args:
        given: two scenarios or more, or their files, as a rule with the same workload.
        names: what to call them; titles, or names of files, if left out.
        seed: seed of all; by default the first scenario's.
        engine: "auto", "reference" or "compiled".
        workers: number of processes; this one alone if left out.
        progress: called as replications finish.

    Raises:
        SettingError: a ValueError: fewer than two scenarios, names that do not fit, one with conditions (see
            `compare_conditions`), or as `simulate`.
    """
    if len(given) < 2:
        raise SettingError(f"{len(given)} scenario is compared; accepted: 2 or more")
    called, scenarios = zip(*named(given, names).items(), strict=True)
    for each in scenarios:
        alone(each)
    requests = min(ANSWER_START, scenarios[0].run.budget) * 16 * len(scenarios)
    with bench_for(scenarios[0], seed, engine, workers, progress, requests) as bench:
        seen = seen_alike(bench, scenarios)
        results = [result_of(bench, each) for each in seen]
        carried = [carries(bench, each) for each in scenarios]
    designs = tuple(
        Design(
            name,
            result,
            cost(scenario.server, scenario.cluster),
            factor,
            unknown,
            boxes(carried[0][0], factor),
        )
        for name, result, scenario, (factor, unknown) in zip(called, results, scenarios, carried, strict=True)
    )
    found: list[Difference] = []
    for name, evidence in zip(called[1:], seen[1:], strict=True):
        found += differences(name, seen[0], evidence)
    return Comparison(designs, tuple(found))


def seen_alike(bench: Bench, scenarios: Sequence[Scenario]) -> list[Evidence]:
    """Evidence of every scenario, with as many requests and replications as the one that needs most."""
    wanted = lengths(bench, scenarios, ANSWER)
    known = [each for each in wanted if each.overload is None]
    longest = max((each.requests for each in known), default=0)
    most = max((each.replications for each in known), default=0)
    alike = [
        replace(each, requests=longest, replications=most) if each.overload is None else each
        for each in wanted
    ]
    return answered(bench, scenarios, alike, alike=True)


def differences(name: str, ours: Evidence, theirs: Evidence) -> list[Difference]:
    """Every latency of the classes that both have, and of closed ones, which follow the server, the rate."""
    if ours.overload is not None or theirs.overload is not None:
        return []
    shared = [each.name for each in theirs.scenario.workload]
    classes = {each.name: each.is_open for each in ours.scenario.workload if each.name in shared}
    return differences_of(name, classes, (ours.sample, ours.section), (theirs.sample, theirs.section))


def differences_of(
    name: str,
    classes: Mapping[str, bool],
    first: tuple[Sample | Mixture, Callable[[str, Quantity], Sectioned]],
    second: tuple[Sample | Mixture, Callable[[str, Quantity], Sectioned]],
) -> list[Difference]:
    """Those of classes, of each of which it is said whether it is open, by two samples and what gives their figures."""
    (ours, one), (theirs, two) = first, second
    return [
        Difference(
            name,
            each,
            kind,
            statistic,
            paired_sections(one(each, quantity), two(each, quantity)),
        )
        for each, is_open in classes.items()
        for kind in ours.kinds(each)
        if kind in theirs.kinds(each)
        for statistic in (
            *(["rate"] if kind == "all" and not is_open else []),
            "mean",
            *(quantile for quantile in ours.quantiles if quantile in theirs.quantiles),
        )
        for quantity in [Quantity.of(kind, statistic)]
    ]


def boxes(first: float | None, own: float | None) -> int | None:
    """How many boxes of a load factor do what one of the first does; a hair less than a whole number is that."""
    return None if first is None or own is None else math.ceil(first / own * (1 - 1e-9))


def carries(bench: Bench, scenario: Scenario) -> tuple[float | None, str]:
    """The largest factor of the open load at which every target is met, in all conditions, or why none is known."""
    parts = states(scenario)
    classes = [each for part in parts for each in part.scenario.workload]
    if not any(each.limits for each in classes):
        return None, "no target is set"
    if not any(each.is_open for each in classes):
        return None, "no class is open: its load follows the server"
    meets, misses = 0.0, math.inf
    factor = 1.0
    while misses / max(meets, SMALLEST_LOAD / 2) > CLOSE:
        if _meets(bench, scenario, parts, factor):
            meets = factor
        else:
            misses = factor
        if misses <= SMALLEST_LOAD:
            return None, f"the targets are missed even at {SMALLEST_LOAD:.1g} times the load"
        if meets >= 1 / SMALLEST_LOAD:
            return None, f"the targets are met even at {meets:.0f} times the load"
        if math.isinf(misses):
            factor = 2 * meets
        else:
            factor = math.sqrt(meets * misses) if meets else misses / 2
    return meets, ""


def _meets(bench: Bench, scenario: Scenario, parts: Sequence[State], factor: float) -> bool:
    """Whether every target is met at a factor of the load, by the values of short runs.

    Of ones that are shorter still only where their intervals leave no doubt: over a load at which a quantile hardly
    rises, it would be chance where the search ends.
    """
    there = tuple(
        replace(part, scenario=part.scenario.model_copy(update={"load": part.scenario.load * factor}))
        for part in parts
    )
    if any(bench.asked_too_much(each.scenario) is not None for each in there):
        return False
    shortest = min(SEARCH_REQUESTS, scenario.run.budget)
    recorded = any(each.is_recorded for part in there for each in part.scenario.workload)
    longest = shortest if recorded else SEARCH_REQUESTS
    if shortest < longest:
        clear = _kept(bench, scenario, there, shortest, by_value=False)
        if clear is not None:
            return clear
    return _kept(bench, scenario, there, longest, by_value=True) or False


def _kept(
    bench: Bench, scenario: Scenario, parts: tuple[State, ...], requests: int, by_value: bool
) -> bool | None:
    """Whether runs of so many requests keep every target, by its values, or else by intervals: None where one holds
    a limit.
    """
    numbers = range(PILOT_REPLICATIONS, PILOT_REPLICATIONS + SEARCH_REPLICATIONS)
    found = []
    for part in parts:
        sample = bench.samples([(part.scenario, numbers, requests)], "Search for the largest load")[0]
        if not sample.complete:
            return False
        found.append(Evidence(part.scenario, sample, requests))
    together = Together(scenario, parts, tuple(found))
    promised = [(part.name, part.scenario.load, *each) for part in parts for each in own_limits(part)]
    promised += [(OVER_ALL, parts[0].scenario.load, *each) for each in joint_limits(parts)]
    kept = []
    for where, load, workload, quantity, limit in promised:
        section = together.whatever(where, workload.name, quantity)
        estimate = None if section is None else section.estimate(LEVEL)
        # A promise of a rate grows with the load that is to be carried.
        wanted = limit * load if quantity.is_rate else limit
        ends = (
            (None,) if estimate is None else (estimate.value,) if by_value else (estimate.low, estimate.high)
        )
        kept.append({None if end is None else quantity.keeps(end, wanted) for end in ends})
    if any(each == {False} or (by_value and each == {None}) for each in kept):
        return False
    return True if all(each == {True} for each in kept) else None
