"""How long must the answers be? By pilots, of several scenarios at once, that are thrown away."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from tailrace.answer.bench import Bench, steered
from tailrace.answer.figures import LEVEL
from tailrace.answer.replayed import replay_budget
from tailrace.answer.result import Overload
from tailrace.answer.sample import Bars, Sample
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.length import (
    ANSWER_START,
    PILOT_PRECISION,
    PILOT_REPLICATIONS,
    PILOT_START,
    answer_length,
    answer_replications,
    longer_helps,
    next_pilot_length,
    pilot_done,
    planned_excursions,
)
from tailrace.measure.section import MINIMUM_EXCURSIONS
from tailrace.replicate.gather import OVER_START, start_of
from tailrace.scenario.tables.scenario import Scenario

CONFIRMING = 4
"""How many times as long a run must be that confirms an overload: a short one may only have seen how queues fill up."""

FAR = 0.5
"""Share of the distance to the limit that the interval of a far point may take: then the verdict is clear."""
COARSEST = 0.25
"""Relative half-width that is aimed at however far the limit is, so that a curve can be drawn."""

STUCK_NOTE = (
    "Longer replications hardly narrow the interval: what differs between them is drawn once in each, as the beats of "
    "regular clients are, or changes slowly, as surges do. The answer has more replications instead."
)


@dataclass(frozen=True)
class Aim:
    """What an answer is for: fewest requests of a replication, and whether less precision will do far from a limit."""

    least: int
    by_limit: bool


ANSWER = Aim(ANSWER_START, by_limit=False)
"""All figures of one scenario."""
POINT = Aim(1, by_limit=True)
"""One of many points, of which a verdict or a line of a picture is wanted."""


@dataclass(frozen=True)
class Length:
    """Requests in each replication of an answer, and their number.

    ``bars`` say what the answer must show of each quantile, after what a pilot supported. ``overload`` is what was
    found before the answer; then there is none. ``longest`` is how long it may become, whatever is doubtful.
    """

    requests: int
    replications: int
    bars: Bars = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    overload: Overload | None = None
    longest: int | None = None

    def written(self) -> dict[str, Any]:
        """The same, ready for JSON."""
        return asdict(self) | {"bars": [[*key, list(bars.items())] for key, bars in self.bars.items()]}

    @classmethod
    def read(cls, kept: Mapping[str, Any]) -> Length:
        """What `written` gave."""
        overload = None if kept["overload"] is None else Overload(**kept["overload"])
        bars = {(name, kind): {p: int(count) for p, count in each} for name, kind, each in kept["bars"]}
        return cls(**{**kept, "notes": tuple(kept["notes"]), "overload": overload, "bars": bars})


@dataclass
class _Piloted:
    """How far the pilot of one scenario is."""

    scenario: Scenario
    budget: int
    requests: int
    confirms: bool = False
    widths: list[float] = field(default_factory=list)


def lengths(
    bench: Bench, scenarios: Sequence[Scenario], aim: Aim, most_work_s: float = math.inf
) -> list[Length]:
    """The length of each answer; a given one is taken as it is.

    Pilots that would take more than ``most_work_s`` seconds of work, all together, are not made longer any more.
    """
    found: dict[int, Length] = {}
    left: dict[int, _Piloted] = {}
    for place, scenario in enumerate(scenarios):
        budget, replications = replay_budget(scenario), scenario.run.replications
        asked = bench.asked_too_much(scenario)
        if asked is not None or scenario.run.fixed_length:
            found[place] = Length(budget, replications, overload=asked)
        else:
            left[place] = _Piloted(scenario, budget, min(PILOT_START, budget))
    spent = 0.0
    while left:
        wanted = [(each.scenario, range(PILOT_REPLICATIONS), each.requests) for each in left.values()]
        before = bench.crew.tally.work_s
        samples = bench.samples(wanted, "Pilot")
        took = bench.crew.tally.work_s - before
        spent += took
        for (place, pilot), sample in zip(list(left.items()), samples, strict=True):
            length = _decided(bench, pilot, sample, aim)
            if length is not None:
                found[place] = length
                del left[place]
            elif spent + 2 * took > most_work_s:  # what is left is twice as long
                bars = pooled_bars(pilot.scenario, sample)
                found[place] = Length(pilot.budget, pilot.scenario.run.replications, bars)
                del left[place]
    return [found[place] for place in range(len(scenarios))]


def _decided(bench: Bench, pilot: _Piloted, sample: Sample, aim: Aim) -> Length | None:
    """The length of the answer if the pilot can tell it; else None, and the pilot has another length."""
    scenario, run, requests = pilot.scenario, pilot.scenario.run, pilot.requests
    overload = bench.overload_seen(scenario, sample)
    if overload is not None:
        if pilot.confirms or requests >= pilot.budget:
            return Length(requests, run.replications, overload=overload)
        pilot.confirms, pilot.requests = True, min(CONFIRMING * requests, pilot.budget)
        return None
    pilot.confirms = False
    steering = steered(scenario)
    estimates = [sample.section(each.name, quantity).estimate(LEVEL) for each, quantity, _ in steering]
    wanted = [
        _wanted_width(each, limit if aim.by_limit else None, run.wanted_precision)
        for each, (*_, limit) in zip(estimates, steering, strict=True)
    ]
    good_enough = max(PILOT_PRECISION, *wanted)
    if pilot_done(*estimates, precision=good_enough) or requests >= pilot.budget:
        ratio = max(width_of(each) / width for each, width in zip(estimates, wanted, strict=True))
        least = max(aim.least, OVER_START * start_of(scenario))
        length = answer_length(requests, ratio, pilot.budget, least, run.replications)
        return Length(length, run.replications, bars_of_pilot(scenario, sample))
    bars = pooled_bars(scenario, sample)
    by_sample = (sample.section(each.name, quantity, bars) for each, quantity, _ in steering)
    pilot.widths.append(max(width_of(each.estimate(LEVEL)) for each in by_sample))
    if not longer_helps(pilot.widths):
        most = run.replications * pilot.budget // requests
        count = answer_replications(pilot.widths[-1], run.wanted_precision, run.replications, most)
        return Length(requests, count, bars, (STUCK_NOTE,))
    pilot.requests = min(next_pilot_length(requests), pilot.budget)
    return None


def _wanted_width(estimate: IntervalEstimate, limit: float | None, precision: float) -> float:
    """Relative half-width that decides a question: the precision, or less where the limit is far."""
    if limit is None or not estimate.value:
        return precision
    far = FAR * abs(estimate.value - limit) / estimate.value
    return max(precision, min(far, COARSEST))


def pooled_bars(scenario: Scenario, sample: Sample) -> Bars:
    """Bars for replications that differ for good: none where the pilot's excursions suffice taken together.

    What never happens in one replication can then be common in another, however long they are.
    """
    enough = MINIMUM_EXCURSIONS * len(sample)
    return {
        (each.name, kind): {
            p: 0 if spread.excursions.sum() >= enough else MINIMUM_EXCURSIONS
            for p, spread in sample.spreads(each.name, kind).items()
        }
        for each in scenario.workload
        for kind in sample.kinds(each.name)
    }


def bars_of_pilot(scenario: Scenario, sample: Sample) -> Bars:
    """What the answer must show of each quantile, after a pilot whose replications these are."""
    return {
        (each.name, kind): planned_excursions(
            {
                p: spread.section(MINIMUM_EXCURSIONS).estimate(LEVEL)
                for p, spread in sample.spreads(each.name, kind).items()
            }
        )
        for each in scenario.workload
        for kind in sample.kinds(each.name)
    }


def width_of(estimate: IntervalEstimate) -> float:
    """The relative half-width of an estimate, infinite where it has none."""
    width = estimate.relative_half_width
    return math.inf if width is None else width
