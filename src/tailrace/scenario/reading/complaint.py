"""From a table of keys to a Scenario, or to all that is wrong with it at once.

Validation stops at the first level that fails, so what it complained of is put right in a copy and the copy
is validated again. What then comes up counts only if it does not rest on a key that was put right.
"""

from __future__ import annotations

import copy
import difflib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from tailrace import units
from tailrace.errors import Problem, ScenarioError
from tailrace.scenario.reading import keys, parts
from tailrace.scenario.reading.path import ABSENT, shown_path, shown_value, value_at
from tailrace.scenario.tables.model import FROM_FILE, KeyPath, Model
from tailrace.scenario.tables.scenario import Scenario

_ROUNDS = 8
_MOST = 1000  # faults of one round: more would help nobody


@dataclass(frozen=True, slots=True)
class Complaint:
    """What is wrong at a key, which may be a whole table or absent."""

    path: KeyPath
    wrong: str
    accepted: str

    @property
    def message(self) -> str:
        """Both halves in one line."""
        return f"{self.wrong}; accepted: {self.accepted}"

    def problem(self, file: str, data: dict[str, Any]) -> Problem:
        """What the user is told of it: the tables as they were written show key and value."""
        return Problem(file, shown_path(self.path, data), shown_value(data, self.path), self.message)


class _Paths:
    """A set of paths that knows which other paths touch it: lead to, through or into one of its own."""

    def __init__(self) -> None:
        self._members: set[KeyPath] = set()
        self._above: set[KeyPath] = set()

    def add(self, path: KeyPath) -> None:
        self._members.add(path)
        self._above.update(path[:depth] for depth in range(len(path)))

    def touch(self, path: KeyPath) -> bool:
        return path in self._above or any(path[:depth] in self._members for depth in range(len(path) + 1))


def examine(data: dict[str, Any], folder: Path | None = None) -> tuple[Scenario | None, list[Complaint]]:
    """Validate the tables of a scenario: the scenario and no faults, or None and all faults.

    Files that it names are looked for in ``folder``, by default the working directory.
    """
    work = copy.deepcopy(data)
    faults: dict[KeyPath, Complaint] = {}
    doubtful = _Paths()
    for _ in range(_ROUNDS):
        try:
            scenario = Scenario.model_validate(work, context={**FROM_FILE, "folder": folder})
        except ValidationError as error:
            details = error.errors(include_url=False)
            before = copy.deepcopy(doubtful)
            # unknown keys first: a key that is missing under its own name may be there misspelt
            for detail in sorted(details, key=lambda one: one["type"] != "extra_forbidden")[:_MOST]:
                path = _plain(detail["loc"], work)
                if not _only_follows(detail, value_at(work, path)):
                    fault, meant = _fault(detail, path)
                    if not (doubtful if detail["type"] == "missing" else before).touch(fault.path):
                        faults.setdefault(fault.path, fault)
                    doubtful.add(fault.path)
                    doubtful.add(meant)
                    _put_right(work, path, detail)
            if len(details) > _MOST:
                break
        else:
            found = [*faults.values(), *_findings(scenario, (), doubtful)]
            return (None, found) if found else (scenario, [])
    return None, list(faults.values())


def sound(data: dict[str, Any], source: str, folder: Path | None = None) -> Scenario:
    """The scenario of tables. Raises ScenarioError with all that is wrong, which says where they come from."""
    scenario, faults = examine(data, folder)
    if scenario is None:
        raise ScenarioError(fault.problem(source, data) for fault in faults)
    return scenario


def _findings(model: Model, here: KeyPath, doubtful: _Paths) -> Iterator[Complaint]:
    for name in type(model).model_fields:
        value = getattr(model, name)
        if isinstance(value, Model):
            yield from _findings(value, (*here, name), doubtful)
        for index, item in enumerate(value if isinstance(value, tuple) else ()):
            if isinstance(item, Model):
                yield from _findings(item, (*here, name, index), doubtful)
    for finding in model.findings():
        rests_on = (*finding.rests_on, *((finding.key,) if finding.key else ()))
        if not any(doubtful.touch(here + key) for key in rests_on):
            yield Complaint(here + finding.key, finding.wrong, finding.accepted)


def _plain(location: KeyPath, data: Any) -> KeyPath:
    """A location of pydantic's as a path in the file: without tags of choices, no deeper than the file."""
    path: list[str | int] = []
    for part in location:
        if isinstance(data, dict) and (part in data or not str(part).startswith("|")):
            data = data.get(part, ABSENT)
        elif isinstance(data, list) and isinstance(part, int):
            data = data[part] if part < len(data) else ABSENT
        else:
            continue
        path.append(part)
    return tuple(path)


def _only_follows(detail: ErrorDetails, value: Any) -> bool:
    """Whether the error would not be there without another: about a default, refused items, or an unknown key."""
    if detail["type"] != "extra_forbidden" and keys.shape_at(detail["loc"]) is None:
        return True
    if detail["type"] == "too_short":
        return not isinstance(value, list | str) or len(value) >= detail["ctx"]["min_length"]
    return detail["type"] != "missing" and value is ABSENT


