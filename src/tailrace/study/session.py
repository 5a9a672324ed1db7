"""What every study needs: seed, engine, crew, store, and its entry in the store."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from functools import cached_property
from types import TracebackType
from typing import Any, Self, TypedDict, Unpack

from tailrace.answer.bench import Bench, prepared, seed_of
from tailrace.crew.crew import Crew
from tailrace.crew.progress import Watch
from tailrace.crew.store import Store
from tailrace.engine.choice import choose_engine
from tailrace.replicate.mark import code_version
from tailrace.replicate.task import digest_of
from tailrace.scenario.reading.conditions import states
from tailrace.scenario.tables.scenario import Scenario

MANY = 10**9
"""A study is always long enough for the compiled engine."""


class How(TypedDict, total=False):
    """How a study is to be carried out, whatever it asks.

    ``seed`` of all random streams, over the scenario's; ``store``, a file that keeps every finished replication, so
    that the study goes on from it; ``workers``, processes, by default this one alone, or ``scheduler``, the address of
    a Dask scheduler; ``engine``, "auto", "reference" or "compiled"; ``progress``, called as replications finish. The
    answer is the same whoever carries it out.
    """

    seed: int | None
    store: str | os.PathLike[str] | None
    workers: int | None
    scheduler: str | None
    engine: str
    progress: Watch | None


UNKEPT = "Nothing of it is kept: --store FILE would keep it."
"""What to say to whoever interrupts a study without a store."""


class Session:
    """Opens what a study needs and closes it again. Use as a context.

    Raises SettingError or StoreError.
    """

    def __init__(self, kind: str, scenario: Scenario, asked: Mapping[str, Any], **how: Unpack[How]) -> None:
        self.seed = seed_of(scenario, how.get("seed"))
        chosen = choose_engine(how.get("engine", "auto"), MANY)
        store, workers = how.get("store"), how.get("workers")
        self._store = None if store is None else Store(store)
        try:
            self.crew = Crew(
                1 if workers is None else workers,
                how.get("scheduler"),
                self._store,
                how.get("progress"),
                UNKEPT,
            )
        except BaseException:
            self._close()
            raise
        self.bench = Bench(self.crew, self.seed, chosen)
        self._kind, self._title, self._asked = kind, scenario.title, asked

    @cached_property
    def name(self) -> str:
        """Name in the store, by all that decides what is found. For a store only, since it reads the code."""
        text = json.dumps([self._kind, self._asked, self.seed, code_version()], sort_keys=True)
        return f"{self._kind}-{hashlib.sha256(text.encode()).hexdigest()[:10]}"

    def __enter__(self) -> Self:
        if self._store is not None:
            asked = {**self._asked, "seed": self.seed, "version": code_version()}
            self._store.begin(self.name, self._kind, self._title, asked)
        prepared(self.bench.engine, self.crew)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.crew.__exit__(kind, error, trace)
        self._close()

    def _close(self) -> None:
        if self._store is not None:
            self._store.close()

    def part(self, scenarios: Sequence[Scenario]) -> None:
        """Note which scenarios belong to the study, in all their conditions."""
        if self._store is not None:
            every = [part.scenario for each in scenarios for part in states(each)]
            self._store.part(self.name, [(digest_of(each), self.seed) for each in every])

    def decided(self, decision: str) -> Any:
        """A decision that the study made earlier, or None."""
        return None if self._store is None else self._store.decided(self.name, decision)

    def decide(self, decision: str, value: Any) -> Any:
        """Keep a decision; returns the one that holds."""
        return value if self._store is None else self._store.decide(self.name, decision, value)

    def finish(self, rows: list[dict[str, Any]]) -> None:
        """Keep the rows of the study."""
        if self._store is not None:
            self._store.finish(self.name, rows)
