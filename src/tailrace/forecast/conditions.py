"""What do closed forms say of a scenario in each of its conditions?"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

from tailrace.errors import SettingError
from tailrace.forecast.estimate import theory_of
from tailrace.forecast.result import Theory
from tailrace.forecast.saturation import Load, offered_load
from tailrace.forecast.spells import Spell, settling_s, spells
from tailrace.scenario.reading.conditions import states
from tailrace.scenario.reading.read import Given, given
from tailrace.scenario.tables.scenario import Scenario
from tailrace.shown import Shown, plain, told


@dataclass(frozen=True)
class EstimatedCondition:
    """One condition: how long it lasts, its share of the time, what closed forms say, and how long it settles."""

    name: str
    hours: float | None
    share: float
    theory: Theory
    settles_s: float


@dataclass(frozen=True, repr=False)
class ConditionEstimates(Shown):
    """What closed forms say of every condition, and what overloaded ones leave behind."""

    title: str
    digest: str
    conditions: tuple[EstimatedCondition, ...]
    spells: tuple[Spell, ...]

    @property
    def is_overloaded(self) -> bool:
        """Whether the load of any condition surely cannot be carried."""
        found = (each.theory.saturation for each in self.conditions)
        return any(each is not None and each.is_exceeded for each in found)

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        parts = [told(each, "name", "hours", "share", "settles_s", "theory") for each in self.conditions]
        what = {**told(self, "title", "digest"), "conditions": parts, "overloaded_spells": plain(self.spells)}
        return {"tailrace": version("tailrace"), **what}


def estimate_conditions(scenario: Given, seed: int | None = None) -> ConditionEstimates:
    """Say what closed forms make of a scenario in each of its conditions; otherwise as `estimate`.

    Args:
        scenario: a scenario with conditions, or its file.
        seed: of the sample; the scenario's, or 0, if left out.

    Raises:
        ScenarioError: the file cannot be read.
        SettingError: a ValueError: a scenario without conditions.
    """
    scenario = given(scenario)
    if not scenario.condition:
        raise SettingError("the scenario has no conditions; accepted: one with [[condition]] tables")
    drawn = (scenario.run.seed or 0) if seed is None else seed
    known: dict[str, Load] = {}

    def load_of(asked: Scenario) -> Load:
        return known.setdefault(asked.simulated_digest, offered_load(asked, drawn))

    parts = states(scenario)
    loads = [load_of(each.scenario) for each in parts]
    hours = sum(each.weight for each in parts)
    found = tuple(
        EstimatedCondition(
            state.name,
            state.hours,
            state.weight / hours,
            theory_of(state.scenario, drawn, load),
            settling_s(state.scenario, load),
        )
        for state, load in zip(parts, loads, strict=True)
    )
    overloaded = {
        place: (binding.station, binding.load_factor)
        for place, load in enumerate(loads)
        if (binding := load.binding) is not None and binding.is_exceeded
    }
    return ConditionEstimates(
        scenario.title, scenario.digest, found, spells(parts, loads, overloaded, load_of)
    )
