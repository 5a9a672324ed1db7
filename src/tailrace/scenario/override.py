"""Keys that are set over those of the file: `server.media.count=24`, `workload.booking.rate="300 /s"`."""

from __future__ import annotations

import json
import re
import tomllib
from typing import Any

from tailrace.errors import Problem
from tailrace.scenario.model import KeyPath
from tailrace.scenario.path import quoted, shown_path, shown_value

SOURCE = "override"
"""Stands for the file in the problems of a key that was set."""


def apply(data: dict[str, Any], override: str) -> tuple[KeyPath | None, Problem | None]:
    """Set one KEY=VALUE in the tables of a scenario: the path that was set, or the problem.

    The key is dotted as in TOML; a class goes by its name, or by its position as in workload[0]. The value is
    read as a TOML value and otherwise taken as text, so that quotes may be left out.
    """
    split = _split(override)
    if split is None:
        wrong = f"{json.dumps(override, ensure_ascii=False)} is not KEY=VALUE"
        return None, Problem(SOURCE, "", None, f"{wrong}; accepted: load=2, run.seed=3 and the like")
    steps, value = split
    table: Any = data
    path: list[str | int] = []
    for step in steps:
        if isinstance(table, list):
            position = _position(table, step)
            if position is None:
                names = [quoted(item["name"]) for item in table if _is_named(item)]
                wrong = f"no class of this name or position; accepted: {', '.join(names) or 'positions'}"
                return None, Problem(SOURCE, shown_path((*path, step), data), None, wrong)
            step = position
        elif not isinstance(table, dict) or isinstance(step, int):
            wrong = "no keys inside" if isinstance(step, str) else "not a list"
            return None, Problem(
                SOURCE,
                shown_path(tuple(path), data),
                shown_value(data, tuple(path)),
                f"{wrong}; accepted: the key itself",
            )
        path.append(step)
        if len(path) == len(steps):
            table[step] = _value(value)
        else:
            table = table.setdefault(step, {}) if isinstance(table, dict) else table[step]
    return tuple(path), None


def _is_named(item: object) -> bool:
    return isinstance(item, dict) and isinstance(item.get("name"), str)


def _split(override: str) -> tuple[list[str | int], str] | None:
    """The steps of the key, and the text of the value; None if there is no key."""
    for equals in re.finditer("=", override):
        key = override[: equals.start()].strip()
        indexed = re.sub(r"\[(\d+)\]", r'."[\1]"', key)
        try:
            table: Any = tomllib.loads(f"{indexed} = 0")
        except ValueError:
            continue
        steps: list[str | int] = []
        while isinstance(table, dict):
            if len(table) != 1:
                return None
            ((step, table),) = table.items()
            number = re.fullmatch(r"\[(\d+)\]", step)
            steps.append(int(number[1]) if number else step)
        return steps, override[equals.end() :].strip()
    return None


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
