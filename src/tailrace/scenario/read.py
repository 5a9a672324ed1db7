"""From a file to a Scenario."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from tailrace.errors import Problem, ScenarioError
from tailrace.scenario.quantity import FROM_TEXT
from tailrace.scenario.scenario import Scenario


def load(path: str | Path, overrides: Sequence[str] = ()) -> Scenario:
    """Read a scenario file."""
    return parse(Path(path).read_text(encoding="utf-8"), source=str(path), overrides=overrides)


def parse(text: str, source: str = "<text>", overrides: Sequence[str] = ()) -> Scenario:
    """Read a scenario from text."""
    data: dict[str, Any] = tomllib.loads(text)
    for override in overrides:
        key, _, value = override.partition("=")
        _set(data, key.split("."), _value(value))
    try:
        return Scenario.model_validate(data, context=FROM_TEXT)
    except ValidationError as error:
        raise ScenarioError(
            Problem(source, ".".join(map(str, e["loc"])), repr(e["input"]), e["msg"]) for e in error.errors()
        ) from None


def _value(text: str) -> Any:
    try:
        return tomllib.loads(f"v = {text}")["v"]
    except tomllib.TOMLDecodeError:
        return text


def _set(data: Any, keys: list[str], value: Any) -> None:
    for key in keys[:-1]:
        if isinstance(data, list):
            data = next(item for item in data if item["name"] == key)
        else:
            data = data.setdefault(key, {})
    data[keys[-1]] = value
