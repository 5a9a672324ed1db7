"""One scenario, one answer: pilot, then fresh replications whose length the pilot has decided."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from importlib.metadata import version

import numpy as np

from tailrace.answer.agreement import disagreements
from tailrace.answer.caches import cache_notes
from tailrace.answer.pool import Pool
from tailrace.answer.rebuilds import rebuild_results
from tailrace.answer.replayed import replay_budget, replay_notes
from tailrace.answer.result import ClassResult, Found, Overload, Result
from tailrace.answer.steps import with_steps
from tailrace.answer.summary import (
    LEVEL,
    STRICT,
    Bars,
    bars_of_pilot,
    class_result,
    own_value,
    pooled_bars,
    quantity_estimate,
    spread_width,
    station_results,
    steering_quantities,
)
from tailrace.crew.progress import Phase, Progress
from tailrace.crew.workers import Workers
from tailrace.engine.choice import Engine, choose_engine
from tailrace.engine.compiled import prepare
from tailrace.forecast.estimate import theory_of
from tailrace.forecast.failures import failure_notes
from tailrace.forecast.saturation import Load, offered_load
from tailrace.hardware.flash import remarks
from tailrace.measure.backlog import Backlog, backlog_growth
from tailrace.measure.estimate import Estimate
from tailrace.measure.length import (
    ANSWER_START,
    PILOT_REPLICATIONS,
    StoppedBy,
    answer_length,
    answer_replications,
    longer_helps,
    next_pilot_length,
    pilot_done,
    stopped_by,
)
from tailrace.measure.verdict import bonferroni_level, combined
from tailrace.measure.warmup import settled
from tailrace.plan.stations import Bank
from tailrace.quantity import QUANTILES
from tailrace.replicate.sample import Sample, replicate
from tailrace.scenario.tables.flash import Flash
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.workload import Workload

Watch = Callable[[Progress], None]

LOOKS = 3
"""Stages of a run that goes on until its targets are decided."""

CONFIRMING = 4
"""How many times as long a run must be that confirms an overload."""

MOST_UNDER_WAY = 50_000
"""Requests and detached ways under way at which a run is given up as overloaded: this, half of its length, and
four for each request that closed clients keep going."""

STUCK_NOTE = (
    "Longer replications hardly narrow the interval: what differs between them is drawn once in each, as the beats of "
    "regular clients are, or changes slowly, as surges do. The answer has more replications instead."
)


def simulate(
    scenario: Scenario,
    seed: int | None = None,
    engine: str = "auto",
    workers: int | Workers | None = None,
    progress: Watch | None = None,
    until_decided: bool = False,
) -> Result:
    """Predict what the server of a scenario will do to the latency of each class.

    Args:
        scenario: what to simulate; see :func:`tailrace.load`.
        seed: seed of all random streams; overrides the scenario's. If neither gives one, one is drawn.
        engine: "auto", "reference" or "compiled"; the answer is the same.
        workers: number of processes; the answer is the same. By default this process alone; a program that asks
            for more must guard its entry with ``if __name__ == "__main__"``, as any that starts processes.
            Or a crew that is at work already, and goes on with it.
        progress: called as replications finish.
        until_decided: go on, in stages of as many fresh replications, while a target is undecided, for at most three
            stages. Each stage is a look at the targets, so each of their intervals is wider from the first on.

    Returns:
        The answer; two calls with the same scenario and seed give the same.

    Raises:
        SettingError: a ValueError: an engine that is not known or not installed, or fewer than one worker.
        InterruptedRun: on Ctrl-C, with the answer of the replications that were finished, if there is one.
    """
    seed = seed_of(scenario, seed)
    run = scenario.run
    least = run.requests if run.fixed_length and run.requests is not None else min(ANSWER_START, run.budget)
    chosen = choose_engine(engine, least * run.replications)
    watch = progress or unwatched
    with crew_of(workers) as crew:
        if chosen == "compiled":
            prepare(lambda: watch(Progress("compiling", 0, 1, 0, None, None)))
        return Study(scenario, seed, chosen, crew, watch, until_decided).answer()


def crew_of(workers: int | Workers | None) -> AbstractContextManager[Workers]:
    """A crew for a while, or the one given, which stays at work."""
    if isinstance(workers, Workers):
        return nullcontext(workers)
    return Workers(1 if workers is None else workers)


def seed_of(scenario: Scenario, seed: int | None) -> int:
    """The seed to use: the one given, else the scenario's, else one drawn."""
    if seed is None:
        seed = scenario.run.seed
    return secrets.randbelow(2**32) if seed is None else seed


