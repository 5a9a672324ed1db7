"""The whole scenario, and its identity."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from tailrace.scenario.tables import outside
from tailrace.scenario.tables.checks import checks
from tailrace.scenario.tables.checks.addresses import pool_uses
from tailrace.scenario.tables.choice import Choice
from tailrace.scenario.tables.cluster import Cluster
from tailrace.scenario.tables.condition import Condition
from tailrace.scenario.tables.condition import findings as findings_of_conditions
from tailrace.scenario.tables.fields import Number, Text, optional
from tailrace.scenario.tables.model import Finding, Model
from tailrace.scenario.tables.rebuild import Rebuild, rebuilds_of
from tailrace.scenario.tables.recovery import Recovery, recovery_of
from tailrace.scenario.tables.run import Run
from tailrace.scenario.tables.server import Pool, Server
from tailrace.scenario.tables.workload import Workload
from tailrace.trace.table import content_digest

ADDED = ("amount", "over", "within", "read_within", "write_within", "finished_within", "height", "cluster")
"""Keys that came later: a scenario without them is the same as before there were any."""


class Scenario(Model):
    """A storage server, the workload it is to carry, and how to simulate it."""

    title: Annotated[Text, Field(max_length=200)] = optional("Title of the answer.", "untitled")
    load: Annotated[Number, Field(gt=0, le=1e6)] = optional("Multiplies the rate of all open classes.", 1.0)
    server: Server = Field(description="The storage server.")
    cluster: Cluster | None = optional("Several servers alike behind the same clients; left out: one server.")
    workload: Annotated[tuple[Workload, ...], Field(min_length=1, max_length=1000)] = Field(
        description="The classes of requests."
    )
    condition: Annotated[tuple[Condition, ...], Field(max_length=100)] = optional(
        "The states in which the server has to hold, in the order of the day.", ()
    )
    choice: Choice | None = optional("The designs among which `tailrace choose` looks for the least one.")
    run: Run = optional("How to simulate.", Run())

    def findings(self) -> Iterator[Finding]:
        """What is wrong between the server and the workload, and between the conditions."""
        yield from checks.findings(self.server, self.workload, self.cluster)
        yield from findings_of_conditions(self.condition)

    @property
    def closed_requests(self) -> int:
        """Requests that closed clients keep going, or think about, all together."""
        return sum(each.clients * (each.queue_depth or 0) for each in self.workload)

    @property
    def open_rate_per_s(self) -> float:
        """Requests per second of all open classes together."""
        return sum(each.rate_at(self.load) for each in self.workload)

    @property
    def digest(self) -> str:
        """SHA-256 (hexadecimal) of everything but the seed, whatever the order and spelling in the file.

        Files that it names count by what is in them, wherever they lie.
        """
        dumped = self.model_dump(mode="json", exclude={"run": {"seed"}})
        for table in ("condition", "choice"):
            if not dumped[table]:  # as before there were any
                del dumped[table]
        return _sha256(_by_content(dumped))

    @property
    def simulated_digest(self) -> str:
        """SHA-256 (hexadecimal) of what a simulation depends on: not of title, targets, prices, powers and `run`."""
        dumped = _by_content(self.model_dump(mode="json", exclude={"run", "title", "condition", "choice"}))
        return _sha256(_without(dumped, {"target", "price", "power", "height", "amount"}))

    def workload_named(self, name: str) -> Workload:
        """The class of that name. Raises KeyError if there is none."""
        return {each.name: each for each in self.workload}[name]

    def pool_of(self, workload: Workload) -> Pool:
        """The pool whose drives a class uses. Raises KeyError if it names none that there is."""
        pools = self.server.pools
        if workload.pool is None and len(pools) == 1:
            return pools[0]
        for pool in pools:
            if pool.name == workload.pool:
                return pool
        raise KeyError(workload.pool)

    @property
    def by_step(self) -> Scenario:
        """The same with every step of a transaction as a class of requests of its own."""
        if not any(each.step for each in self.workload):
            return self
        parts = tuple(part for each in self.workload for part in each.parts)
        return self.model_copy(update={"workload": parts})

    @property
    def rebuilds(self) -> tuple[Rebuild, ...]:
        """What the server does beside answering requests: the rebuild of failed drives."""
        return rebuilds_of(self.server)

    @property
    def background(self) -> tuple[Workload, ...]:
        """Rebuilds, and the recovery of failed servers, as classes of their own, no more urgent than any other."""
        priority = max(each.priority for each in self.workload)
        every = (*self.rebuilds, self.recovery)
        return tuple(each.workload(priority) for each in every if each is not None)

    @property
    def recovery(self) -> Recovery | None:
        """The recovery of failed servers; None if nothing is being recovered."""
        return recovery_of(self.server, self.cluster)

    def spans(self) -> tuple[tuple[int, int], ...]:
        """(start, length) in bytes of each class's addresses in its pool, in file order: see `checks.addresses`."""
        placed = dict[int, tuple[int, int]]()
        for use in pool_uses(self.server, self.workload, self.cluster):
            placed |= use.spans
        return tuple(placed[index] for index in range(len(self.workload)))


def _sha256(content: Any) -> str:
    given = _where_given(content, ADDED)
    text = json.dumps(given, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def _without(content: Any, keys: set[str]) -> Any:
    if isinstance(content, dict):
        return {key: _without(value, keys) for key, value in content.items() if key not in keys}
    return [_without(value, keys) for value in content] if isinstance(content, list) else content


def _where_given(content: Any, keys: Collection[str]) -> Any:
    """The same without those keys where nothing stands at them."""
    if isinstance(content, dict):
        return {
            key: _where_given(value, keys)
            for key, value in content.items()
            if key not in keys or value not in (None, [], ())
        }
    return [_where_given(value, keys) for value in content] if isinstance(content, list) else content


def _by_content(value: Any) -> Any:
    """A dumped value with the digest of what is in a file, or of a law, in place of its name."""
    if isinstance(value, dict):
        found = {key: _by_content(each) for key, each in value.items()}
        if isinstance(found.get("file"), str):
            found["file"] = content_digest(Path(found["file"]))
        if isinstance(found.get("named"), str):  # another version of its package may give another law
            law = outside.quantiles(found["named"], tuple(found["parameters"]))
            found["named"] = hashlib.sha256(law.tobytes()).hexdigest()
        return found
    return [_by_content(each) for each in value] if isinstance(value, list) else value
