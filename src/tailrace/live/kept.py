"""Replications that were carried out lately, so that what was asked before, or is asked beside, is not run again."""

from __future__ import annotations

from collections import OrderedDict

from tailrace.crew.crew import Crew
from tailrace.crew.progress import Watch
from tailrace.replicate.replication import Replication
from tailrace.replicate.task import Task
from tailrace.scenario.tables.scenario import Scenario

MOST_REQUESTS = 3_000_000
"""Requests of all replications that are kept; some tens of bytes each."""

Key = tuple[Scenario, int, int, int]


class Keeping(Crew):
    """A crew of this process alone that remembers whole replications, the latest longest.

    ``watch`` is called after each replication, and may raise to end what is under way.
    """

    def __init__(self, watch: Watch) -> None:
        super().__init__(1, watch=watch)
        self._kept: OrderedDict[Key, tuple[Replication, float]] = OrderedDict()
        self._requests = 0

    def stored(self, task: Task) -> tuple[Replication, float] | None:
        known = self._kept.get(_key(task))
        if known is not None:
            self._kept.move_to_end(_key(task))
        return known

    def keep(self, task: Task, replication: Replication, seconds: float) -> None:
        super().keep(task, replication, seconds)
        if task.whole and _key(task) not in self._kept:
            self._kept[_key(task)] = replication, seconds
            self._requests += task.requests
            while self._requests > MOST_REQUESTS:
                (*_, requests), _ = self._kept.popitem(last=False)
                self._requests -= requests


def _key(task: Task) -> Key:
    # What is not simulated, such as a title or a target, does not matter, but a scenario is its own shortest digest.
    return task.scenario, task.seed, task.replication, task.requests
