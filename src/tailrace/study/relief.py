"""What would mend a missed target, and what could be saved? Every resource doubled and halved, same random numbers."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tailrace.answer.points import Length
from tailrace.answer.readings import Reading
from tailrace.crew.bench import StudyWatch
from tailrace.measure.estimate import Estimate
from tailrace.measure.length import PILOT_REPLICATIONS
from tailrace.measure.paired import Paired, paired_sections
from tailrace.measure.verdict import Verdict, bonferroni_level
from tailrace.scenario.reading.read import load
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.cost import cost
from tailrace.scenario.tables.scenario import Scenario
from tailrace.shown import Shown
from tailrace.study.resources import Change, changes
from tailrace.study.session import PLAIN, Options, Session

OVERLOADED_LENGTH = 20_000
"""Requests in each replication where the server as it is carries nothing by which a pilot could tell."""
DOUBLED, HALVED = 2.0, 0.5


@dataclass(frozen=True)
class Relieved:
    """One resource doubled or halved.

    ``paired`` is the figure then against now, over the same random numbers, None where one of the two is overloaded or
    the change is not accepted (``reason``). ``price`` and ``power_w`` are what it costs more (less, if negative).
    """

    resource: str
    factor: float
    described: str
    verdict: Verdict | None
    value: Estimate | None
    paired: Paired | None
    price: float | None
    power_w: float | None
    reason: str = ""

    @property
    def change(self) -> float | None:
        """By what share the figure changes; negative for a shorter latency."""
        ratio = None if self.paired is None else self.paired.ratio.value
        return None if ratio is None else ratio - 1


@dataclass(frozen=True)
class Relief(Shown):
    """The answer: the target by which everything is ranked, and the resources, the best first."""

    title: str
    seed: int
    class_name: str
    quantity: str
    limit: float | None
    now: Estimate
    verdict: Verdict
    overloaded: str | None
    doubled: tuple[Relieved, ...]
    halved: tuple[Relieved, ...]
    replications: int
    requests: int

    @property
    def is_upper(self) -> bool:
        """Whether less of the figure is better."""
        return self.quantity not in ("rate", "throughput")


def relief(
    scenario: Scenario | str | os.PathLike[str],
    *,
    seed: int | None = None,
    store: str | os.PathLike[str] | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    engine: str = "auto",
    progress: StudyWatch | None = None,
) -> Relief:
    """Double and halve each resource of a server in turn, and rank them by what that does to the worst target.

    Args:
        scenario: a scenario, or its file.
        seed, store, workers, scheduler, engine, progress: as for `sweep`.

    Raises:
        ScenarioError, SettingError: what is asked for cannot be.
        StoreError: the store cannot be used.
    """
    if not isinstance(scenario, Scenario):
        scenario = load(scenario)
    return find_relief(scenario, Options(seed, store, workers or 1, scheduler, engine), progress)


def find_relief(scenario: Scenario, options: Options = PLAIN, progress: StudyWatch | None = None) -> Relief:
    """The same as `relief`, for a scenario with how the study is to be carried out."""
    variants = Variants(scenario)
    every = (*changes(variants, DOUBLED), *changes(variants, HALVED))
    possible = [each.scenario for each in every if each.scenario is not None]
    with Session("relief", scenario, {"digest": scenario.digest}, options, progress) as session:
        session.part([scenario, *possible])
        points = session.points
        length = points.lengths([scenario])[0]
        if length is None:
            run = scenario.run
            size = run.budget if run.fixed_length else min(OVERLOADED_LENGTH, run.budget)
            length = Length(size, max(run.replications, PILOT_REPLICATIONS))
        lengths = [None if points.overloaded(each) else length for each in (scenario, *possible)]
        now, *then = points.answers([scenario, *possible], lengths, "Answer")
        class_name, quantity, limit = _worst(now)
        # Each list is one statement: all its intervals hold together.
        level = bonferroni_level(0.95, max(len(every) // 2, 1))
        readings = iter(then)
        found = [
            _relieved(
                scenario,
                now,
                each,
                None if each.scenario is None else next(readings),
                class_name,
                quantity,
                level,
            )
            for each in every
        ]
        upper = quantity not in ("rate", "throughput")
        answer = Relief(
            scenario.title,
            session.seed,
            class_name,
            quantity,
            limit,
            now.estimate(class_name, quantity),
            now.verdict,
            now.overloaded,
            _ranked([each for each in found if each.factor > 1], upper),
            _ranked([each for each in found if each.factor < 1], upper),
            length.replications,
            session.bench.tally.requests,
        )
        session.finish(relief_rows(answer))
    return answer


def relief_rows(found: Relief) -> list[dict[str, Any]]:
    """One row a resource and direction, ready for JSON and tables; in SI units."""
    rows = []
    for each in (*found.doubled, *found.halved):
        ratio = each.paired.ratio if each.paired else None
        difference = each.paired.difference if each.paired else None
        rows.append(
            {
                "resource": each.resource,
                "factor": each.factor,
                "change": each.described,
                "verdict": each.verdict,
                "class": found.class_name,
                "quantity": found.quantity,
                "value": each.value.value if each.value else None,
                "ratio": ratio.value if ratio else None,
                "ratio_low": ratio.low if ratio else None,
                "ratio_high": ratio.high if ratio else None,
                "difference": difference.value if difference else None,
                "difference_low": difference.low if difference else None,
                "difference_high": difference.high if difference else None,
                "price": each.price,
                "power_w": each.power_w,
                "reason": each.reason or None,
            }
        )
    return rows


def _worst(now: Reading) -> tuple[str, str, float | None]:
    """The target that is missed by most; the p99 of the first class where none is set."""
    promised = [
        (each.name, quantity, limit)
        for each in now.scenario.workload
        if each.target is not None
        for quantity, limit in each.target.limits
    ]
    if not promised:
        return now.scenario.workload[0].name, "p99", None

    def need(target: tuple[str, str, float]) -> float:
        name, quantity, limit = target
        value = now.estimate(name, quantity).value
        if not value:
            return 0.0
        return value / limit if quantity not in ("rate", "throughput") else limit / value

    return max(promised, key=need)


def _relieved(
    scenario: Scenario,
    now: Reading,
    change: Change,
    then: Reading | None,
    class_name: str,
    quantity: str,
    level: float,
) -> Relieved:
    name = change.resource.name
    if then is None or change.scenario is None:
        return Relieved(
            name,
            change.factor,
            change.described,
            None,
            None,
            None,
            None,
            None,
            f"not accepted: {change.reason}",
        )
    before, after = cost(scenario.server), cost(change.scenario.server)
    price, power = _difference(before.price, after.price), _difference(before.power_w, after.power_w)
    paired = None
    if not (now.overloaded or then.overloaded):
        paired = paired_sections(
            now.sections(class_name, quantity), then.sections(class_name, quantity), level
        )
    value = None if then.overloaded else then.estimate(class_name, quantity)
    reason = f"{then.overloaded} cannot keep up" if then.overloaded else ""
    return Relieved(name, change.factor, change.described, then.verdict, value, paired, price, power, reason)


def _difference(before: float | None, after: float | None) -> float | None:
    """What a change costs; None where it does not touch anything with a price."""
    return None if before is None or after is None or after == before else after - before


def _ranked(found: Sequence[Relieved], upper: bool) -> tuple[Relieved, ...]:
    """The best first, then those of which nothing is known."""

    def rank(each: Relieved) -> tuple[int, float]:
        if each.value is None or each.value.value is None:
            return (2, 0.0) if each.verdict is None else (1, 0.0)
        return 0, each.value.value if upper else -each.value.value

    return tuple(sorted(found, key=rank))
