"""The pieces of an answer that can be carried out apart: one replication each."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from tailrace.engine.choice import Engine
from tailrace.quantity import QUANTILES, with_quantiles
from tailrace.replicate.boiled import replicate
from tailrace.replicate.mark import code_version
from tailrace.replicate.replication import Replication
from tailrace.scenario.tables.scenario import Scenario


@dataclass(frozen=True)
class TaskKey:
    """What decides what a task gives: two tasks with one key give the same, whoever carries them out."""

    digest: str
    seed: int
    replication: int
    requests: int
    version: str


@dataclass(frozen=True)
class Task:
    """One replication of a scenario, ``whole`` or with its latencies boiled down to what is kept."""

    scenario: Scenario
    seed: int
    replication: int
    requests: int
    engine: Engine
    whole: bool = False

    @cached_property
    def key(self) -> TaskKey:
        """What decides what it gives. Both engines give the same, so the engine is not part of it."""
        return TaskKey(digest_of(self.scenario), self.seed, self.replication, self.requests, code_version())


def perform(task: Task) -> Replication:
    """Carry out a task."""
    whole = replicate(task.scenario, task.seed, task.replication, task.requests, task.engine)
    return whole if task.whole else whole.kept(tuple(quantiles_of(task.scenario).values()))


def quantiles_of(scenario: Scenario) -> dict[str, float]:
    """Quantiles that are wanted of a scenario, by name: those of every answer, and those of its targets."""
    return with_quantiles([each for workload in scenario.workload for each, _ in workload.steering])


def digest_of(scenario: Scenario) -> str:
    """Digest of what is simulated, and of what is kept of it beyond what is kept of all."""
    beyond = [name for name in quantiles_of(scenario) if name not in QUANTILES]
    return "+".join([scenario.simulated_digest, *beyond])