def _fault(detail: ErrorDetails, path: KeyPath) -> tuple[Complaint, KeyPath]:
    """The fault for one error of pydantic's, and the path of the key that was meant if it is another one."""
    kind, bounds = detail["type"], detail.get("ctx", {})
    if kind == "extra_forbidden":
        return _unknown_key(detail["loc"], path)
    shape = keys.shape_at(detail["loc"])
    assert shape is not None, detail
    accepted = keys.accepted(shape)
    choosing = keys.chooser(shape)
    if kind.startswith("choice_by_") and not isinstance(detail["input"], dict):
        return Complaint(path, "not a table", accepted), path
    if choosing and kind.startswith("choice_by_"):
        names = [tag.removeprefix("|") for tag in shape.choices]
        value = detail["input"].get(choosing, ABSENT)
        wrong = "missing" if value is ABSENT else "unknown"
        accepted = keys.one_of([f'"{name}"' for name in names]) + _nearest(value, names)
        return Complaint((*path, choosing), wrong, accepted), path
    if kind in ("quantity", "text"):
        return Complaint(path, bounds.get("wrong", detail["msg"]), accepted), path
    if kind == "literal_error":
        return Complaint(path, "unknown", accepted + _nearest(detail["input"], list(shape.literals))), path
    if kind in _BOUNDS:
        name, words = _BOUNDS[kind]
        bound = bounds[name]
        text = units.write(bound, shape.quantity) if shape.quantity and bound else f"{bound:.15g}"
        return Complaint(path, words.format(text), accepted), path
    if isinstance(detail["input"], str) and "%" in detail["input"] and shape.type is float:
        return Complaint(path, "a percentage, not a number", f"{accepted} (0.7 for 70 %)"), path
    if kind in ("too_short", "too_long") and shape.type is str:
        kind = f"string_{kind}"
    return Complaint(path, _WORDS.get(kind, detail["msg"]), accepted), path


_BOUNDS = {
    "greater_than": ("gt", "not above {}"),
    "greater_than_equal": ("ge", "below {}"),
    "less_than": ("lt", "not below {}"),
    "less_than_equal": ("le", "above {}"),
    "multiple_of": ("multiple_of", "not a multiple of {}"),
}

_WORDS = {
    "missing": "missing",
    "finite_number": "not a finite number",
    "int_type": "not a whole number",
    "int_from_float": "not a whole number",
    "float_type": "not a number",
    "bool_type": "neither true nor false",
    "string_type": "not text",
    "string_too_short": "empty",
    "string_too_long": "too long",
    "tuple_type": "not a list",
    "too_short": "too few",
    "too_long": "too many",
    "model_type": "not a table",
    "model_attributes_type": "not a table",
    "not_a_table": "not a table",
    "union_tag_not_found": "neither a list nor a table",
}


def _unknown_key(location: KeyPath, path: KeyPath) -> tuple[Complaint, KeyPath]:
    table = keys.shape_at(location[:-1])
    known = list(table.model.model_fields) if table is not None and table.model is not None else []
    known += ["part"] if parts.is_place(path[:-1]) else []
    further = table.model.open_keys if table is not None and table.model is not None else None
    name = str(path[-1])
    near = difflib.get_close_matches(name.lower(), known, n=1, cutoff=0.6)
    if near:
        return Complaint(path, "unknown key", f"{near[0]} (the nearest known key)"), (*path[:-1], near[0])
    accepted = f"here {', '.join(known)}{f' and {further.shown} of two to five digits' if further else ''}"
    elsewhere = [
        f"{key.path} ({key.when})" if key.when else key.path
        for key in keys.rows()
        if key.path.rpartition(".")[2] == name
    ]
    if elsewhere:
        accepted += f"; elsewhere {', '.join(elsewhere)}"
    return Complaint(path, "unknown key", accepted), path


def _nearest(value: Any, names: list[Any]) -> str:
    texts = [name for name in names if isinstance(name, str)]
    near = difflib.get_close_matches(value.lower(), texts, n=1) if isinstance(value, str) else []
    return f' (nearest: "{near[0]}")' if near else ""


def _put_right(data: dict[str, Any], path: KeyPath, detail: ErrorDetails) -> None:
    """Take the fault out of the data: drop the key if it may be left out, else put something valid there."""
    if not path:
        return
    table, last = value_at(data, path[:-1]), path[-1]
    shape = keys.shape_at(detail["loc"])
    # one size instead of a list: the location goes deeper than the file, and its value is that of the size
    if shape is None or not (shape.required or isinstance(last, int)):
        if isinstance(table, dict):
            table.pop(last, None)
    elif isinstance(table, list) and isinstance(last, int):
        table[last : last + 1] = [_something(shape)]
    elif isinstance(table, dict):
        table[last] = _something(shape)


def _something(shape: keys.Shape) -> Any:
    """Any valid value for a place."""
    if shape.quantity and not shape.literals:
        return units.EXAMPLE[shape.quantity]
    if shape.literals:
        return shape.literals[0]
    if shape.model:
        fields = {name: keys.field_shape(field) for name, field in shape.model.model_fields.items()}
        return {name: _something(of) for name, of in fields.items() if of.required or len(of.literals) == 1}
    if shape.choices:
        return _something(next(iter(shape.choices.values())))
    if shape.items is not None:
        length = shape.bound("min_length") or 0 if shape.is_open_list else len(shape.items)
        return [_something(shape.items[min(i, len(shape.items) - 1)]) for i in range(length)]
    if shape.type is str:
        return "unnamed"
    if shape.type is bool:
        return False
    low, high = shape.bound("gt"), shape.bound("lt") or shape.bound("le")
    if low is None:
        return shape.bound("ge") or 0
    return (low + min(high, low + 2)) / 2
