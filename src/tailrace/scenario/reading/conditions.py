"""The scenario in each of its conditions: a variant with keys set, and nothing said of any other."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from tailrace.errors import Problem, ScenarioError, SettingError
from tailrace.scenario.reading import override, parts
from tailrace.scenario.reading.complaint import Complaint, examine
from tailrace.scenario.reading.path import quoted, shown_path, shown_value
from tailrace.scenario.reading.written import tables
from tailrace.scenario.tables.condition import weights
from tailrace.scenario.tables.model import KeyPath
from tailrace.scenario.tables.scenario import Scenario

HOUR_S = 3600.0

REFUSED = {
    "condition": "keys of server, cluster, workload and run, and load: a condition has none inside",
    "run.seed": "one seed for all conditions, so that they see the same random numbers: run.seed of the scenario",
    "title": "one title for all conditions: that of the scenario",
}
"""Keys that no condition may set, and what is accepted instead."""


@dataclass(frozen=True)
class State:
    """The scenario in one condition, with its weight over all; ``hours`` are None where nothing says how long."""

    name: str
    hours: float | None
    weight: float
    scenario: Scenario

    @property
    def lasts_s(self) -> float:
        """For how many seconds it lasts each time; 0 where nothing says so."""
        return (self.hours or 0.0) * HOUR_S


def states(scenario: Scenario) -> tuple[State, ...]:
    """The scenario in each of its conditions, in their order; itself, without a name, where it has none.

    Raises ScenarioError if a condition does not go with the rest; a scenario that was read has none such.
    """
    if not scenario.condition:
        return (State("", None, 1.0, scenario),)
    return tuple(
        State(each.name, each.hours, weight, variant)
        for each, weight, variant in zip(
            scenario.condition, weights(scenario.condition), _variants(scenario), strict=True
        )
    )


@lru_cache(maxsize=256)
def _variants(scenario: Scenario) -> tuple[Scenario, ...]:
    written = tables(scenario)
    written.pop("condition")
    found: list[Scenario] = []
    problems: list[Problem] = []
    for each in scenario.condition:
        data = copy.deepcopy(written)
        for key, value in settings(each.set).items():
            override.put(data, key, copy.deepcopy(value))
        variant, faults = examine(switched_on(data))
        problems += [fault.problem(f"condition {each.name!r}", data) for fault in faults]
        if variant is not None:
            found.append(variant)
    if problems:
        raise ScenarioError(problems)
    return tuple(found)


def alone(scenario: Scenario) -> Scenario:
    """The scenario itself, which has no conditions. Raises SettingError: a ValueError: it has some."""
    if scenario.condition:
        names = ", ".join(repr(each.name) for each in scenario.condition)
        raise SettingError(
            f"the scenario has conditions; accepted: one of them ({names}; --condition NAME, or load(FILE, "
            "condition=NAME)), or what takes all: tailrace.conditions"
        )
    return scenario


def only(scenario: Scenario, name: str) -> Scenario:
    """The scenario in one of its conditions, which knows nothing of the others.

    Raises SettingError: a ValueError: no condition of that name.
    """
    for each in states(scenario):
        if each.name == name and scenario.condition:
            return each.scenario
    names = (
        ", ".join(repr(each.name) for each in scenario.condition) or "none: the scenario has no conditions"
    )
    raise SettingError(f"condition is {name!r}; accepted: {names}")


def settings(table: Mapping[str, Any]) -> dict[str, Any]:
    """Every key that a table of settings sets, dotted, with its value; tables in it are taken apart."""
    return dict(_flat(table, ""))


def _flat(table: Mapping[str, Any], prefix: str) -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        path = f"{prefix}.{quoted(key)}" if prefix else key
        if isinstance(value, dict) and value:
            yield from _flat(value, path)
        else:
            yield path, value


def switched_on(data: dict[str, Any]) -> dict[str, Any]:
    """The tables without classes that have no clients: those ask for nothing. The last class stays, to be told of."""
    classes = data.get("workload")
    if isinstance(classes, list):
        left = [each for each in classes if not (isinstance(each, dict) and _has_no_clients(each))]
        data["workload"] = left or classes
    return data


def _has_no_clients(workload: Mapping[str, Any]) -> bool:
    return type(workload.get("clients")) is int and workload["clients"] == 0


def problems(data: dict[str, Any], known: Sequence[Complaint], file: str) -> list[Problem]:
    """Everything that is wrong with what conditions set, each once, under the key that sets it.

    Args:
        data: the tables of the scenario, parts taken up and keys set over them.
        known: what is wrong with these anyway.
        file: where the conditions come from.
    """
    told = {(fault.path, fault.wrong) for fault in known}
    found: list[Problem] = []
    tables = data.get("condition")
    for place, table in enumerate(tables if isinstance(tables, list) else []):
        if isinstance(table, dict) and isinstance(table.get("set"), dict):
            found += _problems_of(data, place, table["set"], told, file)
    return found


def _problems_of(
    data: dict[str, Any], place: int, given: Mapping[str, Any], told: set[tuple[KeyPath, str]], file: str
) -> Iterator[Problem]:
    bare = copy.deepcopy({key: value for key, value in data.items() if key != "condition"})
    here: KeyPath = ("condition", place, "set")
    put: dict[KeyPath, str] = {}
    for key, value in settings(given).items():
        refused = _refused(key, value)
        if refused:
            yield _problem(data, here, key, value, f"not for a condition to set; accepted: {refused}", file)
            continue
        path, problem = override.put(bare, key, copy.deepcopy(value))
        if problem is not None:
            at = f"{problem.key}: " if problem.key and problem.key != key else ""
            yield _problem(data, here, key, value, f"{at}{problem.message}", file)
        elif path is not None:
            put[path] = key
    _, faults = examine(switched_on(bare))
    for fault in faults:
        if (fault.path, fault.wrong) in told:
            continue
        path, key = max(put.items(), key=lambda each: _shared(each[0], fault.path), default=((), ""))
        if not key:
            continue
        where = shown_path(fault.path, bare)
        at = "" if where == key else f"{where}{_shown(bare, fault.path)}: "
        yield _problem(data, here, key, settings(given)[key], f"{at}{fault.message}", file)


def _refused(key: str, value: Any) -> str | None:
    for name, accepted in REFUSED.items():
        if key == name or key.startswith((f"{name}.", f"{name}[")):
            return accepted
    steps = key.split(".")
    is_part = steps[-1] == "part" and parts.is_place(tuple(steps[:-1]))
    if is_part or (parts.is_place(tuple(steps)) and isinstance(value, str)):
        return (
            "keys of the same server: another part makes another server, which compare puts beside this one"
        )
    return None


def _problem(data: dict[str, Any], here: KeyPath, key: str, value: Any, message: str, file: str) -> Problem:
    shown = shown_value({"value": value}, ("value",))
    return Problem(file, f"{shown_path(here, data)}.{quoted(key)}", shown, message)


def _shown(data: dict[str, Any], path: KeyPath) -> str:
    value = shown_value(data, path)
    return f" = {value}" if value is not None else ""


def _shared(one: KeyPath, two: KeyPath) -> int:
    """Length of what two paths have in common at their beginnings."""
    count = 0
    for mine, theirs in zip(one, two, strict=False):
        if mine != theirs:
            break
        count += 1
    return count


def setting_too(scenario: Scenario, key: str) -> dict[str, str]:
    """The conditions that set a key for themselves, and how each of them writes it."""
    written = tables(scenario)
    place, _ = override.locate(written, key)
    return {
        each.name: own
        for each in scenario.condition
        for own in settings(each.set)
        if place is not None and override.locate(written, own)[0] == place
    }


def with_own(scenario: Scenario, values: Mapping[str, Mapping[str, Any]]) -> Scenario:
    """The scenario with further settings of its conditions, by their names. Raises ScenarioError as `states`."""
    changed = tuple(
        each.model_copy(update={"set": settings(each.set) | dict(values.get(each.name, {}))})
        for each in scenario.condition
    )
    found = scenario.model_copy(update={"condition": changed})
    states(found)
    return found
