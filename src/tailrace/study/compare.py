"""Which design is better, by how much, and how many of the one are needed to do what the other does?

All designs carry the same requests: replication r has the same random numbers in each. So figures move together, and
a difference is known better than either figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

from tailrace.answer.pool import Pool
from tailrace.answer.result import Result
from tailrace.answer.run import OverloadedError, Study, Watch, seed_of, unwatched
from tailrace.answer.summary import LATENCIES, latency_section, quantity_estimate
from tailrace.crew.progress import Progress
from tailrace.crew.workers import Workers
from tailrace.engine.choice import Engine, choose_engine
from tailrace.engine.compiled import prepare
from tailrace.errors import SettingError
from tailrace.measure.length import ANSWER_START, PILOT_REPLICATIONS
from tailrace.measure.paired import Paired, paired_sections
from tailrace.measure.verdict import Verdict, combined
from tailrace.replicate.gather import Kind
from tailrace.replicate.sample import replicate
from tailrace.scenario.tables.cost import Cost, cost
from tailrace.scenario.tables.scenario import Scenario
from tailrace.shown import Shown

SEARCH_REQUESTS = 20_000
"""Requests in each replication by which the largest load is looked for."""
SEARCH_REPLICATIONS = 4
CLOSE = 1.02
"""Ratio of a load that misses its targets to one that meets them at which the search ends."""
SMALLEST_LOAD = 1 / 1024


@dataclass(frozen=True)
class Difference:
    """One figure of a design against that of the first: ``paired.difference`` in seconds, ``paired.ratio``."""

    design: str
    class_name: str
    kind: Kind
    quantity: str
    paired: Paired


@dataclass(frozen=True)
class Design:
    """One of the designs compared.

    ``carries`` is the largest factor by which its open load can be multiplied with every target still met, to within
    2 % and by values, not by intervals; None with a reason in ``unknown`` where there is no such factor. ``boxes`` is
    how many of these, sharing the load evenly, do at the targets what one of the first design does.
    """

    name: str
    result: Result
    cost: Cost
    carries: float | None
    unknown: str
    boxes: int | None


@dataclass(frozen=True)
class Comparison(Shown):
    """Designs side by side, and how each differs from the first."""

    designs: tuple[Design, ...]
    differences: tuple[Difference, ...]

    @property
    def verdict(self) -> Verdict:
        """The gravest of the designs' verdicts."""
        return combined(each.result.verdict for each in self.designs)

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        return {
            "tailrace": version("tailrace"),
            "seed": self.designs[0].result.seed,
            "verdict": self.verdict,
            "designs": [
                {
                    "name": each.name,
                    "price": each.cost.price,
                    "power_w": each.cost.power_w,
                    "carries_load_factor": each.carries,
                    "carries_unknown": each.unknown or None,
                    "boxes_for_first": each.boxes,
                    "answer": each.result.as_dict(),
                }
                for each in self.designs
            ],
            "differences": [
                {
                    "design": each.design,
                    "against": self.designs[0].name,
                    "class": each.class_name,
                    "kind": each.kind,
                    "quantity": each.quantity,
                    "difference_s": each.paired.difference.as_dict(),
                    "ratio": each.paired.ratio.as_dict(),
                }
                for each in self.differences
            ],
        }


def compare(
    *scenarios: Scenario,
    names: Sequence[str] | None = None,
    seed: int | None = None,
    engine: str = "auto",
    workers: int | None = None,
    progress: Watch | None = None,
) -> Comparison:
    """Compare designs on the same requests: the first one, and each other against it.

    Every design is run with as many requests and replications as the one that needs most.

    Args:
        scenarios: two or more, as a rule with the same workload.
        names: what to call them; their titles if left out.
        seed: seed of all; by default the first scenario's.
        engine: "auto", "reference" or "compiled".
        workers: number of processes; this one alone if left out.
        progress: called as replications finish.

    Raises:
        SettingError: a ValueError: fewer than two scenarios, names that do not fit, or as `simulate`.
    """
    if len(scenarios) < 2:
        raise SettingError(f"{len(scenarios)} scenario is compared; accepted: 2 or more")
    called = _distinct([each.title for each in scenarios] if names is None else list(names))
    if len(called) != len(scenarios):
        raise SettingError(f"{len(called)} names for {len(scenarios)} scenarios; accepted: one each")
    seed = seed_of(scenarios[0], seed)
    chosen = choose_engine(engine, min(ANSWER_START, scenarios[0].run.budget) * 16 * len(scenarios))
    watch = progress or unwatched
    with Workers(1 if workers is None else workers) as crew:
        if chosen == "compiled":
            prepare(lambda: watch(Progress("Compiling the engine, this once", 0, 1)))
        studies = [Study(each, seed, chosen, crew, watch) for each in scenarios]
        results, pools = _answers(studies)
        carried = [_carries(each, seed, chosen, crew) for each in scenarios]
    designs = tuple(
        Design(name, result, cost(scenario.server), factor, unknown, _boxes(carried[0][0], factor))
        for name, result, scenario, (factor, unknown) in zip(called, results, scenarios, carried, strict=True)
    )
    differences: list[Difference] = []
    for name, study, pool in zip(called[1:], studies[1:], pools[1:], strict=True):
        differences += _differences(name, studies[0], pools[0], study, pool)
    return Comparison(designs, tuple(differences))


