"""Where scenarios are put to the test: one seed, one engine, one crew, and the evidence that their runs give."""

from __future__ import annotations

import math
import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from tailrace.answer.doubts import doubts
from tailrace.answer.figures import LEVEL, section_of, target_results
from tailrace.answer.laws import gaps_of_closed
from tailrace.answer.result import Found, Overload, TargetResult
from tailrace.answer.sample import Bars, Sample
from tailrace.crew.crew import Crew
from tailrace.crew.progress import COMPILING, Progress, Watch
from tailrace.engine.choice import Engine, choose_engine
from tailrace.engine.compiled import prepare
from tailrace.forecast.saturation import Load, offered_load
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.length import StoppedBy
from tailrace.measure.section import Sectioned, sectioned_ratio
from tailrace.measure.verdict import Verdict, bonferroni_level, combined
from tailrace.plan.stations import Bank
from tailrace.quantity import Quantity
from tailrace.replicate.replication import Replication
from tailrace.replicate.task import Task, quantiles_of
from tailrace.scenario.reading.conditions import alone
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.workload import Workload

ROOM_TO_SPARE = 0.9
"""Load by demands below which a queue before servers cannot grow for good."""


@dataclass(frozen=True)
class Evidence:
    """What replications of one scenario show, each of ``requests`` requests.

    Of an overloaded server nothing is said but that. ``bars`` say what supports a quantile. ``stopped_by`` is None of
    what was overloaded, or interrupted before its end.
    """

    scenario: Scenario
    sample: Sample
    requests: int
    overload: Overload | None = None
    bars: Bars = field(default_factory=dict)
    stopped_by: StoppedBy | None = None
    notes: tuple[str, ...] = ()

    def estimate(self, name: str, quantity: str, level: float = LEVEL) -> IntervalEstimate:
        """A figure of a class, by its text."""
        if self.overload is not None:
            return IntervalEstimate.unknown(0, f"overloaded: {self.overloaded} cannot keep up")
        figure = Quantity(quantity)
        if figure.probability is not None and figure.statistic not in self.sample.quantiles:
            return IntervalEstimate.unknown(0, "nobody asked for it here: no target limits it")
        return self.section(name, figure).estimate(level)

    def section(self, name: str, quantity: str) -> Sectioned:
        """The same, with how the replications lie about it."""
        return section_of(self.scenario.workload_named(name), self.sample, Quantity(quantity), self.bars)

    def judged(self, level: float) -> tuple[TargetResult, ...]:
        """What was promised, each judged by an interval of that level; nothing of an overloaded server."""
        if self.overload is not None:
            return ()
        return target_results(self.scenario.workload, self.sample, level, self.bars)

    @cached_property
    def targets(self) -> tuple[TargetResult, ...]:
        """The same at the level at which all verdicts hold together."""
        return self.judged(target_level(self.scenario))

    @property
    def is_known(self) -> bool:
        """Whether anything was seen of it: it was not interrupted before that."""
        return self.overload is not None or len(self.sample) > 0

    @property
    def overloaded(self) -> str | None:
        """The station that cannot keep up."""
        return None if self.overload is None else self.overload.station

    @property
    def verdict(self) -> Verdict:
        """That of all targets together."""
        return "overloaded" if self.overload is not None else combined(each.verdict for each in self.targets)


def target_level(scenario: Scenario, looks: int = 1) -> float:
    """Level of each interval by which a target is judged, such that all targets, at all looks, hold together."""
    return bonferroni_level(LEVEL, max(sum(len(each.limits) for each in scenario.workload), 1) * looks)


def steered(scenario: Scenario) -> list[tuple[Workload, Quantity, float | None]]:
    """What decides the length of a run, with its limit: every target or, without any, the p99 of each class."""
    promised: list[tuple[Workload, Quantity, float | None]] = [
        (each, quantity, limit) for each in scenario.workload for quantity, limit in each.steering
    ]
    return promised or [(each, Quantity("p99"), None) for each in scenario.workload]