def unwatched(_: Progress) -> None:
    """Nobody watches."""


class InterruptedRun(KeyboardInterrupt):
    """A run that Ctrl-C has ended; ``result`` is the answer of what was finished, None if that is none."""

    def __init__(self, said: str, result: Result | None) -> None:
        super().__init__(said)
        self.result = result


@dataclass(frozen=True)
class _Answer:
    pool: Pool
    stopped_by: StoppedBy
    notes: tuple[str, ...] = ()


class OverloadedError(Exception):
    """The backlog of a run grew beyond what a server that keeps up could show."""

    def __init__(self, samples: list[Sample], backlog: Backlog | None) -> None:
        super().__init__()
        self.samples, self.backlog = samples, backlog


class Study:
    """The runs of one scenario: pilot, replications of an answer, and what they say."""

    def __init__(
        self,
        scenario: Scenario,
        seed: int,
        engine: Engine,
        crew: Workers,
        watch: Watch,
        until_decided: bool = False,
    ) -> None:
        self.scenario, self._seed, self._watch = scenario, seed, watch
        self._engine, self._crew = engine, crew
        self.load = offered_load(scenario, seed)
        self._steering = steering_quantities(scenario.workload)
        self.bars = STRICT
        targets = sum(len(each.target.limits) for each in scenario.workload if each.target is not None)
        self._looks = LOOKS if until_decided and targets else 1
        self._level = bonferroni_level(LEVEL, max(targets, 1) * self._looks)
        self._budget = replay_budget(scenario)
        self._closed_requests = sum(each.clients * (each.queue_depth or 0) for each in scenario.workload)

    def answer(self) -> Result:
        """The whole answer."""
        asked = self.asked_too_much()
        if asked is not None:
            return self.result(Pool([]), None, asked, ())
        try:
            answer = self._simulated()
        except OverloadedError as error:
            return self.result(Pool([]), None, self.grown(error), ())
        result = self.result(answer.pool, answer.stopped_by, None, answer.notes)
        return with_steps(result, self.scenario, self._engine, PILOT_REPLICATIONS)

    def asked_too_much(self) -> Overload | None:
        """The overload that the demands show before any run; None if they show none."""
        binding = self.load.binding
        if binding is None or not binding.is_exceeded:
            return None
        bank = next(bank for bank in self.load.banks if bank.name == binding.station)
        return self._overload(bank, binding.load_factor, "before the run")

    # Length

    def _simulated(self) -> _Answer:
        run, budget = self.scenario.run, self._budget
        if run.fixed_length:
            return self._decided(_Answer(self.replications(budget, run.replications), "fixed"), budget)
        requests, replications, notes = self.pilot()
        pool, requests = self._confirmed(lambda n: self.replications(n, replications), requests)
        if any(each.value is None for each in self._steering_estimates(pool)):
            # The pilot supported them, so what lacks them in one replication is no matter of length.
            self.bars = pooled_bars(self.scenario.workload, pool)
        while (doubt := self.doubt(pool)) and requests < budget:
            requests = min(2 * requests, budget)
            pool = self.replications(requests, replications)
        widest = max(self._steering_estimates(pool), key=_width)
        if doubt:
            notes += (f"The run is not settled within its budget: {doubt}.",)
            return _Answer(pool, "budget", notes)
        return self._decided(_Answer(pool, stopped_by(widest, run.wanted_precision), notes), requests)

    def _confirmed(self, run: Callable[[int], Pool], requests: int) -> tuple[Pool, int]:
        """Replications of that length; of a longer one where that shows an overload, which must show it as well.

        A short run may only have seen how the queues fill up.
        """
        try:
            return run(requests), requests
        except OverloadedError:
            if requests >= self._budget:
                raise
        longer = min(CONFIRMING * requests, self._budget)
        return run(longer), longer

    def _decided(self, answer: _Answer, requests: int) -> _Answer:
        """The answer as it is, or with further stages of fresh replications as long as a target is undecided."""
        pool, count = answer.pool, len(answer.pool)
        for look in range(1, self._looks + 1):
            verdicts = [target.verdict for each in self._classes(pool) for target in each.targets]
            if "undecided" not in verdicts:
                stopped: StoppedBy = "decided" if self._looks > 1 else answer.stopped_by
                return replace(answer, pool=pool, stopped_by=stopped)
            if look < self._looks:
                stage = self.replications(requests, count, behind=len(pool))
                pool = Pool([*pool, *stage])
        stopped = "budget" if self._looks > 1 else answer.stopped_by
        return replace(answer, pool=pool, stopped_by=stopped)

    def _classes(self, pool: Pool) -> tuple[ClassResult, ...]:
        return tuple(class_result(each, pool, self._level, self.bars) for each in self.scenario.workload)

    def length(self) -> tuple[int, int, tuple[str, ...]]:
        """Requests in each replication, number of replications, and what there is to say: as given, or by a pilot."""
        run = self.scenario.run
        return (self._budget, run.replications, ()) if run.fixed_length else self.pilot()

    def judged(self, pool: Pool, notes: tuple[str, ...]) -> Result:
        """The answer of replications as they are, whatever there is to doubt."""
        run = self.scenario.run
        if run.fixed_length:
            return self.result(pool, "fixed", None, notes)
        doubt = self.doubt(pool)
        if doubt:
            notes += (f"The run is not settled within its budget: {doubt}.",)
        widest = max(self._steering_estimates(pool), key=_width)
        return self.result(pool, stopped_by(widest, run.wanted_precision), None, notes)

    def unbarred(self, pool: Pool) -> Bars:
        """Bars that no quantile fails: for values without intervals."""
        return {
            (each.name, kind): dict.fromkeys(QUANTILES.values(), 0)
            for each in self.scenario.workload
            for kind in pool.kinds(each.name)
        }

    def pilot(self) -> tuple[int, int, tuple[str, ...]]:
        """Requests in each replication of the answer, number of replications, and what there is to say of both."""
        run, workloads, budget = self.scenario.run, self.scenario.workload, self._budget
        length, widths = min(next_pilot_length(), budget), list[float]()
        while True:
            pool, length = self._confirmed(
                lambda requests: self._run("pilot", range(PILOT_REPLICATIONS), requests, None), length
            )
            estimates = self._steering_estimates(pool)
            if pilot_done(*estimates) or length >= budget:
                self.bars = bars_of_pilot(workloads, pool)
                width = max(_width(each) for each in estimates)
                requests = answer_length(length, width, run.wanted_precision, budget)
                return requests, run.replications, ()
            bars = pooled_bars(workloads, pool)
            widths.append(max(_width(each) for each in self._steering_estimates(pool, bars)))
            if not longer_helps(widths):
                self.bars = bars
                most = run.replications * budget // length
                count = answer_replications(widths[-1], run.wanted_precision, run.replications, most)
                return length, count, (STUCK_NOTE,)
            length = min(next_pilot_length(length), budget)

    def replications(self, requests: int, count: int, behind: int = 0) -> Pool:
        """The replications of an answer: fresh ones, numbered behind those of the pilot and of earlier stages."""
        first = PILOT_REPLICATIONS + behind
        numbers = range(first, first + count)
        return self._run("answer", numbers, requests, self.scenario.run.wanted_precision)

    def _run(self, phase: Phase, numbers: range, requests: int, precision: float | None) -> Pool:
        samples: list[Sample] = []
        most = MOST_UNDER_WAY + requests // 2 + 4 * self._closed_requests
        tasks = [(self.scenario, self._seed, number, requests, most, self._engine) for number in numbers]
        self._watch(Progress(phase, 0, len(numbers), requests, None, precision))
        own: list[list[float]] = []
        try:
            for sample in self._crew.run(replicate, tasks):
                samples.append(sample)
                if not sample.complete:
                    raise OverloadedError(samples, None)
                if self._watch is not unwatched:
                    own.append([own_value(*steering, sample) for steering in self._steering])
                width = spread_width(own)
                self._watch(Progress(phase, len(samples), len(numbers), requests, width, precision))
        except KeyboardInterrupt:
            kept = samples if phase == "answer" and len(samples) > 1 else []
            said = f"Interrupted: {len(samples)} of {len(numbers)} replications of the {phase} were finished."
            result = self.result(Pool(kept), None, None, (said,)) if kept else None
            raise InterruptedRun(said, result) from None
        backlog = backlog_growth(
            [sample.arrived for sample in samples], [sample.under_way for sample in samples]
        )
        if backlog.overloaded:
            raise OverloadedError(samples, backlog)
        return Pool(samples)

    def _steering_estimates(self, pool: Pool, bars: Bars | None = None) -> list[Estimate]:
        bars = self.bars if bars is None else bars
        return [quantity_estimate(*steering, pool, bars=bars) for steering in self._steering]

    def doubt(self, pool: Pool) -> str:
        """Why the run may be too short, whatever its width: a long transient, a quantile without support."""
        steering: dict[str, Workload] = {workload.name: workload for workload, _ in self._steering}
        for name in steering:
            check = settled([sample.warming_s[name] for sample in pool])
            if not check:
                return f"class {name!r}: {check.reason}"
        for (workload, quantity), estimate in zip(
            self._steering, self._steering_estimates(pool), strict=True
        ):
            if estimate.value is None:
                return f"{quantity} of class {workload.name!r}: {estimate.method}"
        return ""

    # Answer

    def grown(self, error: OverloadedError) -> Overload:
        """Which bank's queue grew most, and the load that was carried."""
        grown = np.sum([sample.waiting_growth for sample in error.samples], axis=0)
        bank = self.load.banks[int(np.nanargmax(grown))]
        if error.backlog is not None:
            sustained = error.backlog.sustained or 0.0
        else:
            given_up = error.samples[-1]
            left = float(np.ptp(given_up.under_way)) / max(float(np.ptp(given_up.arrived)), 1.0)
            sustained = max(1.0 - left, 0.0)
        return self._overload(bank, sustained, "during the run")

    def _overload(self, bank: Bank, factor: float, found: Found) -> Overload:
        scenario = self.scenario
        rate_per_s = sum(each.clients * (each.rate or 0.0) for each in scenario.workload) * scenario.load
        stage = bank.stage.name.lower()
        return Overload(bank.name, stage, bank.count, factor, factor * rate_per_s, found)

    def result(
        self,
        pool: Pool,
        stopped: StoppedBy | None,
        overload: Overload | None,
        notes: tuple[str, ...],
    ) -> Result:
        """What replications say, or that the server is overloaded."""
        scenario, load = self.scenario, self.load
        classes = self._classes(pool) if len(pool) else ()
        verdicts = [target.verdict for each in classes for target in each.targets]
        theory = theory_of(scenario, self._seed, load)
        if len(pool):
            notes += replay_notes(scenario, pool.samples)
        rebuilds = rebuild_results(scenario, list(pool.samples), LEVEL) if len(pool) else ()
        left = {each.name: each.left_s for each in rebuilds}
        return Result(
            version=version("tailrace"),
            title=scenario.title,
            digest=scenario.digest,
            seed=self._seed,
            engine=self._engine,
            replications=len(pool),
            requests=sum(each.all.requests for each in classes),
            stopped_by=stopped,
            classes=classes,
            stations=station_results(load.banks, load, pool) if len(pool) else (),
            theory=theory,
            overload=overload,
            verdict="overloaded" if overload is not None else combined(verdicts),
            notes=(
                *notes,
                *failure_notes(scenario, left),
                *disagreements(theory, classes, len(pool)),
                *_notes(load),
                *cache_notes(scenario, self._seed),
                *_of_datasheets(scenario),
            ),
            rebuilds=rebuilds,
        )


def _width(estimate: Estimate) -> float:
    width = estimate.relative_half_width
    return float("inf") if width is None else width


def _of_datasheets(scenario: Scenario) -> tuple[str, ...]:
    pools = scenario.server.pools
    return tuple(
        note
        for pool in pools
        if isinstance(pool.media, Flash)
        for note in remarks(
            f"the drives of pool {pool.name!r}" if pool.name else "the drives", pool.media, pool.lanes
        )
    )


def _notes(load: Load) -> tuple[str, ...]:
    if not load.arms_by_run:
        return ()
    arms = [bank.arm is not None and share > 0.0 for bank, share in zip(load.banks, load.share, strict=True)]
    return (
        "What the arms can carry was found by a run with all queue slots taken, to within "
        f"{100 * float(load.error[arms].max()):.1g} %: it depends on how many requests they can choose from.",
    )
