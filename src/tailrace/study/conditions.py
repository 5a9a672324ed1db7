"""Does the server hold by day, by night, and with a drive down? One answer a condition, and one over all."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import Any

from tailrace.answer.answers import InterruptedAnswers, answered, decided
from tailrace.answer.bench import Bench, Evidence, bench_for
from tailrace.answer.mixture import class_over_all
from tailrace.answer.pilot import ANSWER, lengths
from tailrace.answer.result import ClassResult, Result, TargetResult
from tailrace.answer.run import LOOKS, result_of
from tailrace.answer.sample import Sample
from tailrace.answer.steps import with_steps
from tailrace.answer.together import (
    Together,
    is_own,
    level_together,
    own_limits,
    statements,
)
from tailrace.answer.work import Work
from tailrace.crew.crew import Crew
from tailrace.crew.progress import Watch
from tailrace.errors import SettingError
from tailrace.forecast.spells import SETTLED, Spell, settling_s, spells
from tailrace.measure.length import ANSWER_START, PILOT_REPLICATIONS
from tailrace.measure.verdict import Verdict, combined
from tailrace.scenario.reading.conditions import HOUR_S, State, states
from tailrace.scenario.reading.read import Given, given
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.workload import Workload
from tailrace.shown import Shown, plain, told
from tailrace.study.overloaded import Overdue


@dataclass(frozen=True)
class ConditionResult:
    """The answer in one condition, in its own steady state.

    ``share`` is that of the time, ``hours`` None where nothing says how long it lasts; ``settles_s`` is how long the
    server takes to settle in it at most, by closed form.
    """

    name: str
    hours: float | None
    share: float
    result: Result
    settles_s: float

    @property
    def is_known(self) -> bool:
        """Whether anything was seen of it: the run was not interrupted before."""
        return self.result.overload is not None or self.result.replications > 0

    @property
    def is_short(self) -> bool:
        """Whether it ends before its steady state is what most of its requests see."""
        return self.hours is not None and self.settles_s > SETTLED * self.hours * HOUR_S

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        said = {"verdict": self.result.verdict, "answer": self.result.as_dict()}
        return told(self, "name", "hours", "share", "settles_s") | said


@dataclass(frozen=True, repr=False)
class Conditions(Shown):
    """The answer in every condition, and over all.

    ``classes`` are the figures over all conditions, each request counted by rate and hours; none where a condition is
    overloaded or, of an interrupted answer, was left out. ``targets`` are those judged over all, ``work`` how long
    amounts of work take. ``spells`` says what overloaded conditions leave behind, and ``drains`` whether the cycle gets
    rid of it; None where nothing is left or nobody knows how long conditions last. ``begins`` is the time of day of the
    first condition, if it is known.
    """

    version: str
    title: str
    digest: str
    seed: int
    engine: str
    conditions: tuple[ConditionResult, ...]
    classes: tuple[ClassResult, ...]
    work: tuple[Work, ...]
    targets: tuple[TargetResult, ...]
    spells: tuple[Spell, ...]
    statements: int
    verdict: Verdict
    notes: tuple[str, ...]
    begins: str | None = None

    def condition_named(self, name: str) -> ConditionResult:
        """The condition of that name. Raises KeyError if there is none."""
        return {each.name: each for each in self.conditions}[name]

    def class_named(self, name: str) -> ClassResult:
        """The class of that name over all conditions. Raises KeyError if there is none."""
        return {each.name: each for each in self.classes}[name]

    @property
    def drains(self) -> bool | None:
        """Whether what overloaded conditions leave is gone before they come again; None where there is nothing."""
        return all(each.drain_s is not None for each in self.spells) if self.spells else None

    def as_dict(self) -> dict[str, Any]:
        """The answer as plain mappings and lists, in SI units, ready for JSON."""
        return {
            "tailrace": self.version,
            **told(self, "title", "digest", "seed", "engine", "conditions"),
            "over_all": plain(self.classes),
            **told(self, "targets", "work"),
            "overloaded_spells": plain(self.spells),
            **told(self, "drains", "verdict", "notes"),
        }


def conditions(
    scenario: Given,
    seed: int | None = None,
    engine: str = "auto",
    workers: int | Crew | None = None,
    progress: Watch | None = None,
    until_decided: bool = False,
) -> Conditions:
    """Predict what the server of a scenario will do in each of its conditions, and over all of them.

    Every condition is answered as a scenario of its own, at the same seed, in its own steady state. The error of
    verdicts is shared over conditions as over targets.

    Args:
        scenario: a scenario with conditions, or its file; the rest is as for `simulate`.
        seed: of all conditions.
        engine: "auto", "reference" or "compiled".
        workers: number of processes, or a crew that is at work already.
        progress: called as replications finish.
        until_decided: go on, as `simulate`, while a target is undecided: in its condition or, of a target over all
            conditions, in those that add most to its doubt.

    Raises:
        ScenarioError: the file of a scenario cannot be read.
        SettingError: a ValueError: a scenario without conditions, or as `simulate`.
        Interrupted: on Ctrl-C, with the answer of the conditions of which something was finished, if there is one.
    """
    scenario = given(scenario)
    if not scenario.condition:
        raise SettingError("the scenario has no conditions; accepted: one with [[condition]] tables")
    parts = states(scenario)
    least = min(ANSWER_START, scenario.run.budget) * scenario.run.replications * len(parts)
    with bench_for(parts[0].scenario, seed, engine, workers, progress, least) as bench:
        looks = LOOKS if until_decided else 1
        try:
            found = evidence_in_each(bench, scenario, parts, until_decided)
        except InterruptedAnswers as stopped:
            if any(each is not None for each in stopped.evidence):
                kept = tuple(
                    Evidence(part.scenario, Sample([]), 0) if each is None else each
                    for part, each in zip(parts, stopped.evidence, strict=True)
                )
                stopped.result = conditions_of(bench, Together(scenario, parts, kept), looks, stopped)
            raise
        return conditions_of(bench, Together(scenario, parts, tuple(found)), looks)


def evidence_in_each(
    bench: Bench, scenario: Scenario, parts: Sequence[State], until_decided: bool = False
) -> list[Evidence]:
    """What replications show of each condition, as of a scenario of its own. Raises InterruptedAnswers on Ctrl-C."""
    scenarios = [each.scenario for each in parts]
    found = answered(bench, scenarios, lengths(bench, scenarios, ANSWER))
    if until_decided:
        level = level_together(parts, LOOKS)
        found = decided(
            bench,
            found,
            LOOKS,
            lambda seen: Together(scenario, tuple(parts), tuple(seen)).undecided(level),
        )
    return found


def conditions_of(
    bench: Bench, together: Together, looks: int = 1, stopped: InterruptedAnswers | None = None
) -> Conditions:
    """The answer that evidence in every condition gives; ``stopped`` is what has ended it early."""
    parts, scenario = together.states, together.scenario
    level = level_together(parts, looks)
    hours = sum(each.weight for each in parts)
    found = tuple(
        ConditionResult(
            state.name,
            state.hours,
            state.weight / hours,
            _with_own_targets(_in_one(bench, each, looks, level, stopped is not None), state),
            settling_s(state.scenario, bench.load(state.scenario)),
        )
        for state, each in zip(parts, together.evidence, strict=True)
    )
    overdue = Overdue(bench, together)
    over_all = together.over_all(level)
    if together.mixture is None:
        over_all += overdue.targets(level)
    left = left_behind(bench, parts, [each.result for each in found])
    verdicts = [*(each.result.verdict for each in found), *(each.verdict for each in over_all)]
    return Conditions(
        version("tailrace"),
        scenario.title,
        scenario.digest,
        bench.seed,
        bench.engine,
        found,
        _over_all(together, over_all),
        tuple(work for name in _names(parts) if (work := together.work(name)) is not None),
        over_all,
        left,
        statements(parts),
        combined(verdicts),
        (*_of_interrupt(together, stopped), *overdue.notes(), *_notes(found, left)),
        scenario.condition[0].begins if scenario.condition else None,
    )


def _in_one(bench: Bench, evidence: Evidence, looks: int, level: float, stopped: bool) -> Result:
    """The answer in one condition, with the steps of transactions, of which a second look is taken if there is time."""
    result = result_of(bench, evidence, looks, level)
    return result if stopped else with_steps(result, evidence.scenario, bench.engine, PILOT_REPLICATIONS)


def _of_interrupt(together: Together, stopped: InterruptedAnswers | None) -> Iterator[str]:
    """What was interrupted, and what of it is there all the same."""
    if stopped is None:
        return
    said = [str(stopped)]
    for state, each in zip(together.states, together.evidence, strict=True):
        if each.overload is None and each.stopped_by is None and each.is_known:
            said.append(f"Condition {state.name} is told by {len(each.sample)} of them.")
    if together.left_out:
        said.append(f"Left out: {', '.join(together.left_out)}; so no figures are given over all conditions.")
    yield " ".join(said)


def left_behind(bench: Bench, parts: Sequence[State], results: Sequence[Result]) -> tuple[Spell, ...]:
    """What overloaded conditions of given hours leave behind."""
    loads = [bench.load(each.scenario) for each in parts]
    overloaded = {
        place: (each.overload.station, each.overload.largest_load_factor)
        for place, each in enumerate(results)
        if each.overload is not None
    }
    return spells(parts, loads, overloaded, bench.load)


def _with_own_targets(result: Result, state: State) -> Result:
    """The answer of a condition without the targets that are judged over all of them."""
    classes = tuple(
        replace(each, targets=tuple(target for target in each.targets if is_own(state.scenario, target)))
        for each in result.classes
    )
    if result.overload is not None:
        return result
    if not result.replications:  # nothing of it was run, so nothing that is promised in it is known
        return replace(result, verdict="undecided" if own_limits(state) else "none")
    verdicts = (target.verdict for each in classes for target in each.targets)
    return replace(result, classes=classes, verdict=combined(verdicts))


def _over_all(together: Together, targets: Sequence[TargetResult]) -> tuple[ClassResult, ...]:
    """The figures of every class over all conditions, and the targets judged by them."""
    mixture = together.mixture
    if mixture is None:
        return ()
    found = []
    for each in _names(together.states).values():
        count = sum(step.count for step in each.step) if each.step else None
        mine = tuple(target for target in targets if target.class_name == each.name)
        found.append(replace(class_over_all(each.name, mixture, count), targets=mine))
    return tuple(found)


def _names(parts: Sequence[State]) -> dict[str, Workload]:
    """The classes of any condition, by name."""
    found: dict[str, Workload] = {}
    for part in parts:
        for each in part.scenario.workload:
            found.setdefault(each.name, each)
    return found


def _notes(found: Sequence[ConditionResult], left: Sequence[Spell]) -> Iterator[str]:
    """What is not as steady states side by side would have it, and what several conditions say."""
    for each in found:
        if each.is_short and each.result.overload is None:
            yield (
                f"Condition {each.name} lasts {_hours(each.hours or 0.0)}, and the server takes up to "
                f"{_hours(each.settles_s / HOUR_S)} to settle in it: its figures are those of a condition that lasts "
                "longer."
            )
    for spell in left:
        if spell.drain_s is None or not math.isfinite(spell.drain_s):
            yield (
                f"What waits for {spell.station} at the end of condition {spell.condition} is not gone when it comes "
                "again: the server is overloaded for good."
            )
        elif spell.drain_s > 0:
            yield (
                f"Condition {spell.condition} leaves a backlog that is gone {_hours(spell.drain_s / HOUR_S)} after "
                f"its end, in condition {spell.drained_in}; until then what comes waits behind it, and the figures of "
                "the conditions are not those of these hours."
            )
    said: dict[str, list[str]] = {}
    for each in found:
        for note in each.result.notes:
            said.setdefault(note, []).append(each.name)
    for note, names in said.items():
        yield note if len(names) == len(found) else f"{', '.join(names)}: {note}"


def _hours(hours: float) -> str:
    """A time in hours, or minutes or seconds where it is short."""
    if hours >= 1:
        return f"{hours:.3g} h"
    return f"{60 * hours:.3g} min" if hours * 60 >= 1 else f"{3600 * hours:.2g} s"
