"""The tables of a file from which a scenario could have been read."""

from __future__ import annotations

from typing import Any

from tailrace import units
from tailrace.scenario.reading.keys import Shape, field_shape, shape_of
from tailrace.scenario.tables.model import Model
from tailrace.scenario.tables.scenario import Scenario


def tables(scenario: Scenario) -> dict[str, Any]:
    """The tables of a file from which the scenario could have been read, without what was left out."""
    found: dict[str, Any] = _written(scenario, shape_of(Scenario))
    return found


def _written(value: Any, shape: Shape) -> Any:
    if isinstance(value, Model):
        return {
            name: _written(getattr(value, name), field_shape(field))
            for name, field in value.fields().items()
            if name in value.model_fields_set and getattr(value, name) is not None
        }
    if isinstance(value, tuple):
        shapes = _item_shapes(shape, len(value))
        return [_written(item, each) for item, each in zip(value, shapes, strict=True)]
    if shape.quantity:
        return units.write(value, shape.quantity)
    return value


def _item_shapes(shape: Shape, count: int) -> list[Shape]:
    listed = next((each for each in (shape, *shape.choices.values()) if each.items), None)
    assert listed is not None
    assert listed.items is not None
    return [listed.items[0]] * count if listed.is_open_list else list(listed.items)
