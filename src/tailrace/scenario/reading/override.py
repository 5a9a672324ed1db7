"""Keys that are set over those of the file: `server.media.count=24`, `workload.booking.rate="300 /s"`."""

from __future__ import annotations

import json
import re
import tomllib
from typing import Any

from tailrace.errors import Problem
from tailrace.scenario.reading import parts
from tailrace.scenario.reading.path import quoted, shown_path, shown_value, value_at
from tailrace.scenario.tables.model import KeyPath

SOURCE = "override"
"""Stands for the file in the problems of a key that was set."""


def apply(data: dict[str, Any], override: str) -> tuple[KeyPath | None, Problem | None]:
    """Set one KEY=VALUE in the tables of a scenario: the path of what was set, or the problem.

    Where a table had to be made for the key, it is the table that was set.

    The key is dotted as in TOML; an item of a list goes by its position, as in workload[0], and a class by its
    name as well. The value is read as a TOML value and otherwise taken as text, so that quotes may be left out.
    """
    split = _split(override)
    if split is None:
        wrong = f"{json.dumps(override, ensure_ascii=False)} is not KEY=VALUE"
        return None, Problem(SOURCE, "", None, f"{wrong}; accepted: load=2, run.seed=3 and the like")
    steps, value = split
    return _put(data, steps, _value(value))


def put(data: dict[str, Any], key: str, value: Any) -> tuple[KeyPath | None, Problem | None]:
    """The same for a dotted key and its value by itself."""
    steps = _steps(key.strip())
    if not steps:
        wrong = f"{json.dumps(key, ensure_ascii=False)} is not a key"
        return None, Problem(SOURCE, "", None, f"{wrong}; accepted: load, workload.NAME.rate and the like")
    return _put(data, steps, value)


def _put(data: dict[str, Any], steps: list[str | int], value: Any) -> tuple[KeyPath | None, Problem | None]:
    path, made, problem = _walked(data, steps, makes=True)
    if problem is not None:
        return None, problem
    value_at(data, path[:-1])[path[-1]] = value
    return made or path, None


def locate(data: dict[str, Any], key: str) -> tuple[KeyPath | None, Problem | None]:
    """The path of a key in the tables, classes by position; or the problem. The key itself need not be there."""
    steps = _steps(key.strip())
    if not steps:
        wrong = f"{json.dumps(key, ensure_ascii=False)} is not a key"
        return None, Problem(SOURCE, "", None, f"{wrong}; accepted: load, run.seed and the like")
    path, _, problem = _walked(data, steps, makes=False)
    return (None, problem) if problem else (path, None)


def _walked(
    data: dict[str, Any], steps: list[str | int], makes: bool
) -> tuple[KeyPath, KeyPath | None, Problem | None]:
    """The path of a key, names in lists resolved; with ``makes`` tables on the way are made, the first is told."""
    table: Any = data
    path: list[str | int] = []
    made: KeyPath | None = None
    for step in steps:
        if isinstance(table, list):
            position = _position(table, step)
            if position is None:
                names = [quoted(item["name"]) for item in table if _is_named(item)]
                wrong = f"nothing of this name or position; accepted: {', '.join(names) or 'positions'}"
                return (), None, Problem(SOURCE, shown_path((*path, step), data), None, wrong)
            path.append(position)
            table = table[position]
            continue
        if makes and (not isinstance(table, dict) or isinstance(step, int)):
            wrong = f"{'no keys inside' if isinstance(step, str) else 'not a list'}; accepted: the key itself"
            here = tuple(path)
            return (), None, Problem(SOURCE, shown_path(here, data), shown_value(data, here), wrong)
        path.append(step)
        if makes and len(path) < len(steps) and step not in table:
            made = made or tuple(path)
            table[step] = {}
        table = table.get(step) if isinstance(table, dict) else None
    return tuple(path), made, None


def chooses_part(override: str) -> bool:
    """Whether a KEY=VALUE names a part: `server.media.part="spinning-7200"`, or `server.media="spinning-7200"`."""
    split = _split(override)
    if split is None:
        return False
    steps, value = split
    if steps[-1] == "part":
        return parts.is_place(tuple(steps[:-1]))
    return parts.is_place(tuple(steps)) and isinstance(_value(value), str)


def _is_named(item: object) -> bool:
    return isinstance(item, dict) and isinstance(item.get("name"), str)


def _split(override: str) -> tuple[list[str | int], str] | None:
    """The steps of the key, and the text of the value; None if there is no key."""
    for equals in re.finditer("=", override):
        steps = _steps(override[: equals.start()].strip())
        if steps:
            return steps, override[equals.end() :].strip()
    return None


# As TOML writes a key, bare or in either quotes, then the positions in lists
_KEY = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')"""
_INDEX = r"\[[0-9]{1,9}\]"
_PART = rf"[ \t]*{_KEY}[ \t]*(?:{_INDEX})*"


def _steps(key: str) -> list[str | int] | None:
    """The keys and positions of a dotted key such as `workload[0].rate`; None if it is none."""
    if not re.fullmatch(rf"{_PART}(?:\.{_PART})*", key):
        return None
    steps: list[str | int] = []
    for step in re.findall(rf"{_KEY}|{_INDEX}", key):
        if step.startswith("["):
            steps.append(int(step[1:-1]))
        else:
            try:
                steps += tomllib.loads(f"{step} = 0")
            except ValueError:
                return None
    return steps


def _position(items: list[Any], step: str | int) -> int | None:
    if isinstance(step, int):
        return step if step < len(items) else None
    named = [index for index, item in enumerate(items) if isinstance(item, dict) and item.get("name") == step]
    return named[0] if named else None


def _value(text: str) -> Any:
    try:
        table = tomllib.loads(f"value = {text}")
    except (ValueError, RecursionError):
        return text
    return table["value"] if len(table) == 1 else text
