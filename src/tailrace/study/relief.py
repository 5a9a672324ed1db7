"""What would mend a missed target, and what could be saved? Every resource doubled and halved, same random numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Unpack

from tailrace.answer.answers import answered
from tailrace.answer.bench import Bench, Evidence
from tailrace.answer.figures import LEVEL
from tailrace.answer.pilot import POINT, Length, lengths
from tailrace.answer.together import OVER_ALL, Together, joint_limits, own_limits
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.length import PILOT_REPLICATIONS
from tailrace.measure.paired import Paired, paired_sections
from tailrace.measure.verdict import Verdict, bonferroni_level
from tailrace.quantity import Quantity
from tailrace.scenario.reading.conditions import states
from tailrace.scenario.reading.read import Given, given
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.cost import cost
from tailrace.scenario.tables.scenario import Scenario
from tailrace.shown import Shown, told
from tailrace.study.resources import Change, changes
from tailrace.study.session import How, Session

if TYPE_CHECKING:
    import pandas as pd

OVERLOADED_LENGTH = 20_000
"""Requests in each replication where the server as it is carries nothing by which a pilot could tell."""
DOUBLED, HALVED = 2.0, 0.5
SPARED = 0.99
"""Share of its rate that a closed class must surely keep where half of a resource is said to do."""


@dataclass(frozen=True)
class Relieved:
    """One resource doubled or halved.

    ``described`` is its first key before and after, ``settings`` are all of them, KEY=VALUE each. ``paired`` is the
    figure then against now, over the same random numbers, None where one of the two is overloaded or the change is
    not accepted (``reason``); ``rates`` the same for the rate of each closed class, by name, which no target may
    guard. ``carries`` is how many times this load the server carries then, as far as anybody knows. ``price`` and
    ``power_w`` are what it costs more (less, if negative). ``digest`` is that of the changed scenario, None where that
    is not accepted.
    """

    resource: str
    factor: float
    described: str
    settings: tuple[str, ...]
    verdict: Verdict | None = None
    value: IntervalEstimate | None = None
    paired: Paired | None = None
    rates: Mapping[str, Paired] = field(default_factory=dict)
    carries: float | None = None
    price: float | None = None
    power_w: float | None = None
    reason: str = ""
    digest: str | None = None

    @property
    def change(self) -> float | None:
        """By what share the figure changes; negative for a shorter latency."""
        ratio = None if self.paired is None else self.paired.ratio.value
        return None if ratio is None else ratio - 1

    @property
    def slowed(self) -> tuple[str, IntervalEstimate] | None:
        """The closed class that keeps least of its rate, and the ratio of its rates; None where there is none known."""
        known = [(name, each.ratio) for name, each in self.rates.items() if each.ratio.value is not None]
        return min(known, key=lambda each: each[1].value or 0.0, default=None)

    @property
    def would_do(self) -> bool:
        """Whether every target is met, and no closed class loses by it what anybody would miss."""
        kept = [each.ratio.low for each in self.rates.values()]
        return self.verdict == "met" and all(low is not None and low > SPARED for low in kept)


@dataclass(frozen=True, repr=False)
class Relief(Shown):
    """The answer: the target by which everything is ranked, and the resources, the best first.

    ``condition`` is the one in which that target is judged; empty where the scenario has none.
    """

    title: str
    seed: int
    class_name: str
    quantity: Quantity
    limit: float | None
    now: IntervalEstimate
    verdict: Verdict
    overloaded: str | None
    carries: float | None
    doubled: tuple[Relieved, ...]
    halved: tuple[Relieved, ...]
    replications: int
    requests: int
    condition: str = ""

    @property
    def is_upper(self) -> bool:
        """Whether less of the figure is better."""
        return self.quantity.is_upper

    def rows(self) -> list[dict[str, Any]]:
        """One row a resource and direction, ready for JSON; in SI units."""
        nothing = IntervalEstimate.unknown(0, "")
        made = {"seed": self.seed, "version": version("tailrace")}
        return [
            {
                **told(each, "resource", "factor"),
                "change": each.described,
                **told(each, "settings", "verdict"),
                "class": self.class_name,
                "quantity": self.quantity,
                "value": each.value.value if each.value else None,
                **(each.paired.ratio if each.paired else nothing).columns("ratio"),
                **(each.paired.difference if each.paired else nothing).columns("difference"),
                "rates": {name: rate.ratio.as_dict() for name, rate in each.rates.items()},
                **told(each, "carries", "price", "power_w"),
                "reason": each.reason or None,
                **made,
                "digest": each.digest,
            }
            for each in (*self.doubled, *self.halved)
        ]

    @property
    def table(self) -> pd.DataFrame:
        """One row a resource and direction, in SI units."""
        import pandas as pd

        return pd.DataFrame(self.rows())

    def as_dict(self) -> dict[str, Any]:
        """The answer as plain mappings and lists, in SI units, ready for JSON."""
        return {
            "tailrace": version("tailrace"),
            **told(self, "title", "seed"),
            **({"condition": self.condition} if self.condition else {}),
            "class": self.class_name,
            **told(self, "quantity", "limit", "now", "verdict", "carries"),
            "resources": self.rows(),
            **told(self, "replications", "requests"),
        }


def relief(scenario: Given, **how: Unpack[How]) -> Relief:
    """Double and halve each resource of a server in turn, and rank them by what that does to the worst target.

    Args:
        scenario: a scenario, or its file.
        how: see `How`.

    Raises:
        ScenarioError, SettingError: what is asked for cannot be.
        StoreError: the store cannot be used.
    """
    scenario = given(scenario)
    variants = Variants(scenario).fitted()
    every = (*changes(variants, DOUBLED), *changes(variants, HALVED))
    possible = [each.scenario for each in every if each.scenario is not None]
    with Session("relief", scenario, {"digest": scenario.digest}, **how) as session:
        session.part([scenario, *possible])
        bench = session.bench
        (now, *then), known = _seen(bench, scenario, possible)
        where, class_name, quantity, limit = _worst(now)
        # Each list is one statement: all its intervals, of the target and of closed rates, hold together.
        closed = [each for part in now.states for each in part.scenario.workload if not each.is_open]
        level = bonferroni_level(LEVEL, max(len(every) // 2, 1) * (1 + len(closed)))
        seen = iter(then)
        found = [
            _relieved(
                bench,
                now,
                each,
                None if each.scenario is None else next(seen),
                (where, class_name, quantity),
                level,
            )
            for each in every
        ]
        answer = Relief(
            scenario.title,
            session.seed,
            class_name,
            quantity,
            limit,
            now.estimate(where, class_name, quantity),
            now.verdict,
            now.overloaded_station,
            _carried(bench, now),
            _ranked([each for each in found if each.factor > 1], quantity.is_upper),
            _ranked([each for each in found if each.factor < 1], quantity.is_upper),
            max(each.replications for each in known),
            session.crew.tally.requests,
            where,
        )
        session.finish(answer.rows())
    return answer


def _seen(
    bench: Bench, scenario: Scenario, possible: Sequence[Scenario]
) -> tuple[list[Together], Sequence[Length]]:
    """What is seen of the scenario and of each change in every condition, and the length of the runs in each."""
    parts = states(scenario)
    known = [
        length if length.overload is None else _where_nothing_tells(part.scenario)
        for length, part in zip(lengths(bench, [each.scenario for each in parts], POINT), parts, strict=True)
    ]
    designs, wanted = list[Scenario](), list[Length]()
    for each in (scenario, *possible):
        for length, part in zip(known, states(each), strict=True):
            designs.append(part.scenario)
            wanted.append(replace(length, overload=bench.asked_too_much(part.scenario)))
    seen = iter(answered(bench, designs, wanted))
    found = [Together.of(each, [next(seen) for _ in parts]) for each in (scenario, *possible)]
    return found, known


def _where_nothing_tells(scenario: Scenario) -> Length:
    """A length where the server as it is carries nothing."""
    run = scenario.run
    size = run.budget if run.fixed_length else min(OVERLOADED_LENGTH, run.budget)
    return Length(size, max(run.replications, PILOT_REPLICATIONS))


def _worst(now: Together) -> tuple[str, str, Quantity, float | None]:
    """The target that is missed by most, with its condition; the p99 of the first class where none is set."""
    promised = [
        (part.name, each.name, quantity, limit)
        for part in now.states
        for each, quantity, limit in own_limits(part)
    ]
    promised += [(OVER_ALL, each.name, quantity, limit) for each, quantity, limit in joint_limits(now.states)]
    if not promised:
        first = now.states[0]
        return first.name, first.scenario.workload[0].name, Quantity("p99"), None

    def need(target: tuple[str, str, Quantity, float]) -> float:
        where, name, quantity, limit = target
        if where in now.overloaded and now.has_conditions:
            return math.inf
        value = now.estimate(where, name, quantity).value
        return quantity.strain(value, limit) if value else 0.0

    return max(promised, key=need)


def _relieved(
    bench: Bench,
    now: Together,
    change: Change,
    then: Together | None,
    target: tuple[str, str, Quantity],
    level: float,
) -> Relieved:
    found = Relieved(change.resource.name, change.factor, change.described, change.settings)
    if then is None:
        return replace(found, reason=f"not accepted: {change.reason}")
    before, after = (cost(each.scenario.server, each.scenario.cluster) for each in (now, then))
    where, class_name, quantity = target
    ours, theirs = now.section(where, class_name, quantity), then.section(where, class_name, quantity)
    return replace(
        found,
        verdict=then.verdict,
        value=None if theirs is None else then.estimate(where, class_name, quantity),
        paired=None if ours is None or theirs is None else paired_sections(ours, theirs, level),
        rates=_rates(now, then, level),
        carries=_carried(bench, then),
        price=_difference(before.price, after.price),
        power_w=_difference(before.power_w, after.power_w),
        reason=f"{then.overloaded_station} cannot keep up" if then.overloaded_station else "",
        digest=then.scenario.digest,
    )


def _rates(now: Together, then: Together, level: float) -> dict[str, Paired]:
    """The rate of each closed class, in each condition in which the server carries the load before and after."""
    rate, found = Quantity("rate"), {}
    for part, before, after in zip(now.states, now.evidence, then.evidence, strict=True):
        if before.overload is None and after.overload is None:
            for each in part.scenario.workload:
                if not each.is_open:
                    name = f"{each.name} ({part.name})" if part.name else each.name
                    sections = before.section(each.name, rate), after.section(each.name, rate)
                    found[name] = paired_sections(*sections, level)
    return found


def _carried(bench: Bench, together: Together) -> float | None:
    """How many times the load a server carries: what a run showed, or where the first station saturates.

    In the condition in which that is the least.
    """
    found = [_carried_in(bench, each) for each in together.evidence]
    return min((each for each in found if each is not None), default=None)


def _carried_in(bench: Bench, evidence: Evidence) -> float | None:
    if evidence.overload is not None:
        return evidence.overload.largest_load_factor
    binding = bench.load(evidence.scenario).binding
    return None if binding is None else binding.load_factor


def _difference(before: float | None, after: float | None) -> float | None:
    """What a change costs; None where it does not touch anything with a price."""
    return None if before is None or after is None or after == before else after - before


def _ranked(found: Sequence[Relieved], upper: bool) -> tuple[Relieved, ...]:
    """The best first, then those of which nothing is known."""

    def rank(each: Relieved) -> tuple[int, float]:
        if each.value is None or each.value.value is None:
            return (2, 0.0) if each.verdict is None else (1, -(each.carries or 0.0))
        return 0, each.value.value if upper else -each.value.value

    return tuple(sorted(found, key=rank))
