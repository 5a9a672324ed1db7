"""Paths of keys in the tables of a file, and how they and their values are shown to the user."""

from __future__ import annotations

import json
import re
from typing import Any, Final

from tailrace.scenario.tables.model import KeyPath

ABSENT: Final = object()
"""Stands for the value of a key that is not there."""


def value_at(data: Any, path: KeyPath) -> Any:
    """The value at a path, or ABSENT."""
    for part in path:
        inside = (isinstance(data, dict) and part in data) or (
            isinstance(data, list) and isinstance(part, int) and part < len(data)
        )
        if not inside:
            return ABSENT
        data = data[part]
    return data


def shown_path(path: KeyPath, data: dict[str, Any]) -> str:
    """A path as the user writes it; a class or a pool by its name where that says which one is meant."""
    text = ""
    for depth, part in enumerate(path):
        if isinstance(part, str):
            text += f".{quoted(part)}" if text else quoted(part)
        else:
            named = path[:depth] in (("workload",), ("server", "pool"), ("condition",))
            name = _own_name(value_at(data, path[:depth]), part) if named else None
            text += f"[{part}]" if name is None else f".{quoted(name)}"
    return text


def _own_name(tables: Any, index: int) -> str | None:
    """The name of one of the tables in a list, if it has one that no other has."""
    name = value_at(tables, (index, "name"))
    if not isinstance(name, str) or not name:
        return None
    namesakes = sum(isinstance(one, dict) and one.get("name") == name for one in tables)
    return name if namesakes == 1 else None


def quoted(key: str) -> str:
    """A key as TOML writes it: bare where it may be."""
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else json.dumps(key, ensure_ascii=False)


def shown_value(data: dict[str, Any], path: KeyPath) -> str | None:
    """The value at a path much as TOML writes it, shortened; None if there is none or it is a table."""
    value = value_at(data, path)
    if value is ABSENT or isinstance(value, dict):
        return None
    text = _written(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _written(value: Any) -> str:
    if isinstance(value, bool | str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, list):
        return f"[{', '.join(map(_written, value))}]"
    if isinstance(value, dict):
        return f"{{{', '.join(f'{quoted(key)} = {_written(one)}' for key, one in value.items())}}}"
    return str(value)
