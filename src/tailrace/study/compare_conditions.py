"""Which design is better in each condition, and over all of them?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from tailrace.answer.bench import bench_for
from tailrace.answer.result import Result
from tailrace.answer.together import OVER_ALL, Together
from tailrace.crew.crew import Crew
from tailrace.crew.progress import Watch
from tailrace.errors import SettingError
from tailrace.measure.length import ANSWER_START
from tailrace.measure.verdict import Verdict, combined
from tailrace.scenario.reading.conditions import State, states
from tailrace.scenario.reading.read import Given, named
from tailrace.scenario.tables.cost import Cost, cost
from tailrace.scenario.tables.workload import Workload
from tailrace.shown import Shown
from tailrace.study.compare import (
    Comparison,
    Design,
    Difference,
    boxes,
    carries,
    differences,
    differences_of,
    seen_alike,
)
from tailrace.study.conditions import Conditions, conditions_of

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, repr=False)
class ConditionsComparison(Shown):
    """Designs side by side in every condition, and over all of them.

    ``conditions`` are comparisons by the name of the condition, the last of them over all conditions, unless one is
    overloaded; ``answers`` the whole answers by the name of the design. What a design carries is what it does in every
    condition.
    """

    conditions: Mapping[str, Comparison]
    answers: Mapping[str, Conditions]

    @property
    def whole(self) -> Comparison:
        """The designs with what each carries and costs, and how they differ in the first condition."""
        return next(iter(self.conditions.values()))

    @property
    def verdict(self) -> Verdict:
        """The gravest of the designs' verdicts."""
        return combined(each.verdict for each in self.answers.values())

    @property
    def table(self) -> pd.DataFrame:
        """The rows of every comparison, with the column ``condition`` in front."""
        import pandas as pd

        frames = [each.table.assign(condition=name) for name, each in self.conditions.items()]
        found = pd.concat([each for each in frames if len(each)] or frames[:1], ignore_index=True)
        return found[["condition", *(name for name in found.columns if name != "condition")]]

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        return {
            "tailrace": version("tailrace"),
            "verdict": self.verdict,
            "designs": [
                {**each.row(), "answer": self.answers[each.name].as_dict()} for each in self.whole.designs
            ],
            "differences": [
                {"condition": name, **row}
                for name, each in self.conditions.items()
                for row in each.as_dict()["differences"]
            ],
        }


def compare_conditions(
    *given: Given,
    names: Sequence[str] | None = None,
    seed: int | None = None,
    engine: str = "auto",
    workers: int | Crew | None = None,
    progress: Watch | None = None,
) -> ConditionsComparison:
    """Compare designs in every one of their conditions, which bear the same names in all, and over all of them.

    Args:
        given: two scenarios or more with conditions, or their files; the rest is as for `compare`.
        names: what to call them.
        seed: seed of all.
        engine: "auto", "reference" or "compiled".
        workers: number of processes, or a crew that is at work already.
        progress: called as replications finish.

    Raises:
        SettingError: a ValueError: fewer than two scenarios, conditions that differ, or as `compare`.
    """
    if len(given) < 2:
        raise SettingError(f"{len(given)} scenario is compared; accepted: 2 or more")
    designs = named(given, names)
    parts = {name: {each.name: each for each in states(scenario)} for name, scenario in designs.items()}
    conditions = list(next(iter(parts.values())))
    for name, mine in parts.items():
        if set(mine) != set(conditions) or not designs[name].condition:
            shown = ", ".join(filter(None, mine)) or "none"
            wanted = ", ".join(filter(None, conditions)) or "none"
            raise SettingError(
                f"{name} has the conditions {shown}; accepted: those of the first design, in all: {wanted}"
            )
    scenarios = list(designs.values())
    requests = min(ANSWER_START, scenarios[0].run.budget) * 16 * len(scenarios)
    first = next(iter(parts[next(iter(designs))].values())).scenario
    with bench_for(first, seed, engine, workers, progress, requests) as bench:
        seen = {
            each: dict(
                zip(designs, seen_alike(bench, [mine[each].scenario for mine in parts.values()]), strict=True)
            )
            for each in conditions
        }
        together = {
            name: Together(
                designs[name], tuple(mine.values()), tuple(seen[condition][name] for condition in mine)
            )
            for name, mine in parts.items()
        }
        answers = {name: conditions_of(bench, each) for name, each in together.items()}
        carried = {name: carries(bench, scenario) for name, scenario in designs.items()}
    reference = next(iter(designs))

    def design(name: str, result: Result) -> Design:
        factor, unknown = carried[name]
        spent: Cost = cost(designs[name].server, designs[name].cluster)
        return Design(name, result, spent, factor, unknown, boxes(carried[reference][0], factor))

    found: dict[str, Comparison] = {}
    for condition in conditions:
        rows: list[Difference] = []
        for name in [each for each in designs if each != reference]:
            rows += differences(name, seen[condition][reference], seen[condition][name])
        results = {name: each.condition_named(condition).result for name, each in answers.items()}
        found[condition] = Comparison(
            tuple(design(name, each) for name, each in results.items()), tuple(rows)
        )
    if all(each.classes for each in answers.values()):
        rows = []
        for name in [each for each in designs if each != reference]:
            rows += _over_all(name, together[reference], together[name])
        whole = {
            name: replace(
                each.conditions[0].result, classes=each.classes, overload=None, verdict=each.verdict
            )
            for name, each in answers.items()
        }
        found[OVER_ALL] = Comparison(tuple(design(name, each) for name, each in whole.items()), tuple(rows))
    return ConditionsComparison(found, answers)


def _over_all(name: str, ours: Together, theirs: Together) -> list[Difference]:
    """Every latency of the classes that both have, over all conditions; rates of closed ones, too."""
    first, second = ours.mixture, theirs.mixture
    if first is None or second is None or len(first) != len(second):
        return []
    closed = {each.name for each in _classes(ours.states) if not each.is_open}
    shared = {each.name for each in _classes(theirs.states)}
    classes = {each.name: each.name not in closed for each in _classes(ours.states) if each.name in shared}
    return differences_of(name, classes, (first, first.section), (second, second.section))


def _classes(parts: Sequence[State]) -> list[Workload]:
    return [each for part in parts for each in part.scenario.workload]
