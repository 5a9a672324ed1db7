"""Every key of a scenario with its kind, default, range and description, read off the models."""

from __future__ import annotations

import types
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import Tag
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from tailrace import units
from tailrace.scenario.reading import parts
from tailrace.scenario.tables.condition import Condition
from tailrace.scenario.tables.fields import Dimensioned
from tailrace.scenario.tables.law import Law
from tailrace.scenario.tables.layout import Layout
from tailrace.scenario.tables.media import Media
from tailrace.scenario.tables.model import KeyPath, Model, Unless
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.server import Lanes, LawStage, Pool
from tailrace.scenario.tables.step import Step
from tailrace.scenario.tables.workload import Workload


@dataclass(frozen=True, slots=True)
class Key:
    """One key as the key table shows it.

    Attributes:
        path: such as `server.network.rate`. NAME stands for the name of a class or a pool, STAGE for network,
            controller or lanes. The drives of a pool have the keys of `server.media`, `lanes` and `layout`.
        when: the choice to which the key belongs, such as `kind = "flash"`; empty if it always applies.
        kind: the dimension of a quantity, or whole number, number, text, true or false, choice, table, list.
        default: as it would be written; "required"; or empty where leaving it out has a meaning of its own.
        range: what is accepted, in words.
        description: what the key means.
    """

    path: str
    when: str
    kind: str
    default: str
    range: str
    description: str


@dataclass(frozen=True)
class Shape:
    """What may stand in one place: a type without its wrappings, and what those said."""

    type: Any
    marks: tuple[Any, ...]
    required: bool = True

    @property
    def quantity(self) -> units.Dimension | None:
        """The dimension, if a quantity is due."""
        return next((mark.dimension for mark in self.marks if isinstance(mark, Dimensioned)), None)

    @property
    def choices(self) -> dict[str, Shape]:
        """The models or lists among which a tag chooses."""
        members = get_args(self.type) if get_origin(self.type) in (Union, types.UnionType) else ()
        shapes = [shape_of(member) for member in members]
        return {mark.tag: shape for shape in shapes for mark in shape.marks if isinstance(mark, Tag)}

    @property
    def model(self) -> type[Model] | None:
        """The model, if a table of one kind is due."""
        return self.type if isinstance(self.type, type) and issubclass(self.type, Model) else None

    @property
    def literals(self) -> tuple[Any, ...]:
        """The values among which to choose."""
        return get_args(self.type) if get_origin(self.type) is Literal else ()

    @property
    def items(self) -> tuple[Shape, ...] | None:
        """The shapes of a list of fixed length, or the one shape of all items of another list."""
        if get_origin(self.type) is not tuple:
            return None
        return tuple(shape_of(item) for item in get_args(self.type) if item is not Ellipsis)

    @property
    def alone(self) -> Shape | None:
        """What one item may be written as where a list would hold nothing else."""
        written = (getattr(mark, "json_schema_input_type", None) for mark in self.marks)
        return next((shape_of(get_args(each)[0]) for each in written if get_args(each)), None)

    @property
    def is_open_list(self) -> bool:
        """Whether it is a list of any length."""
        return Ellipsis in get_args(self.type)

    def bound(self, name: str) -> Any:
        """A bound by its name (gt, ge, lt, le, multiple_of, min_length, max_length), or None."""
        return next((getattr(mark, name) for mark in self.marks if hasattr(mark, name)), None)


def shape_of(annotation: Any, marks: tuple[Any, ...] = (), required: bool = True) -> Shape:
    """Unwrap a type annotation: Annotated and None are taken off, what they said is kept."""
    while True:
        if get_origin(annotation) is Annotated:
            annotation, *said = get_args(annotation)
            marks += tuple(
                mark for one in said for mark in (one.metadata if isinstance(one, FieldInfo) else (one,))
            )
            continue
        if get_origin(annotation) in (Union, types.UnionType):
            members = [member for member in get_args(annotation) if member is not types.NoneType]
            if len(members) == 1:
                annotation = members[0]
                continue
        return Shape(annotation, marks, required)


def field_shape(field: FieldInfo) -> Shape:
    """The shape of a model's field."""
    return shape_of(field.annotation, tuple(field.metadata), field.is_required())


