"""From scenarios to evidence: fresh replications, longer ones where they are not settled, more where it is asked."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace

from tailrace.answer.bench import Bench, Evidence, steered
from tailrace.answer.figures import LEVEL
from tailrace.answer.pilot import CONFIRMING, Length, pooled_bars, width_of
from tailrace.answer.replayed import replay_budget
from tailrace.answer.result import Overload
from tailrace.answer.sample import Doubt, Sample
from tailrace.crew.crew import Interrupted
from tailrace.measure.length import PILOT_REPLICATIONS, StoppedBy, stopped_by
from tailrace.replicate.replication import Replication
from tailrace.replicate.task import quantiles_of
from tailrace.scenario.tables.scenario import Scenario

TOLERATED = 0.1
"""Share of the precision wanted by which figures may be off for what is not settled: intervals are wider by as much."""

FILLING_BUDGETS = 8
"""How many times the budget a run may take to see what fills at its level, unless a scenario sets a budget."""


class InterruptedAnswers(Interrupted):
    """Answers that Ctrl-C has ended: ``evidence`` is what was finished by then shows of each scenario, or None.

    What was not brought to its end has no ``stopped_by``.
    """

    def __init__(self, stopped: Interrupted, evidence: Sequence[Evidence | None]) -> None:
        super().__init__(str(stopped), stopped.finished)
        self.evidence = tuple(evidence)


@dataclass
class _Asked:
    """How far the answer of one scenario is."""

    scenario: Scenario
    length: Length
    requests: int
    confirms: bool = False
    evidence: Evidence | None = None
    shown: tuple[Sequence[Replication], int] = ((), 0)
    """The round before, which was too short, and the requests in each of its replications."""


def answered(
    bench: Bench, scenarios: Sequence[Scenario], wanted: Sequence[Length], alike: bool = False
) -> list[Evidence]:
    """The evidence of fresh replications, numbered behind those of pilots.

    Where a run shows an overload, one of four times its length has to show it too, and what is not settled is run at
    twice its length, both as far as the budget goes; a given length stays.

    Args:
        bench: where they are run.
        scenarios: what is asked of.
        wanted: the length of each, from `lengths`.
        alike: whether all shall have the same length, so that replication r carries the same requests in each.

    Raises:
        InterruptedAnswers: on Ctrl-C.
    """
    asked = [
        _Asked(scenario, length, length.requests) for scenario, length in zip(scenarios, wanted, strict=True)
    ]
    for each in asked:
        if each.length.overload is not None:
            each.evidence = Evidence(each.scenario, Sample([]), 0, each.length.overload)
    while left := [each for each in asked if each.evidence is None]:
        jobs = [(each.scenario, _numbers(each.length), each.requests) for each in left]
        try:
            samples = bench.samples(jobs, "Answer")
        except Interrupted as stopped:
            for each, finished in zip(left, _by_job(jobs, stopped), strict=True):
                each.evidence = _so_far(bench, each, finished)
            raise InterruptedAnswers(stopped, [each.evidence for each in asked]) from None
        for each, sample in zip(left, samples, strict=True):
            each.shown = sample.replications, each.requests
            each.evidence = _evidence(bench, each, sample)
        if alike:
            longest = max(each.requests for each in left)
            for each in left:
                if each.requests < longest and (each.evidence is None or each.evidence.overload is None):
                    each.requests, each.evidence = longest, None
    return [each.evidence for each in asked if each.evidence is not None]


def _by_job(jobs: Sequence[tuple[Scenario, range, int]], stopped: Interrupted) -> Iterator[list[Replication]]:
    """What was finished of each job, of a bag that holds them one behind the other."""
    first = 0
    for _, numbers, _ in jobs:
        places = range(first, first + len(numbers))
        yield [stopped.finished[place] for place in places if place in stopped.finished]
        first = places.stop


def _so_far(bench: Bench, asked: _Asked, finished: Sequence[Replication]) -> Evidence | None:
    """What replications show that were finished when all had to end, or those of the round before where these are more.

    None where they are fewer than two, or one was given up.
    """
    if len(finished) == asked.length.replications:
        asked.shown = finished, asked.requests
        whole = _evidence(bench, asked, Sample(finished, quantiles_of(asked.scenario)))
        if whole is not None:
            return whole
        finished = ()
    rounds = asked.shown, (finished, asked.requests)
    replications, requests = max(rounds, key=lambda each: len(each[0]) * each[1])
    sample = Sample(replications, quantiles_of(asked.scenario))
    if len(sample) < 2 or not sample.complete:
        return None
    overload = bench.overload_seen(asked.scenario, sample)
    sample = bench.doubted(asked.scenario, sample)
    if overload is not None:
        sample = _growing(asked.scenario, sample, overload)
    return Evidence(asked.scenario, sample, requests, None, asked.length.bars, None, asked.length.notes)


def _numbers(length: Length) -> range:
    return range(PILOT_REPLICATIONS, PILOT_REPLICATIONS + length.replications)


def _evidence(bench: Bench, asked: _Asked, sample: Sample) -> Evidence | None:
    """What the replications show; None where a longer run is needed, whose length is then set."""
    scenario, requests = asked.scenario, asked.requests
    budget = replay_budget(scenario)
    overload = bench.overload_seen(scenario, sample)
    if overload is not None and (asked.length.longest is None or not sample.complete):
        if asked.confirms or requests >= budget:
            return Evidence(scenario, sample, requests, overload)
        asked.confirms, asked.requests = True, min(CONFIRMING * requests, budget)
        return None
    asked.confirms = False
    bars, notes = asked.length.bars, asked.length.notes
    sample = bench.doubted(scenario, sample)
    if overload is not None:
        sample = _growing(scenario, sample, overload)
    if scenario.run.fixed_length:
        return Evidence(scenario, sample, requests, None, bars, "fixed", notes)
    if any(
        sample.section(each.name, quantity, bars).value is None for each, quantity, _ in steered(scenario)
    ):
        # The pilot supported them, so what lacks them in one replication is no matter of length.
        bars = pooled_bars(scenario, sample)
    steering = [sample.section(each.name, quantity, bars) for each, quantity, _ in steered(scenario)]
    doubtful = _is_doubtful(scenario, sample) or any(each.value is None for each in steering)
    if any(math.isinf(each.off_by) for each in sample.doubts.values()) and scenario.run.requests is None:
        # What fills has to be full within the warm-up: nothing can be said before, so that may cost more.
        budget *= FILLING_BUDGETS
    if asked.length.longest is not None:
        budget = min(budget, asked.length.longest)
    if doubtful and requests < budget:
        asked.requests = min(2 * requests, budget)
        return None
    widest = max((each.estimate(LEVEL) for each in steering), key=width_of)
    reached: StoppedBy = "budget" if doubtful else stopped_by(widest, scenario.run.wanted_precision)
    return Evidence(scenario, sample, requests, None, bars, reached, notes)


def _growing(scenario: Scenario, sample: Sample, overload: Overload) -> Sample:
    """The same replications, of which nothing can be said where there is no time to confirm what they show."""
    said = f"more and more waits for {overload.station}, and a longer run would show whether that goes on"
    doubt = Doubt(said, math.inf)
    return Sample(sample.replications, sample.quantiles, {each.name: doubt for each in scenario.workload})


def _is_doubtful(scenario: Scenario, sample: Sample) -> bool:
    """Whether a doubt weighs more than is tolerated."""
    most = TOLERATED * scenario.run.wanted_precision
    return any(each.off_by > most for each in sample.doubts.values())


def decided(
    bench: Bench,
    evidence: Sequence[Evidence],
    looks: int,
    undecided: Callable[[Sequence[Evidence]], Collection[int]],
) -> list[Evidence]:
    """The evidence as it is, or with further stages of as many fresh replications where a target is undecided.

    Args:
        bench: where they are run.
        evidence: the first stage, of each scenario.
        looks: most stages in all.
        undecided: tells the places of the scenarios of which more has to be known.

    Raises:
        InterruptedAnswers: on Ctrl-C, with the stages that were finished.
    """
    found, counts = list(evidence), [len(each.sample) for each in evidence]
    for look in range(1, looks + 1):
        helped = [place for place, each in enumerate(found) if _may_be_decided(each)]
        left = [place for place in undecided(found) if place in helped]
        if not left or look == looks:
            break
        jobs = []
        for place in left:
            first = PILOT_REPLICATIONS + len(found[place].sample)
            jobs.append((found[place].scenario, range(first, first + counts[place]), found[place].requests))
        try:
            samples = bench.samples(jobs, "Next stage")
        except Interrupted as stopped:
            kept = [
                replace(each, stopped_by=None) if place in left else each for place, each in enumerate(found)
            ]
            raise InterruptedAnswers(stopped, kept) from None
        for place, more in zip(left, samples, strict=True):
            before = found[place]
            overload = bench.overload_seen(before.scenario, more)
            sample = Sample([*before.sample, *more], before.sample.quantiles)
            if overload is None:
                sample = bench.doubted(before.scenario, sample)
            found[place] = replace(before, sample=sample, overload=overload)
    return [
        replace(each, stopped_by="budget" if place in left else "decided") if place in helped else each
        for place, each in enumerate(found)
    ]


def _may_be_decided(evidence: Evidence) -> bool:
    """Whether more replications would say more."""
    return evidence.overload is None and not _is_doubtful(evidence.scenario, evidence.sample)
