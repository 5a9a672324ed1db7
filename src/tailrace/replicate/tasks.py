"""The pieces of a study that can be done apart: one replication each."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version
from pathlib import Path

from tailrace.engine.choice import Engine
from tailrace.replicate.outcome import Outcome, outcome_of
from tailrace.replicate.sample import replicate
from tailrace.scenario.tables.scenario import Scenario

MOST_UNDER_WAY = 50_000
"""Requests and detached ways under way at which a replication is given up as overloaded: this, half of its length,
and four for each request that closed clients keep going."""

SIMULATED_BY = ("scenario", "physics", "workload", "hardware", "plan", "engine")
"""Folders of this package whose code decides what a replication gives."""


@dataclass(frozen=True)
class Key:
    """What decides the outcome of a task: two tasks with one key have one outcome, whoever carries it out."""

    digest: str
    seed: int
    replication: int
    requests: int
    version: str


@dataclass(frozen=True)
class Task:
    """One replication of a scenario."""

    scenario: Scenario
    digest: str
    seed: int
    replication: int
    requests: int
    engine: Engine

    @property
    def key(self) -> Key:
        """What decides the outcome. Both engines give the same, so the engine is not part of it."""
        return Key(self.digest, self.seed, self.replication, self.requests, code_version())


def perform(task: Task) -> Outcome:
    """Carry out a task."""
    closed = sum(each.clients * (each.queue_depth or 0) for each in task.scenario.workload)
    most = MOST_UNDER_WAY + task.requests // 2 + 4 * closed
    sample = replicate(task.scenario, task.seed, task.replication, task.requests, most, task.engine)
    return outcome_of(sample)


@cache
def code_version() -> str:
    """The version of this package, and a mark of the code that simulates, so that changed code finds nothing old."""
    package = Path(__file__).parent.parent
    files = [path for folder in SIMULATED_BY for path in (package / folder).rglob("*.py")]
    files += [package / "replicate" / name for name in ("gather.py", "sample.py", "outcome.py", "tasks.py")]
    mark = hashlib.sha256()
    for path in sorted(files):
        mark.update(path.name.encode() + b"\0" + path.read_bytes())
    return f"{version('tailrace')}+{mark.hexdigest()[:8]}"