def _distinct(names: list[str]) -> list[str]:
    """The names, numbered where one would stand for two designs."""
    if len(set(names)) == len(names):
        return names
    return [f"{name} ({place})" for place, name in enumerate(names, start=1)]


def _answers(studies: Sequence[Study]) -> tuple[list[Result], list[Pool | None]]:
    """The answer of each study from replications that match one another, and these; None where overloaded."""
    overloads: dict[int, Result] = {}
    requests, replications = 0, 0
    notes: dict[int, tuple[str, ...]] = {}
    for place, study in enumerate(studies):
        asked = study.asked_too_much()
        if asked is not None:
            overloads[place] = study.result(Pool([]), None, asked, ())
            continue
        try:
            wanted, count, notes[place] = study.length()
        except OverloadedError as error:
            overloads[place] = study.result(Pool([]), None, study.grown(error), ())
            continue
        requests, replications = max(requests, wanted), max(replications, count)
    results: list[Result] = []
    pools: list[Pool | None] = []
    for place, study in enumerate(studies):
        pool = None
        if place not in overloads:
            try:
                pool = study.replications(requests, replications)
            except OverloadedError as error:
                overloads[place] = study.result(Pool([]), None, study.grown(error), ())
        pools.append(pool)
        results.append(overloads[place] if pool is None else study.judged(pool, notes[place]))
    return results, pools


def _differences(
    name: str, first: Study, ours: Pool | None, second: Study, theirs: Pool | None
) -> list[Difference]:
    """Every latency of the classes that both have."""
    if ours is None or theirs is None:
        return []
    shared = [each.name for each in second.scenario.workload]
    return [
        Difference(
            name,
            each.name,
            kind,
            quantity,
            paired_sections(
                latency_section(ours, each.name, kind, quantity, first.bars),
                latency_section(theirs, each.name, kind, quantity, second.bars),
            ),
        )
        for each in first.scenario.workload
        if each.name in shared
        for kind in ours.kinds(each.name)
        if kind in theirs.kinds(each.name)
        for quantity in LATENCIES
    ]


def _boxes(first: float | None, own: float | None) -> int | None:
    """How many boxes of a load factor do what one of the first does; a hair less than a whole number is that."""
    return None if first is None or own is None else math.ceil(first / own * (1 - 1e-9))


def _carries(scenario: Scenario, seed: int, engine: Engine, crew: Workers) -> tuple[float | None, str]:
    """The largest factor of the open load at which every target is met, or why none is known."""
    if not any(each.target is not None and each.target.limits for each in scenario.workload):
        return None, "no target is set"
    if not any(each.is_open for each in scenario.workload):
        return None, "no class is open: its load follows the server"
    meets, misses = 0.0, math.inf
    factor = 1.0
    while misses / max(meets, SMALLEST_LOAD / 2) > CLOSE:
        if _meets(scenario.model_copy(update={"load": scenario.load * factor}), seed, engine, crew):
            meets = factor
        else:
            misses = factor
        if misses <= SMALLEST_LOAD:
            return None, f"the targets are missed even at {SMALLEST_LOAD:.1g} times the load"
        if meets >= 1 / SMALLEST_LOAD:
            return None, f"the targets are met even at {meets:.0f} times the load"
        if math.isinf(misses):
            factor = 2 * meets
        else:
            factor = math.sqrt(meets * misses) if meets else misses / 2
    return meets, ""


def _meets(scenario: Scenario, seed: int, engine: Engine, crew: Workers) -> bool:
    """Whether every target is met, by the values of a short run."""
    study = Study(scenario, seed, engine, crew, unwatched)
    if study.asked_too_much() is not None:
        return False
    requests = min(SEARCH_REQUESTS, scenario.run.budget)
    most = 50_000 + requests // 2
    numbers = range(PILOT_REPLICATIONS, PILOT_REPLICATIONS + SEARCH_REPLICATIONS)
    samples = list(
        crew.run(replicate, [(scenario, seed, number, requests, most, engine) for number in numbers])
    )
    if not all(each.complete for each in samples):
        return False
    pool = Pool(samples)
    for workload in scenario.workload:
        for quantity, limit in workload.target.limits if workload.target is not None else ():
            value = quantity_estimate(workload, quantity, pool, bars=study.unbarred(pool)).value
            upper = quantity not in ("rate", "throughput")
            # A promise of a rate grows with the load that is to be carried.
            if value is None or (value > limit if upper else value < limit * scenario.load):
                return False
    return True
