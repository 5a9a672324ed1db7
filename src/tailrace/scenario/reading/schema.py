"""The JSON Schema of a scenario file, for editors and other tools."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pydantic.fields import FieldInfo
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from tailrace import units
from tailrace.scenario.reading import keys, parts
from tailrace.scenario.tables.model import Model
from tailrace.scenario.tables.scenario import Scenario


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a scenario file, each key with its meaning, default and range.

    A quantity is text with a unit; `pattern` admits the spellings that the reader takes. Its range stands in
    the description, since JSON Schema cannot compare such text; nor does it know the rules between keys.
    """
    document = Scenario.model_json_schema(schema_generator=_OfFiles)
    for model, choosing in _models(keys.shape_of(Scenario), set()):
        table = document if model is Scenario else document["$defs"][model.__name__]
        if further := model.open_keys:
            allowed = table.pop("additionalProperties") | _words(further.field, has_default=False)
            table |= {"patternProperties": {f"^{further.pattern}$": allowed}, "additionalProperties": False}
        for name, field in model.model_fields.items():
            properties = table["properties"][name]
            properties.pop("title", None)  # says the name again
            properties |= _words(field, has_default=name != choosing)
            if name in parts.PLACES:
                _admit_part(properties)
            if made_up := keys.unless(field):
                table["anyOf"] = [{"required": [name]}, *made_up.instead]
        if choosing:
            table["required"] = [choosing, *table.get("required", [])]
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **document}


class _OfFiles(GenerateJsonSchema):
    """As files are: a key that may be None may be left out, as TOML has no null; defaults come later."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])


def _admit_part(properties: dict[str, Any]) -> None:
    """Beside the table itself, the name of a part, or a table that takes one up."""
    table = {key: properties.pop(key) for key in tuple(properties) if key != "description"}
    name = {"type": "string", "description": parts.MEANING}
    with_part = {"type": "object", "properties": {"part": name}, "required": ["part"]}
    properties["anyOf"] = [table, name, with_part]


def _words(field: FieldInfo, has_default: bool) -> dict[str, Any]:
    """Description and default of a key, and the examples of a quantity that is one of a few."""
    shape = keys.field_shape(field)
    sentences, words = [field.description or ""], dict[str, Any]()
    if shape.quantity:
        sentences.append(f"Range: {keys.range_of(shape)}.")
        if shape.literals:
            words["examples"] = [units.write(value, shape.quantity) for value in shape.literals]
    default = keys.default_of(field, shape)
    if has_default and default not in ("", "required"):
        sentences.append(f"Default: {default}.")
        words["default"] = units.write(field.default, shape.quantity) if shape.quantity else field.default
    return {**words, "description": " ".join(sentences)}


def _models(
    shape: keys.Shape, seen: set[type[Model]], choosing: str | None = None
) -> Iterator[tuple[type[Model], str | None]]:
    """Every model that may stand in a place or below it, once, with the key whose value chooses it."""
    if shape.model and shape.model not in seen:
        seen.add(shape.model)
        yield shape.model, choosing
        for field in shape.model.model_fields.values():
            yield from _models(keys.field_shape(field), seen)
    for choice in shape.choices.values():
        yield from _models(choice, seen, keys.chooser(shape))
    for item in shape.items or ():
        yield from _models(item, seen)
