"""One scenario after another, each with no more effort than its question takes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tailrace.answer.readings import Reading, Supported, grown_bank, overload_seen, sections, target_readings
from tailrace.crew.bench import Bench
from tailrace.engine.choice import Engine
from tailrace.forecast.saturation import Load, offered_load
from tailrace.measure.estimate import Estimate
from tailrace.measure.length import (
    MARGIN,
    PILOT_REPLICATIONS,
    PILOT_START,
    interval_shrinkage,
    longer_helps,
    next_pilot_length,
    pilot_done,
)
from tailrace.measure.verdict import bonferroni_level
from tailrace.quantity import QUANTILES
from tailrace.replicate.outcome import Outcome
from tailrace.replicate.tasks import Task
from tailrace.scenario.tables.scenario import Scenario

FAR = 0.5
"""Share of the distance to the limit that the interval of a far point may take: then the verdict is clear."""
LONG = 40_000
"""Requests of a replication from which on a backlog that grows is believed to grow for good."""
COARSEST = 0.25
"""Relative half-width that is aimed at however far the limit is, so that a curve can be drawn."""


@dataclass(frozen=True)
class Length:
    """Requests in each replication of a point's answer, and their number.

    ``supported`` are classes and quantiles that a pilot supported: the answer need not prove that once more.
    """

    requests: int
    replications: int
    supported: Supported = ()


class Points:
    """Reads scenarios at one seed, with one bench: the same seed means the same random numbers for all of them."""

    def __init__(self, bench: Bench, seed: int, engine: Engine) -> None:
        self.bench, self.seed, self._engine = bench, seed, engine
        self._loads: dict[str, Load] = {}

    def load(self, scenario: Scenario) -> Load:
        """What the open classes ask of each bank."""
        digest = scenario.simulated_digest
        if digest not in self._loads:
            self._loads[digest] = offered_load(scenario, self.seed)
        return self._loads[digest]

    def overloaded(self, scenario: Scenario) -> str | None:
        """The station that cannot carry the load by what is asked of it, or None."""
        binding = self.load(scenario).binding
        return binding.station if binding is not None and binding.is_exceeded else None

    def tasks(self, scenario: Scenario, numbers: range, requests: int) -> list[Task]:
        """Replications of a scenario."""
        digest = scenario.simulated_digest
        return [Task(scenario, digest, self.seed, number, requests, self._engine) for number in numbers]

    def outcomes(
        self, scenarios: Sequence[Scenario], numbers: Sequence[range], requests: Sequence[int], step: str
    ) -> list[list[Outcome]]:
        """Outcomes of some replications of each scenario, all in one bag."""
        bags = [self.tasks(*each) for each in zip(scenarios, numbers, requests, strict=True)]
        found = iter(self.bench.run([task for bag in bags for task in bag], step))
        return [[next(found) for _ in bag] for bag in bags]

    def reading(
        self,
        scenario: Scenario,
        outcomes: Sequence[Outcome],
        level: float = 0.95,
        supported: Supported = (),
    ) -> Reading:
        """What outcomes say; none of them means overloaded before any run."""
        requests = sum(
            part["all"].requests for each in outcomes for part in each.kinds.values() if "all" in part
        )
        known = self.overloaded(scenario)
        if known is None and overload_seen(outcomes):
            known = self.load(scenario).banks[grown_bank(outcomes)].name
        if known is not None:
            return Reading(scenario, tuple(outcomes), requests, known, ())
        targets = target_readings(scenario, outcomes, level, supported)
        return Reading(scenario, tuple(outcomes), requests, None, targets, supported)

    def answers(
        self, scenarios: Sequence[Scenario], lengths: Sequence[Length | None], step: str
    ) -> list[Reading]:
        """A reading of each scenario from fresh replications; those without a length are overloaded."""
        chosen = [
            (each, length) for each, length in zip(scenarios, lengths, strict=True) if length is not None
        ]
        numbers = [
            range(PILOT_REPLICATIONS, PILOT_REPLICATIONS + length.replications) for _, length in chosen
        ]
        bags = iter(
            self.outcomes(
                [each for each, _ in chosen], numbers, [length.requests for _, length in chosen], step
            )
        )
        return [
            self.reading(
                each, [] if length is None else next(bags), supported=length.supported if length else ()
            )
            for each, length in zip(scenarios, lengths, strict=True)
        ]

    def lengths(self, scenarios: Sequence[Scenario]) -> list[Length | None]:
        """How long the answers have to be, by pilots that are thrown away.

        A given length is taken as it is. Else the interval shall have the precision asked for, or be small beside the
        distance to the limit, whichever is easier. None for what is overloaded.
        """
        found: dict[int, Length | None] = {}
        for place, scenario in enumerate(scenarios):
            run = scenario.run
            if self.overloaded(scenario):
                found[place] = None
            elif run.fixed_length:
                found[place] = Length(run.budget, run.replications)
        length, widths = PILOT_START, {place: list[float]() for place in range(len(scenarios))}
        while open_ := [place for place in range(len(scenarios)) if place not in found]:
            chosen = [scenarios[place] for place in open_]
            sizes = [min(length, each.run.budget) for each in chosen]
            bags = self.outcomes(chosen, [range(PILOT_REPLICATIONS)] * len(chosen), sizes, "Pilot")
            for place, size, outcomes in zip(open_, sizes, bags, strict=True):
                decided = _decided(scenarios[place], outcomes, size, widths[place])
                if decided is not None:
                    found[place] = decided
            length = next_pilot_length(length)
        return [found[place] for place in range(len(scenarios))]


def steering(scenario: Scenario) -> list[tuple[str, str, float | None]]:
    """Class, quantity and limit of each target or, without any, the p99 of each class."""
    promised: list[tuple[str, str, float | None]] = [
        (each.name, quantity, limit)
        for each in scenario.workload
        if each.target is not None
        for quantity, limit in each.target.limits
    ]
    return promised or [(each.name, "p99", None) for each in scenario.workload]


def wanted_width(estimate: Estimate, limit: float | None, precision: float) -> float:
    """Relative half-width that decides the question: the precision, or less where the limit is far."""
    if limit is None or not estimate.value:
        return precision
    far = FAR * abs(estimate.value - limit) / estimate.value
    return max(precision, min(far, COARSEST))


def _decided(
    scenario: Scenario, outcomes: list[Outcome], requests: int, widths: list[float]
) -> Length | None:
    """The length of the answer if a pilot of so many requests can tell it, else None: a longer pilot is needed."""
    run = scenario.run
    if overload_seen(outcomes):
        # In a short run the first requests still fill the server, and what piles up may be no more than that.
        is_long = requests >= min(run.budget, LONG)
        return Length(requests, PILOT_REPLICATIONS) if is_long else None
    steered = steering(scenario)
    level = bonferroni_level(0.95, len(steered))
    found = [sections(outcomes, name, quantity).estimate(level) for name, quantity, _ in steered]
    wanted = [
        wanted_width(each, limit, run.wanted_precision)
        for each, (*_, limit) in zip(found, steered, strict=True)
    ]
    ratios = [
        math.inf if each.relative_half_width is None else each.relative_half_width / width
        for each, width in zip(found, wanted, strict=True)
    ]
    widths.append(max(_width(each) for each in found))
    is_good = pilot_done(*found, precision=max(0.1, *wanted))
    if not (is_good or requests >= run.budget or not longer_helps(widths)):
        return None
    needed = MARGIN * interval_shrinkage(after=run.replications) * requests * max(ratios) ** 2
    length = math.ceil(min(run.budget, max(requests, needed)))
    return Length(length, run.replications, _supported(scenario, outcomes))


def _supported(scenario: Scenario, outcomes: list[Outcome]) -> Supported:
    kinds = ("", "read_", "write_")
    quantities = [f"{kind}{name}" for kind in kinds for name in QUANTILES]
    return tuple(
        (each.name, quantity)
        for each in scenario.workload
        for quantity in quantities
        if sections(outcomes, each.name, quantity).value is not None
    )


def _width(estimate: Estimate) -> float:
    width = estimate.relative_half_width
    return math.inf if width is None else width
