"""What is found for a state of the page, piece by piece: closed forms, runs in steps that grow, the load curve.

Each step is an answer of its own, of a length that nobody's own width decides, on the pipeline of `answer`; the last
is the one that ``tailrace run`` gives, within the bounds of a page. All may be looked at, so targets are judged at the
level at which as many looks hold together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tailrace.answer.answers import answered
from tailrace.answer.bench import Bench, Evidence
from tailrace.answer.pilot import ANSWER, Length, lengths
from tailrace.answer.replayed import replay_budget
from tailrace.answer.result import Result
from tailrace.answer.run import result_of
from tailrace.answer.steps import with_steps
from tailrace.answer.together import Together
from tailrace.crew.crew import Crew
from tailrace.errors import SettingError
from tailrace.forecast.conditions import ConditionEstimates, estimate_conditions
from tailrace.forecast.estimate import theory_of
from tailrace.forecast.result import Theory
from tailrace.measure.length import PILOT_REPLICATIONS
from tailrace.measure.paired import Paired, paired_sections
from tailrace.quantity import Quantity
from tailrace.scenario.reading.conditions import states
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.compare import seen_alike
from tailrace.study.conditions import Conditions, conditions_of
from tailrace.study.curve import DepthCurve, LoadCurve, depth_curve, load_curve

STEPS = ((4, 5_000), (8, 10_000))
"""Replications and requests of each step but the last, which is as long as the answer needs."""
LOOKS = len(STEPS) + 1
MOST_LONG = 100_000
"""Most requests in a replication of the last step, over all conditions together."""
MOST_REPLICATIONS = 32
MOST_UNDER_WAY = 100_000
"""Most requests that closed clients may keep under way, all together."""
CURVE_REQUESTS = 1_000
MOST_LOADS = 64

COMPARED = tuple(map(Quantity, ("rate", "throughput", "mean", "p50", "p99")))
"""What is told of an answer beside the one that was kept."""


@dataclass(frozen=True)
class Beside:
    """One figure of a class beside the same of the answer that was kept; ``ratio`` is this one over that."""

    condition: str
    class_name: str
    quantity: Quantity
    paired: Paired


@dataclass(frozen=True)
class Seen:
    """An answer: of a scenario without conditions in ``result``, of one with them in ``conditions``.

    ``beside`` are its figures over those of the one that was kept, ``kept`` the latter's answer by condition ("" where
    there is none), both on the same requests. ``step`` counts from 1 to `LOOKS`.
    """

    scenario: Scenario
    step: int
    result: Result | None
    conditions: Conditions | None
    kept: Mapping[str, Result]
    beside: tuple[Beside, ...]

    @property
    def results(self) -> dict[str, Result]:
        """The answers by condition; under "" where there is none."""
        if self.conditions is not None:
            return {each.name: each.result for each in self.conditions.conditions}
        return {} if self.result is None else {"": self.result}


@dataclass(frozen=True)
class Forms:
    """What closed forms say of a scenario, and of the one that was kept: by condition, or under ""."""

    scenario: Scenario
    theory: Mapping[str, Theory]
    conditions: ConditionEstimates | None
    kept: Mapping[str, Theory]
    kept_scenario: Scenario | None


def bounded(scenario: Scenario) -> Scenario:
    """The scenario with runs as long as a page affords.

    Raises SettingError: a ValueError: more requests under way than a page affords.
    """
    parts = states(scenario)
    for part in parts:
        if part.scenario.closed_requests > MOST_UNDER_WAY:
            raise SettingError(
                f"closed clients keep {part.scenario.closed_requests:,} requests under way; accepted on a page: at "
                f"most {MOST_UNDER_WAY:,} (tailrace run takes any number)"
            )
    run = scenario.run
    update = {
        "requests": min(run.budget, MOST_LONG // len(parts)),
        "precision": run.wanted_precision,
        "replications": min(run.replications, MOST_REPLICATIONS),
    }
    return scenario.model_copy(update={"run": run.model_copy(update=update)})


def seed_of(scenario: Scenario) -> int:
    """The seed of a page: the scenario's or, so that a link gives the same again, 0."""
    return scenario.run.seed or 0


