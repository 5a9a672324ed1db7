"""What each step of a transaction takes: a second look at the answer's replications, as far as they are needed for it.

The runs are those of the answer to the last bit, each cut after `MOST` requests.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tailrace.answer.result import ClassResult, Result, StageTimes, StepResult
from tailrace.arrays import FloatArray
from tailrace.engine.choice import Engine, started
from tailrace.measure.section import sectioned_mean, sectioned_quantiles
from tailrace.plan.build import build_plan
from tailrace.plan.columns import STAGES
from tailrace.quantity import QUANTILES
from tailrace.replicate.gather import SLOWEST_SHARE, measured_from, start_of
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.workload import Workload

MOST = 10_000
"""Requests of each replication that are looked at again."""


@dataclass(frozen=True)
class StepSample:
    """Measured transactions of one class in one replication, in order of arrival.

    ``time_s`` has the shape (transactions, steps): from the end of the step before, or the intended start, to the end
    of each. ``charged_s``, shape (transactions, steps, 8), is its wait at the four stages, then its service.
    """

    time_s: FloatArray
    charged_s: FloatArray

    @property
    def slowest(self) -> FloatArray:
        """``time_s`` of the slowest 1 % of the transactions, at least one of them."""
        count = max(round(SLOWEST_SHARE * len(self.time_s)), 1)
        return self.time_s[np.sort(np.argsort(self.time_s.sum(axis=1), kind="stable")[-count:])]


def with_steps(result: Result, scenario: Scenario, engine: Engine, first: int) -> Result:
    """The answer with the figures of every step; ``first`` is the number of its first replication."""
    if not result.classes or not any(each.step for each in scenario.workload):
        return result
    length = -(-10 * result.requests // (9 * result.replications))
    requests = min(max(length, 1), MOST)
    samples = [
        step_samples(scenario, result.seed, first + place, requests, engine)
        for place in range(result.replications)
    ]
    classes = tuple(_with_steps(each, scenario.workload_named(each.name), samples) for each in result.classes)
    return replace(result, classes=classes)


def step_samples(
    scenario: Scenario, seed: int, replication: int, requests: int, engine: Engine
) -> dict[str, StepSample]:
    """What the transactions among the first so many requests of a replication took, by class."""
    plan = build_plan(scenario, seed, replication)
    run = started(engine)(plan, requests, laps=True)
    number, arrival_s = np.zeros(requests, dtype=np.int64), np.zeros(requests)
    for block in run.blocks():
        number[block["order"]], arrival_s[block["order"]] = block["class_index"], block["arrival_s"]
    laps = run.laps()
    laps = laps[np.lexsort((laps["step"], laps["order"]))]
    laps = laps[laps["order"] >= measured_from(requests, start_of(scenario))]
    found = {}
    for workload in scenario.workload:
        mine = laps[number[laps["order"]] == plan.classes.index(workload.name)]
        if workload.step and mine.size:
            mine = mine.reshape(-1, len(workload.step))
            start_s = arrival_s[mine["order"][:, :1]]
            charged = np.concatenate([mine["wait_s"], mine["service_s"]], axis=2)
            found[workload.name] = StepSample(
                np.diff(mine["at_s"], axis=1, prepend=start_s), np.diff(charged, axis=1, prepend=0.0)
            )
    return found


def _with_steps(
    each: ClassResult, workload: Workload, samples: Sequence[dict[str, StepSample]]
) -> ClassResult:
    if not workload.step or not all(workload.name in sample for sample in samples):
        return each
    mine = [sample[workload.name] for sample in samples]
    return replace(each, steps=tuple(_step(workload, place, mine) for place in range(len(workload.step))))


def _step(workload: Workload, place: int, samples: Sequence[StepSample]) -> StepResult:
    step = workload.step[place]
    times = [sample.time_s[:, place] for sample in samples]
    quantiles = sectioned_quantiles(times, QUANTILES.values())

    def mean_charged(column: int) -> list[FloatArray]:
        return [sample.charged_s[:, place, column] for sample in samples]

    return StepResult(
        step.name or f"step {place + 1}",
        step.count,
        {"mean": sectioned_mean(times), **{name: quantiles[p] for name, p in QUANTILES.items()}},
        sectioned_mean([sample.slowest[:, place] for sample in samples]),
        {
            stage: StageTimes(
                sectioned_mean(mean_charged(at)), sectioned_mean(mean_charged(at + len(STAGES)))
            )
            for at, stage in enumerate(STAGES)
        },
    )