def shape_at(location: KeyPath) -> Shape | None:
    """The shape at a location of pydantic's, with the tags of choices; None if there is no such place."""
    shape: Shape | None = shape_of(Scenario)
    for part in location:
        if shape is None:
            return None
        if isinstance(part, int):
            items = shape.items or ()
            shape = items[0] if shape.is_open_list else items[part] if part < len(items) else None
        elif part in shape.choices:
            shape = shape.choices[part]
        else:
            field = shape.model.field_of(part) if shape.model else None
            shape = field_shape(field) if field else None
    return shape


def accepted(shape: Shape) -> str:
    """What may stand there, in words for an error message or the range column."""
    if shape.literals:
        return one_of([written(value, shape) for value in shape.literals])
    if shape.quantity:
        return f"{units.ACCEPTED[shape.quantity]}, {_bounds(shape)}"
    if shape.type is str:
        least, most = shape.bound("min_length"), shape.bound("max_length")
        many = (
            f" of {'1 to' if least else 'at most'} {most} characters"
            if most
            else " that is not empty" * bool(least)
        )
        return f"text{many}"
    if shape.type is bool:
        return "true or false"
    if shape.type in (int, float):
        return f"a {'whole ' if shape.type is int else ''}number, {_bounds(shape)}"
    if shape.items is not None:
        model = shape.items[0].model
        if model and "name" not in model.model_fields:
            alone = f"{accepted(shape.alone)}, or " if shape.alone else ""
            return f"{alone}a list of tables {_braced(model)}"
        if model:
            return f"tables in double brackets, {_HEADERS[model]}"
        if not shape.is_open_list:
            return f"a list of {len(shape.items)} values"
        return f"a list, each item {accepted(shape.items[0])}"
    if "|number" in shape.choices:
        return f"{accepted(shape.choices['|number'])}, or a list of such"
    if shape.choices and not all(choice.model for choice in shape.choices.values()):
        return " or ".join(accepted(choice) for choice in shape.choices.values())
    if choosing := chooser(shape):
        return f"a table with {choosing} = {one_of(_names(shape))}"
    return (
        f"a table {_braced(shape.model)}" if shape.model and len(shape.model.model_fields) < 5 else "a table"
    )


def _braced(model: type[Model]) -> str:
    return f"{{{', '.join(model.model_fields)}}}"


def written(value: Any, shape: Shape) -> str:
    """A value in SI as a scenario file would write it."""
    if shape.quantity:
        return f'"{units.write(value, shape.quantity)}"'
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple):
        return f"[{', '.join(written(item, shape_of(type(item))) for item in value)}]"
    return (
        f'"{value}"' if isinstance(value, str) else f"{value:g}" if isinstance(value, float) else str(value)
    )


@cache
def rows() -> tuple[Key, ...]:
    """All keys in the order of the models; service laws, and stages that follow one, once for all stages."""
    return tuple(_keys_of(Scenario, "", "", set()))


def _keys_of(
    model: type[Model], prefix: str, when: str, seen: set[object], besides: str | None = None
) -> Iterator[Key]:
    further = {model.open_keys.shown: model.open_keys.field} if model.open_keys else {}
    for name, field in (model.model_fields | further).items():
        if name == besides:
            continue
        shape, path = field_shape(field), f"{prefix}{name}"
        yield Key(
            path,
            when,
            _kind(shape),
            default_of(field, shape),
            range_of(shape),
            field.description or "",
        )
        if parts.is_place(tuple(path.split("."))):
            accepted_names = "a name that `tailrace parts` lists"
            yield Key(f"{path}.part", when, "text", "", accepted_names, parts.MEANING)
        choosing = chooser(shape)
        for condition, item, inner in _models_in(shape):
            below = f"{path}.NAME" if inner in _HEADERS else _SHARED.get(inner, path + item)
            if choosing and (below, choosing) not in seen:
                seen.add((below, choosing))
                yield _chooser_key(f"{below}.{choosing}", when, shape, inner.model_fields[choosing])
            if inner in _SHARED and inner in seen:
                continue
            seen.add(inner)
            yield from _keys_of(inner, f"{below}.", condition or when, seen, choosing)


