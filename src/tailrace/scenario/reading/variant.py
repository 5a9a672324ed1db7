"""Another scenario like this one: keys set over those of a scenario that was read already."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tailrace import units
from tailrace.errors import Problem, ScenarioError
from tailrace.scenario.reading import override, parts
from tailrace.scenario.reading.complaint import examine
from tailrace.scenario.reading.conditions import states, switched_on
from tailrace.scenario.reading.keys import Shape, field_shape
from tailrace.scenario.reading.path import ABSENT, value_at
from tailrace.scenario.reading.written import tables
from tailrace.scenario.tables.datasheet import fitted
from tailrace.scenario.tables.model import Model
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.step import SizeShare

_HOW_MANY = ("count", "ports")
"""Keys that say how many there are, which stay when another part is taken up."""


class Variants:
    """Scenarios that differ from one in some keys. The tables are written once, each variant is read from a copy."""

    def __init__(self, scenario: Scenario, beside: Path | None = None) -> None:
        """`beside` is the directory of the scenario's file, where parts are looked for first."""
        self.scenario, self._beside = scenario, beside
        self._tables = tables(scenario)

    def with_keys(self, settings: Sequence[str]) -> Scenario:
        """The scenario with KEY=VALUE texts set, as `load` takes them.

        A scenario that was read does not know from which part its keys came: of another part, chosen by `part`, all
        keys hold, and of its own only how many there are (`count`, `ports`).

        Raises ScenarioError with everything that is wrong with it.
        """
        keys = [set(one.partition("=")[0].split(".")) for one in settings]
        links = any("lanes" in each for each in keys) and not any("media" in each for each in keys)
        # What a datasheet says was measured behind the link as it is: behind another one the drive is the same.
        data = copy.deepcopy(self.fitted()._tables if links else self._tables)
        choosing = [one for one in settings if override.chooses_part(one)]
        problems = []
        for one in choosing:
            path, problem = override.apply(data, one)
            problems += [problem] if problem else []
            if path and path[-1] == "part":
                table = value_at(data, path[:-1])
                kept = {key: value for key, value in table.items() if key in (*_HOW_MANY, "part")}
                value_at(data, path[:-2])[path[-2]] = kept
        taken = parts.include(data, override.SOURCE, self._beside)
        problems += taken.problems
        others = [one for one in settings if one not in choosing]
        problems += [problem for _, problem in (override.apply(data, one) for one in others) if problem]
        scenario, faults = examine(switched_on(data))
        problems += [
            fault.problem(override.SOURCE, data)
            for fault in faults
            if not any(fault.path[: len(path)] == path for path in taken.unfilled)
        ]
        if scenario is None or problems:
            raise ScenarioError(problems)
        states(scenario)  # what is set has to go with every condition
        return scenario

    def fitted(self) -> Variants:
        """The same with drives by their parts where a datasheet describes them, which then stay as they are."""
        server = fitted(self.scenario.server)
        return Variants(self.scenario.model_copy(update={"server": server}), self._beside)

    def value(self, key: str) -> float | int | str | None:
        """What the scenario has at a key: a number (of a quantity in SI), a text, or None if it is not set.

        Raises ScenarioError if there is no such key, or something else than one value stands there.
        """
        if _names_part(key):
            return None  # a scenario that was read does not know from which part its keys came
        place = self._place(key)
        value: Any = self.scenario
        for step in place:
            value = value[step] if isinstance(step, int) else getattr(value, step, None)
        if isinstance(value, tuple) and len(value) == 1 and isinstance(value[0], SizeShare):
            return value[0].size
        if value is not None and not isinstance(value, int | float | str):
            raise _no_value(key, "a table or a list")
        return value

    def shape(self, key: str) -> Shape:
        """What may stand at a key; of a list that may be written as its only item, that. Raises as `value`."""
        if _names_part(key):
            return Shape(str, ())
        value: Any = self.scenario
        shape: Shape | None = None
        for step in self._place(key):
            if isinstance(step, int):
                value = value[step]
                continue
            field = value.field_of(step) if isinstance(value, Model) else None
            if field is None:
                raise _no_value(key, "no such key in this scenario")
            shape, value = field_shape(field), getattr(value, step, None)
        if shape is None:
            raise _no_value(key, "no such key in this scenario")
        return shape.alone or shape

    def _place(self, key: str) -> tuple[str | int, ...]:
        data = copy.deepcopy(self._tables)
        place, problem = override.locate(data, key)
        if problem is not None or place is None:
            raise ScenarioError([problem] if problem else [])
        return place

    def has(self, key: str) -> bool:
        """Whether the key is written in the scenario."""
        place, problem = override.locate(self._tables, key)
        return problem is None and place is not None and value_at(self._tables, place) is not ABSENT


def file_settings(scenario: Scenario) -> list[str]:
    """Settings that name every trace by its absolute path, for a copy of the scenario that lies elsewhere."""
    return [f'workload.{each.name}.file="{each.file}"' for each in scenario.workload if each.file is not None]


def written_value(value: float | int | str, shape: Shape) -> str:
    """A value in SI as the text after the equals sign of a setting."""
    if shape.quantity and not isinstance(value, str):
        return f'"{units.write(value, shape.quantity)}"'
    if isinstance(value, bool):
        return "true" if value else "false"
    return f'"{value}"' if isinstance(value, str) else repr(value)


def _no_value(key: str, wrong: str) -> ScenarioError:
    accepted = "a key that holds one number or text; tailrace keys lists them"
    return ScenarioError([Problem(override.SOURCE, key, None, f"{wrong}; accepted: {accepted}")])


def _names_part(key: str) -> bool:
    return key.endswith(".part") and override.chooses_part(f'{key}="any"')
