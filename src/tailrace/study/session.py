"""What every study needs: seed, engine, crew, store, and its entry in the store."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

from tailrace.answer.bench import Bench, prepared, seed_of
from tailrace.crew.crew import Crew
from tailrace.crew.progress import Watch
from tailrace.crew.store import Store
from tailrace.engine.choice import choose_engine
from tailrace.replicate.mark import code_version
from tailrace.replicate.task import digest_of
from tailrace.scenario.tables.scenario import Scenario

MANY = 10**9
"""A study is always long enough for the compiled engine."""


@dataclass(frozen=True)
class Options:
    """How a study is to be carried out, whatever it asks: seed, store, processes or a scheduler, engine."""

    seed: int | None = None
    store: str | os.PathLike[str] | None = None
    workers: int = 1
    scheduler: str | None = None
    engine: str = "auto"


UNKEPT = "Nothing of it is kept: --store FILE would keep it."
"""What to say to whoever interrupts a study without a store."""

PLAIN = Options()
"""This process, no store, the seed of the scenario."""


class Session:
    """Opens what a study needs and closes it again. Use as a context.

    Raises SettingError or StoreError.
    """

    def __init__(
        self,
        kind: str,
        scenario: Scenario,
        asked: Mapping[str, Any],
        options: Options,
        progress: Watch | None,
    ) -> None:
        self.seed = seed_of(scenario, options.seed)
        chosen = choose_engine(options.engine, MANY)
        self._store = None if options.store is None else Store(options.store)
        try:
            self.crew = Crew(options.workers, options.scheduler, self._store, progress, UNKEPT)
        except BaseException:
            self._close()
            raise
        self.bench = Bench(self.crew, self.seed, chosen)
        text = json.dumps([kind, asked, self.seed, code_version()], sort_keys=True)
        self.name = f"{kind}-{hashlib.sha256(text.encode()).hexdigest()[:10]}"
        self._entry = (
            self.name,
            kind,
            scenario.title,
            {**asked, "seed": self.seed, "version": code_version()},
        )

    def __enter__(self) -> Self:
        if self._store is not None:
            self._store.begin(*self._entry)
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
        """Note which scenarios belong to the study."""
        if self._store is not None:
            self._store.part(self.name, [(digest_of(each), self.seed) for each in scenarios])

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
