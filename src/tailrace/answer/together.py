"""What do replications say of a scenario in all its conditions? Its evidence in each, and what holds over all."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tailrace.answer.bench import Bench, Evidence
from tailrace.answer.figures import LEVEL, section_of, target_result
from tailrace.answer.mixture import Mixture, Part
from tailrace.answer.result import TargetResult
from tailrace.answer.work import Work, work_of
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.section import Sectioned
from tailrace.measure.verdict import Verdict, bonferroni_level, combined
from tailrace.quantity import FINISHED, Quantity
from tailrace.scenario.reading.conditions import State, states
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.workload import Workload

MOST_OF_DOUBT = 0.8
"""Share of the variance of a figure over all conditions that comes from those of which more is asked for."""

OVER_ALL = "all conditions"
"""Stands for the name of a condition where something holds over all of them."""


def is_joint(workload: Workload, quantity: Quantity) -> bool:
    """Whether a target of a class is judged over all conditions: where it says so, and how long an amount takes."""
    return workload.is_judged_over_all or quantity.statistic == FINISHED


def is_own(scenario: Scenario, target: TargetResult) -> bool:
    """Whether a target of a condition is judged in it, and not over all conditions."""
    return not is_joint(scenario.workload_named(target.class_name), target.quantity)


def own_limits(part: State) -> list[tuple[Workload, Quantity, float]]:
    """What is promised in a condition; everything, where a scenario has none."""
    return [
        (each, quantity, limit)
        for each in part.scenario.workload
        for quantity, limit in each.limits
        if not (part.name and is_joint(each, quantity))
    ]


def joint_limits(parts: Sequence[State]) -> list[tuple[Workload, Quantity, float]]:
    """What is promised over all conditions, as the first condition says that has the class at all."""
    found: dict[str, Workload] = {}
    for part in parts:
        for each in part.scenario.workload if part.name else ():
            found.setdefault(each.name, each)
    return [
        (each, quantity, limit)
        for each in found.values()
        for quantity, limit in each.limits
        if is_joint(each, quantity)
    ]


def statements(parts: Sequence[State]) -> int:
    """How many verdicts have to hold together: of every target in every condition, or over all."""
    return max(sum(len(own_limits(part)) for part in parts) + len(joint_limits(parts)), 1)


def level_together(parts: Sequence[State], looks: int = 1) -> float:
    """Level of each interval by which a target is judged, such that all verdicts, at all looks, hold together."""
    return bonferroni_level(LEVEL, statements(parts) * looks)


def quantities_over_all(parts: Sequence[State]) -> tuple[Quantity, ...]:
    """What targets limit in any condition."""
    limits = (quantity for part in parts for each in part.scenario.workload for quantity, _ in each.steering)
    return tuple(dict.fromkeys(limits))


@dataclass(frozen=True)
class Together:
    """A scenario and what replications show of it in each of its conditions; in itself, where it has none."""

    scenario: Scenario
    states: tuple[State, ...]
    evidence: tuple[Evidence, ...]

    @classmethod
    def of(cls, scenario: Scenario, evidence: Sequence[Evidence]) -> Together:
        """Of evidence in the order of the conditions."""
        return cls(scenario, states(scenario), tuple(evidence))

    @property
    def has_conditions(self) -> bool:
        """Whether there are any."""
        return bool(self.states[0].name)

    @property
    def overloaded(self) -> tuple[str, ...]:
        """Names of the conditions in which the server is overloaded."""
        pairs = zip(self.states, self.evidence, strict=True)
        return tuple(state.name for state, each in pairs if each.overload is not None)

    @property
    def left_out(self) -> tuple[str, ...]:
        """Names of the conditions of which nothing is known, since all was interrupted before."""
        pairs = zip(self.states, self.evidence, strict=True)
        return tuple(state.name for state, each in pairs if not each.is_known)

    @property
    def overloaded_station(self) -> str | None:
        """The station that cannot keep up in the first such condition, and which that is; None where there is none."""
        for state, each in zip(self.states, self.evidence, strict=True):
            if each.overload is not None:
                return (
                    f"{each.overload.station} (in condition {state.name})"
                    if state.name
                    else each.overload.station
                )
        return None

    def section(self, condition: str, name: str, quantity: Quantity) -> Sectioned | None:
        """A figure of a class in a condition, or over all; None where that is overloaded or the class is not there."""
        if condition == OVER_ALL and self.has_conditions:
            if quantity.statistic == FINISHED:
                work = self.work(name)
                return None if work is None else work.time_s
            return None if self.mixture is None else self.mixture.section(name, quantity)
        for state, each in zip(self.states, self.evidence, strict=True):
            if state.name == condition:
                there = any(one.name == name for one in each.scenario.workload)
                return each.section(name, quantity) if there and each.overload is None else None
        return None

    def whatever(self, condition: str, name: str, quantity: Quantity) -> Sectioned | None:
        """A figure as `section`, whatever supports it."""
        if condition == OVER_ALL and self.has_conditions:
            if quantity.statistic == FINISHED:
                return self.section(condition, name, quantity)
            return None if self.mixture is None else self.mixture.section(name, quantity, None)
        for state, each in zip(self.states, self.evidence, strict=True):
            if state.name == condition:
                return section_of(state.scenario.workload_named(name), each.sample, quantity, None)
        return None

    def estimate(self, condition: str, name: str, quantity: Quantity) -> IntervalEstimate:
        """The same with its interval."""
        found = self.section(condition, name, quantity)
        if found is None:
            return IntervalEstimate.unknown(0, f"overloaded: {self.overloaded_station} cannot keep up")
        return found.estimate(LEVEL)

    @cached_property
    def mixture(self) -> Mixture | None:
        """All conditions as one sample; None where one of them is overloaded, or nothing was run."""
        if any(each.overload is not None or not len(each.sample) for each in self.evidence):
            return None
        pairs = zip(self.states, self.evidence, strict=True)
        parts = [Part(state.name, state.weight, each.sample, each.bars) for state, each in pairs]
        return Mixture(parts, quantities_over_all(self.states))

    def judged(self, level: float) -> tuple[tuple[str, TargetResult], ...]:
        """Every target with the condition in which it is judged, by an interval of that level."""
        return (*self._in_each(level), *((OVER_ALL, each) for each in self.over_all(level)))

    def _in_each(self, level: float) -> Iterator[tuple[str, TargetResult]]:
        for state, each in zip(self.states, self.evidence, strict=True):
            for target in each.judged(level):
                if not state.name or is_own(each.scenario, target):
                    yield state.name, target

    def over_all(self, level: float) -> tuple[TargetResult, ...]:
        """The targets that are judged over all conditions; only of work, where one of these is overloaded."""
        return tuple(
            target_result(each.name, quantity, limit, section, level)
            for each, quantity, limit in joint_limits(self.states)
            if (section := self.section(OVER_ALL, each.name, quantity)) is not None
        )

    def undecided(self, level: float) -> set[int]:
        """Places of the conditions of which more has to be known for verdicts by intervals of that level.

        Those with an undecided target of their own and, of one over all conditions, those that add most to its doubt.
        """
        found = {
            place
            for place, (state, each) in enumerate(zip(self.states, self.evidence, strict=True))
            for target in each.judged(level)
            if target.verdict == "undecided" and (not state.name or is_own(each.scenario, target))
        }
        for target in self.over_all(level):
            if target.verdict == "undecided":
                found |= self._doubtful(target)
        return found

    def _doubtful(self, target: TargetResult) -> set[int]:
        """The conditions that add most to the variance of a figure over all, few as they may be."""
        if target.quantity.statistic == FINISHED:
            moved = (
                (state, self.section(state.name, target.class_name, Quantity("throughput")))
                for state in self.states
            )
            added = {
                state.name: state.weight**2 * float(np.var(each.deviations)) / each.deviations.size
                for state, each in moved
                if each is not None
            }
        else:
            added = {} if self.mixture is None else self.mixture.variances(target.class_name, target.quantity)
        found, wanted = set[int](), MOST_OF_DOUBT * sum(added.values())
        names = [each.name for each in self.states]
        for name in sorted(added, key=lambda each: -added[each]):
            if wanted <= 0.0:
                break
            found.add(names.index(name))
            wanted -= added[name]
        return found

    def work(self, name: str) -> Work | None:
        """How long the amount of work of a class takes over the conditions in their order; None if it has none."""
        return work_of(self.states, self.evidence, name)

    @cached_property
    def targets(self) -> tuple[tuple[str, TargetResult], ...]:
        """The same at the level at which all verdicts hold together."""
        return self.judged(level_together(self.states))

    @property
    def verdict(self) -> Verdict:
        """The gravest of all conditions and of what is judged over all."""
        overloads: list[Verdict] = ["overloaded"] if self.overloaded else []
        return combined([*overloads, *(target.verdict for _, target in self.targets)])


def saturates_at(bench: Bench, scenario: Scenario) -> float:
    """How far the load can grow until the first station saturates; infinite where none does."""
    binding = bench.load(scenario).binding
    return math.inf if binding is None else binding.load_factor


def hardest(bench: Bench, scenario: Scenario) -> Scenario:
    """The scenario in the condition in which the first station saturates soonest; itself where it has no conditions."""
    return min((each.scenario for each in states(scenario)), key=lambda each: saturates_at(bench, each))
