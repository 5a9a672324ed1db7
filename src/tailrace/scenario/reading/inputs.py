"""Every input of a scenario as it is used: given or by default, in the best unit, with what it means."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from tailrace import units
from tailrace.scenario.reading.keys import Shape, field_shape
from tailrace.scenario.tables.model import Model
from tailrace.scenario.tables.scenario import Scenario


@dataclass(frozen=True)
class Input:
    """One key with its value as text, unit included; ``is_given`` tells a value of the file from a default."""

    path: str
    value: str
    is_given: bool
    description: str


def inputs(scenario: Scenario) -> tuple[Input, ...]:
    """All keys that a scenario has, in the order of the models; what was left out without a default is not there."""
    return tuple(_of(scenario, ""))


def _of(model: Model, prefix: str) -> Iterator[Input]:
    for name, field in model.fields().items():
        value, shape = getattr(model, name), field_shape(field)
        path, is_given = f"{prefix}{name}", name in model.model_fields_set
        if value is None or value == ():
            continue
        if isinstance(value, Model):
            yield from _of(value, f"{path}.")
        elif isinstance(value, tuple) and all(
            isinstance(each, Model) and hasattr(each, "name") for each in value
        ):
            for each in value:
                yield from _of(each, f"{path}.{each.name}.")
        else:
            yield Input(path, _text(value, shape), is_given, field.description or "")


def _text(value: Any, shape: Shape) -> str:
    """A value as a reader expects it: without the quotation marks of the file."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return "; ".join(_item(each) for each in value)
    if isinstance(value, int | float):
        if shape.quantity:
            return units.write(value, shape.quantity)
        return f"{value:,}" if isinstance(value, int) else f"{value:g}"
    return str(value)


def _item(each: Any) -> str:
    if isinstance(each, Model):
        fields = type(each).model_fields
        parts = ((name, getattr(each, name), field_shape(fields[name])) for name in fields)
        return ", ".join(f"{name} {_text(value, shape)}" for name, value, shape in parts if value is not None)
    if isinstance(each, tuple):
        return f"({', '.join(f'{one:g}' for one in each)})"
    return f"{each:g}" if isinstance(each, float) else str(each)