def _chooser_key(path: str, when: str, shape: Shape, field: FieldInfo) -> Key:
    return Key(path, when, "choice", "required", one_of(_names(shape)), field.description or "")


def _names(shape: Shape) -> list[str]:
    return [f'"{tag.removeprefix("|")}"' for tag in shape.choices]


def one_of(texts: list[str]) -> str:
    """A list in words: a, b or c."""
    return " or ".join([", ".join(texts[:-1]), texts[-1]] if len(texts) > 1 else texts)


# Models that serve several places, and the path under which their keys are listed once.
_SHARED: dict[type[Model], str] = {
    LawStage: "server.STAGE",
    Lanes: "server.lanes",
    Layout: "server.layout",
    **{each.model: "server.media" for each in shape_of(Media).choices.values() if each.model},
    **{each.model: "server.STAGE.service" for each in shape_of(Law).choices.values() if each.model},
}

# Models of named tables in double brackets, and their header.
_HEADERS: dict[type[Model], str] = {
    Workload: "[[workload]]",
    Step: "[[workload.step]]",
    Pool: "[[server.pool]]",
    Condition: "[[condition]]",
}


def _models_in(shape: Shape) -> Iterator[tuple[str, str, type[Model]]]:
    """Each model that may stand there, with the choice that leads to it and a mark if it stands in a list."""
    if shape.model:
        yield "", "", shape.model
    choosing = chooser(shape)
    for tag, choice in shape.choices.items():
        condition = f'{choosing} = "{tag.removeprefix("|")}"' if choosing else _CONDITIONS[tag]
        yield from ((condition, item, model) for _, item, model in _models_in(choice))
    for listed in shape.items or ():
        yield from ((condition, "[]", model) for condition, _, model in _models_in(listed))


_CONDITIONS = {
    "|law": "with service",
    "|parts": "",
    "|points": "as a list",
    "|pieces": "as a table",
    "|number": "",
    "|list": "",
}


def chooser(shape: Shape) -> str | None:
    """The key by whose value a choice is made: one that holds a single literal in each of the models."""
    found: set[str] | None = None
    for choice in shape.choices.values():
        fields = choice.model.model_fields if choice.model else {}
        single = {name for name, field in fields.items() if len(field_shape(field).literals) == 1}
        found = single if found is None else found & single
    return min(found) if found else None


def _kind(shape: Shape) -> str:
    if shape.quantity:
        return shape.quantity
    if shape.literals:
        return "choice"
    if "|number" in shape.choices:
        return _kind(shape.choices["|number"])
    named = {int: "whole number", float: "number", str: "text", bool: "true or false"}
    return named.get(shape.type) or ("list" if shape.items is not None else "table")


def default_of(field: FieldInfo, shape: Shape) -> str:
    """The default as a file would write it; "required"; or empty where leaving the key out has a meaning."""
    if field.is_required():
        return "required"
    if field.default in (None, (), {}, PydanticUndefined) or isinstance(field.default, Model):
        return ""
    return written(field.default, shape)


def unless(field: FieldInfo) -> Unless | None:
    """What makes up for a key that is needed, if other keys do."""
    return next((mark for mark in field.metadata if isinstance(mark, Unless)), None)


def range_of(shape: Shape) -> str:
    """The bounds of a number in words; for anything else what is accepted."""
    return _bounds(shape) or accepted(shape)


def _bounds(shape: Shape) -> str:
    above, least, most, below = (shape.bound(name) for name in ("gt", "ge", "le", "lt"))

    def text(value: Any) -> str:
        if not shape.quantity:
            return str(int(value)) if value == int(value) else f"{value:g}"
        return units.write(value, shape.quantity) if value else "0"

    low = ""
    if above is not None and (least is None or above >= least):
        low = f"above {text(above)}"
    elif least is not None:
        low = f"at least {text(least)}"
    high = (
        f"at most {text(most)}" if most is not None else f"below {text(below)}" if below is not None else ""
    )
    step = shape.bound("multiple_of")
    multiple = f"a multiple of {text(step)}" if step is not None else ""
    return ", ".join(part for part in (low, high, multiple) if part)
