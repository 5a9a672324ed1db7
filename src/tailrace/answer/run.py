"""One scenario, one answer: pilot, then fresh replications whose length the pilot has decided."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from importlib.metadata import version

from tailrace.answer.ages import age_notes
from tailrace.answer.agreement import disagreements
from tailrace.answer.answers import InterruptedAnswers, answered, decided
from tailrace.answer.bench import Bench, Evidence, bench_for, target_level
from tailrace.answer.caches import cache_notes
from tailrace.answer.figures import LEVEL, class_result
from tailrace.answer.pilot import ANSWER, lengths
from tailrace.answer.rebuilds import rebuild_results
from tailrace.answer.replayed import replay_notes
from tailrace.answer.result import Result
from tailrace.answer.sample import Sample
from tailrace.answer.stations import station_results
from tailrace.answer.steps import with_steps
from tailrace.crew.crew import Crew
from tailrace.crew.progress import Watch
from tailrace.forecast.estimate import theory_of
from tailrace.forecast.failures import failure_notes
from tailrace.forecast.flow import depth_notes
from tailrace.forecast.saturation import Load
from tailrace.forecast.servers import busiest_notes
from tailrace.hardware.flash import remarks
from tailrace.measure.length import ANSWER_START, PILOT_REPLICATIONS
from tailrace.measure.section import MOST_OFF
from tailrace.measure.verdict import combined
from tailrace.scenario.reading.read import Given, given
from tailrace.scenario.tables.flash import Flash
from tailrace.scenario.tables.scenario import Scenario

LOOKS = 3
"""Stages of a run that goes on until its targets are decided."""


def simulate(
    scenario: Given,
    seed: int | None = None,
    engine: str = "auto",
    workers: int | Crew | None = None,
    progress: Watch | None = None,
    until_decided: bool = False,
) -> Result:
    """Predict what the server of a scenario will do to the latency of each class.

    Args:
        scenario: what to simulate: a scenario, see :func:`tailrace.load`, or its file.
        seed: seed of all random streams; overrides the scenario's. If neither gives one, one is drawn.
        engine: "auto", "reference" or "compiled"; the answer is the same.
        workers: number of processes; the answer is the same. By default this process alone; a program that asks
            for more must guard its entry with ``if __name__ == "__main__"``, as any that starts processes.
            Or a crew that is at work already, and goes on with it.
        progress: called as replications finish; not with a crew, which has its own.
        until_decided: go on, in stages of as many fresh replications, while a target is undecided, for at most three
            stages. Each stage is a look at the targets, so each of their intervals is wider from the first on.

    Returns:
        The answer; two calls with the same scenario and seed give the same.

    Raises:
        ScenarioError: the file of a scenario cannot be read.
        SettingError: a ValueError: an engine that is not known or not installed, or fewer than one worker.
        Interrupted: on Ctrl-C, with the answer of the replications that were finished, if there is one.
    """
    scenario = given(scenario)
    with bench_for(scenario, seed, engine, workers, progress, least_requests(scenario)) as bench:
        length = lengths(bench, [scenario], ANSWER)[0]
        looks = LOOKS if until_decided and any(each.limits for each in scenario.workload) else 1
        level = target_level(scenario, looks)
        try:
            evidence = answered(bench, [scenario], [length])[0]
            if looks > 1:
                evidence = decided(bench, [evidence], looks, lambda found: _undecided(found, level))[0]
        except InterruptedAnswers as stopped:
            kept = stopped.evidence[0]
            if kept is not None:
                kept = replace(kept, notes=(str(stopped), *kept.notes))
                stopped.result = result_of(bench, kept, looks)
            raise
        return with_steps(result_of(bench, evidence, looks), scenario, bench.engine, PILOT_REPLICATIONS)


def _undecided(found: Sequence[Evidence], level: float) -> list[int]:
    """Places of evidence that leaves a target undecided."""
    return [
        place
        for place, each in enumerate(found)
        if any(target.verdict == "undecided" for target in each.judged(level))
    ]


def least_requests(scenario: Scenario) -> int:
    """Requests of the shortest answer, over all replications."""
    run = scenario.run
    least = run.requests if run.fixed_length and run.requests is not None else min(ANSWER_START, run.budget)
    return least * run.replications


def result_of(bench: Bench, evidence: Evidence, looks: int = 1, level: float | None = None) -> Result:
    """The answer that evidence gives, or that the server is overloaded.

    ``looks`` is how often targets may have been looked at: the intervals by which they are judged hold together at all.
    ``level`` is that of each, where more than these have to hold together.
    """
    scenario, load, overload = evidence.scenario, bench.load(evidence.scenario), evidence.overload
    sample = Sample([]) if overload is not None else evidence.sample
    level = target_level(scenario, looks) if level is None else level
    classes = (
        tuple(class_result(each, sample, level, evidence.bars) for each in scenario.workload)
        if len(sample)
        else ()
    )
    verdicts = [target.verdict for each in classes for target in each.targets]
    theory = theory_of(scenario, bench.seed, load)
    stations = station_results(load, sample.replications) if len(sample) else ()
    rebuilds = rebuild_results(scenario, sample.replications, LEVEL) if len(sample) else ()
    return Result(
        version=version("tailrace"),
        title=scenario.title,
        digest=scenario.digest,
        seed=bench.seed,
        engine=bench.engine,
        replications=len(sample),
        requests=sum(each.all.requests for each in classes),
        stopped_by=None if overload is not None else evidence.stopped_by,
        classes=classes,
        stations=stations,
        theory=theory,
        overload=overload,
        verdict="overloaded" if overload is not None else combined(verdicts),
        notes=(
            *(evidence.notes if overload is None else ()),
            *_unsettled(evidence),
            *(replay_notes(scenario, sample.replications) if len(sample) else ()),
            *failure_notes(scenario, {each.name: each.left_s for each in rebuilds}),
            *busiest_notes(scenario, bench.seed),
            *disagreements(theory, classes, len(sample)),
            *_of_arms(load),
            *depth_notes(
                scenario, load.banks, load.share, {e.name: e.mean_number_waiting or 0.0 for e in stations}
            ),
            *age_notes(scenario, classes),
            *cache_notes(scenario, bench.seed),
            *_of_datasheets(scenario),
        ),
        rebuilds=rebuilds,
        looks=looks,
    )


def _of_arms(load: Load) -> Iterator[str]:
    if load.arms_by_run:
        arms = [
            bank.arm is not None and share > 0.0 for bank, share in zip(load.banks, load.share, strict=True)
        ]
        yield (
            "What the arms can carry was found by a run with all queue slots taken, to within "
            f"{_one_digit(100 * float(load.error[arms].max()))} %: it depends on how many requests they can choose "
            "from."
        )


def _one_digit(percentage: float) -> str:
    """A percentage to one digit, written out."""
    return f"{float(f'{percentage:.1g}'):g}"


def _unsettled(evidence: Evidence) -> Iterator[str]:
    """What is doubtful: reasons that several classes share once."""
    doubts = evidence.sample.doubts
    for doubt in dict.fromkeys(doubts.values()):
        names = ", ".join(repr(name) for name, each in doubts.items() if each == doubt)
        within = " within its budget" if evidence.stopped_by == "budget" else ""
        means = "no interval is given" if doubt.off_by > MOST_OFF else "intervals are wider by as much"
        yield f"The run is not settled{within}: class {names}: {doubt.reason}; {means}."


def _of_datasheets(scenario: Scenario) -> tuple[str, ...]:
    return tuple(
        note
        for pool in scenario.server.pools
        if isinstance(pool.media, Flash)
        for note in remarks(
            f"the drives of pool {pool.name!r}" if pool.name else "the drives", pool.media, pool.lanes
        )
    )