class Bench:
    """Runs scenarios at one seed: the same seed means the same random numbers for all of them.

    ``whole`` says whether every latency is kept, so that quantiles are exact.
    """

    def __init__(self, crew: Crew, seed: int, engine: Engine, whole: bool = False) -> None:
        self.crew, self.seed, self.engine, self._whole = crew, seed, engine, whole
        self._loads: dict[str, Load] = {}

    def load(self, scenario: Scenario) -> Load:
        """What the open classes ask of each bank."""
        digest = alone(scenario).simulated_digest
        if digest not in self._loads:
            self._loads[digest] = offered_load(scenario, self.seed)
        return self._loads[digest]

    def asked_too_much(self, scenario: Scenario) -> Overload | None:
        """The overload that the demands show before any run; None if they show none."""
        load = self.load(scenario)
        binding = load.binding
        if binding is None or not binding.is_exceeded:
            return None
        bank = next(bank for bank in load.banks if bank.name == binding.station)
        return _overload(scenario, bank, binding.load_factor, "before the run")

    def samples(self, wanted: Sequence[tuple[Scenario, range, int]], step: str) -> list[Sample]:
        """Replications of each scenario: which, and of how many requests; all in one bag.

        What comes after one that was given up is not looked at.
        """
        tasks = [
            Task(scenario, self.seed, number, requests, self.engine, self._whole)
            for scenario, numbers, requests in wanted
            for number in numbers
        ]
        alone = len(wanted) == 1
        widths = _Widths(wanted[0][0]) if alone and self.crew.is_watched else None
        precision = wanted[0][0].run.wanted_precision if alone and step != "Pilot" else None
        found = iter(
            self.crew.run(tasks, step, (lambda each: not each.complete) if alone else None, widths, precision)
        )
        samples = []
        for scenario, numbers, _ in wanted:
            mine = [each for _, each in zip(numbers, found, strict=False)]
            given_up = next((place for place, each in enumerate(mine) if not each.complete), len(mine))
            samples.append(Sample(mine[: given_up + 1], quantiles_of(scenario)))
        return samples

    def doubted(self, scenario: Scenario, sample: Sample) -> Sample:
        """The same replications, with why figures of the classes may be off, and their rates by how much."""
        found = doubts(scenario, self.load(scenario), sample)
        return Sample(sample.replications, sample.quantiles, found, gaps_of_closed(scenario, sample))

    def overload_seen(self, scenario: Scenario, sample: Sample) -> Overload | None:
        """The overload that a run shows: which bank's queue grew most, and the load that was carried; or None.

        Servers that by their demands have room to spare only catch up with what came at once, however long that takes.
        """
        if sample.complete:
            backlog = sample.backlog()
            if not backlog.overloaded:
                return None
            sustained = backlog.sustained or 0.0
        else:
            given_up = sample.replications[-1]
            left = float(np.ptp(given_up.under_way)) / max(float(np.ptp(given_up.arrived)), 1.0)
            sustained = max(1.0 - left, 0.0)
        grown = np.sum([each.stations.waiting_growth for each in sample], axis=0)
        load = self.load(scenario)
        place = int(np.nanargmax(grown))
        bank = load.banks[place]
        if sample.complete and bank.serves and load.share[place] * (1.0 + load.error[place]) < ROOM_TO_SPARE:
            return None
        return _overload(scenario, bank, sustained, "during the run")


@contextmanager
def bench_for(
    scenario: Scenario,
    seed: int | None,
    engine: str,
    workers: int | Crew | None,
    progress: Watch | None,
    requests: int,
) -> Iterator[Bench]:
    """A bench for whole replications of about so many requests in all, with a crew of its own or the one given.

    Raises SettingError, a ValueError: an engine that is not known or not installed, or fewer than one worker.
    """
    chosen = choose_engine(engine, requests)
    own = (
        nullcontext(workers)
        if isinstance(workers, Crew)
        else Crew(1 if workers is None else workers, watch=progress)
    )
    with own as crew:
        prepared(chosen, crew)
        yield Bench(crew, seed_of(scenario, seed), chosen, whole=True)


def prepared(engine: Engine, crew: Crew) -> None:
    """See that the engine is compiled before it is wanted, and say so while that goes on."""
    if engine == "compiled":
        prepare(lambda: crew.tell(Progress(COMPILING, 0, 1)))


def seed_of(scenario: Scenario, seed: int | None) -> int:
    """The seed to use: the one given, else the scenario's, else one drawn."""
    if seed is None:
        seed = scenario.run.seed
    return secrets.randbelow(2**32) if seed is None else seed


def _overload(scenario: Scenario, bank: Bank, factor: float, found: Found) -> Overload:
    rate_per_s = factor * scenario.open_rate_per_s
    return Overload(
        bank.name, bank.stage.name.lower(), bank.each, factor, rate_per_s, found, bank.key, bank.whose
    )


class _Widths:
    """The widest relative half-width of what steers a run, by what each replication so far says by itself.

    A figure for whoever waits: the answer's intervals are about the pooled value.
    """

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._own: list[list[float]] = []

    def __call__(self, replication: Replication) -> float | None:
        sample = Sample([replication], quantiles_of(self._scenario))
        own = [
            sample.section(each.name, quantity, None).value for each, quantity, _ in steered(self._scenario)
        ]
        self._own.append([math.nan if value is None else value for value in own])
        if len(self._own) < 2:
            return None
        columns = [
            sectioned_ratio(column, np.ones(len(column)))
            for column in zip(*self._own, strict=True)
            if np.isfinite(column).all()
        ]
        widths = [each.relative_half_width for each in columns]
        return max((width for width in widths if width is not None), default=None)