class Reckoner:
    """Finds answers by a crew, and remembers the load on the stations of scenarios that it has seen."""

    def __init__(self, crew: Crew, engine: str) -> None:
        self._crew, self._engine = crew, engine
        self._benches: dict[int, tuple[Bench, int]] = {}
        self._theories: dict[tuple[Scenario, int], Theory] = {}

    def bench(self, seed: int) -> Bench:
        """A bench at a seed: the same for some time, for it knows loads."""
        known, used = self._benches.get(seed, (None, 0))
        if known is None or used >= MOST_LOADS:
            chosen = "compiled" if self._engine == "compiled" else "reference"
            known, used = Bench(self._crew, seed, chosen, whole=True), 0  # type: ignore[arg-type]
            self._benches = {seed: (known, 0)}
        self._benches[seed] = known, used + 1
        return known

    def forms(self, scenario: Scenario, kept: Scenario | None) -> Forms:
        """What closed forms say, without any run."""
        seed = seed_of(scenario)
        found = estimate_conditions(scenario, seed) if scenario.condition else None
        return Forms(
            scenario,
            self._theory(scenario, seed),
            found,
            {} if kept is None else self._theory(kept, seed),
            kept,
        )

    def _theory(self, scenario: Scenario, seed: int) -> dict[str, Theory]:
        bench = self.bench(seed)
        for part in states(scenario):
            if (part.scenario, seed) not in self._theories:
                if len(self._theories) >= MOST_LOADS:
                    self._theories.clear()
                found = theory_of(part.scenario, seed, bench.load(part.scenario))
                self._theories[part.scenario, seed] = found
        return {part.name: self._theories[part.scenario, seed] for part in states(scenario)}

    def seen(self, scenario: Scenario, kept: Scenario | None, step: int) -> Seen:
        """The answer of a step, from 1 to `LOOKS`, beside the one that was kept."""
        seed = seed_of(scenario)
        bench = self.bench(seed)
        asked = [bounded(each) for each in (scenario, kept) if each is not None]
        parts = [{each.name: each for each in states(one)} for one in asked]
        found: list[dict[str, Evidence]] = [{} for _ in asked]
        for name in dict.fromkeys(name for one in parts for name in one):
            mine = [one[name].scenario for one in parts if name in one]
            places = [place for place, one in enumerate(parts) if name in one]
            for place, each in zip(places, self._evidence(bench, mine, step), strict=True):
                found[place][name] = each
        last = step == LOOKS
        answers = [
            self._answer(bench, one, evidence, last) for one, evidence in zip(asked, found, strict=True)
        ]
        whole = [each if isinstance(each, Conditions) else None for each in answers]
        result = answers[0] if isinstance(answers[0], Result) else None
        beside, before = list[Beside](), dict[str, Result]()
        if kept is not None:
            beside = _beside(found[1], found[0])
            other = answers[1]
            before = (
                {each.name: each.result for each in other.conditions}
                if isinstance(other, Conditions)
                else {"": other}
            )
        return Seen(scenario, step, result, whole[0], before, tuple(beside))

    def _evidence(self, bench: Bench, scenarios: Sequence[Scenario], step: int) -> list[Evidence]:
        """What the replications of a step show of scenarios that are to carry the same requests."""
        if step == LOOKS:
            if len(scenarios) > 1:
                return seen_alike(bench, scenarios)
            return answered(bench, scenarios, lengths(bench, scenarios, ANSWER))
        count, requests = STEPS[step - 1]
        count = min([count, *(each.run.replications for each in scenarios)])
        requests = min([requests, *(replay_budget(each) for each in scenarios)])
        # ``longest``: what is not settled is said to be so, and is left to the next step.
        wanted = [
            Length(requests, count, overload=bench.asked_too_much(each), longest=requests)
            for each in scenarios
        ]
        return answered(bench, scenarios, wanted)

    def _answer(
        self, bench: Bench, scenario: Scenario, evidence: Mapping[str, Evidence], last: bool
    ) -> Result | Conditions:
        parts = states(scenario)
        if scenario.condition:
            in_order = tuple(evidence[each.name] for each in parts)
            return conditions_of(bench, Together(scenario, parts, in_order), LOOKS)
        result = result_of(bench, evidence[""], LOOKS)
        return with_steps(result, scenario, bench.engine, PILOT_REPLICATIONS) if last else result

    def curve(self, scenario: Scenario) -> LoadCurve | DepthCurve | None:
        """Latency against load by short runs, or against the queue depth where no class is open.

        None with conditions.
        """
        if scenario.condition:
            return None
        how: dict[str, Any] = {"seed": seed_of(scenario), "engine": self._engine, "workers": self._crew}
        how["requests"] = CURVE_REQUESTS
        if any(each.is_open for each in scenario.workload):
            return load_curve(bounded(scenario), **how)
        return depth_curve(bounded(scenario), **how)


def _beside(kept: Mapping[str, Evidence], these: Mapping[str, Evidence]) -> list[Beside]:
    """The figures of classes that both have, in conditions that both have; none where one is overloaded."""
    found = []
    for condition, ours in these.items():
        theirs = kept.get(condition)
        if theirs is None or ours.overload is not None or theirs.overload is not None:
            continue
        names = [each.name for each in theirs.scenario.workload]
        for workload in ours.scenario.workload:
            if workload.name in names and len(ours.sample) == len(theirs.sample):
                found += [
                    Beside(
                        condition,
                        workload.name,
                        quantity,
                        paired_sections(
                            theirs.section(workload.name, quantity), ours.section(workload.name, quantity)
                        ),
                    )
                    for quantity in COMPARED
                ]
    return found
