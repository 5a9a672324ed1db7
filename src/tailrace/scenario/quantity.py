"""The field types of the models: what a key may hold, with its dimension and its bounds.

A scenario file writes quantities as text with a unit. Code that builds a model itself may also give numbers, which are
taken as SI (seconds, bytes, per second); the reader of files switches that off through the validation context.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import (
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    ValidationInfo,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from tailrace import units
from tailrace.errors import UnitError

FROM_TEXT = {"numbers_need_units": True}
"""Validation context under which a quantity without a unit is refused."""


@dataclass(frozen=True)
class Finding:
    """Something that is wrong between keys.

    Attributes:
        key: the key to name, as a path relative to the model that found it.
        wrong, accepted: the two halves of the message.
        rests_on: the other keys that took part, in the same form.
        shown: the value to show instead of the one that stands in the file.
    """

    key: tuple[str | int, ...]
    wrong: str
    accepted: str
    rests_on: tuple[tuple[str | int, ...], ...] = ()
    shown: str | None = None


def refuse(*findings: Finding) -> None:
    """Raise all findings as one validation error; do nothing if there are none."""
    if findings:
        text = "; ".join(f"{'.'.join(map(str, f.key))}: {f.wrong}; accepted: {f.accepted}" for f in findings)
        raise PydanticCustomError("findings", "{text}", {"text": text, "findings": findings})


class Model(BaseModel):
    """Base of all scenario models: frozen, no unknown keys, no NaN and no infinity."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, strict=False, use_attribute_docstrings=False
    )


@dataclass(frozen=True)
class Quantity:
    """Marks a field as a quantity of `dimension`; text is read by `units`, numbers are taken as SI."""

    dimension: units.Dimension

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.with_info_before_validator_function(self._read, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        return {"type": "string", "examples": [units.EXAMPLE[self.dimension]]}

    def _read(self, value: Any, info: ValidationInfo) -> Any:
        accepted = units.ACCEPTED[self.dimension]
        if isinstance(value, str):
            try:
                return (
                    units.parse_bytes(value)
                    if self.dimension == "size"
                    else units.parse(value, self.dimension)
                )
            except UnitError as error:
                raise _unit_error(error.wrong, error.accepted) from None
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise _unit_error("not a quantity", accepted)
        if info.context and info.context.get("numbers_need_units"):
            raise _unit_error("a number without a unit", accepted)
        return value


def _unit_error(wrong: str, accepted: str) -> PydanticCustomError:
    return PydanticCustomError(
        "quantity", "{wrong}; accepted: {accepted}", {"wrong": wrong, "accepted": accepted}
    )


# Upper bounds keep sums inside 64-bit integers and double precision; nothing sensible comes near them.
_LONGEST_S = 1e9
_LARGEST_BYTES = 2**62

Time = Annotated[float, Quantity("time"), Field(gt=0, le=_LONGEST_S)]
TimeOrZero = Annotated[float, Quantity("time"), Field(ge=0, le=_LONGEST_S)]
Size = Annotated[int, Quantity("size"), Field(gt=0, le=_LARGEST_BYTES)]
SizeOrZero = Annotated[int, Quantity("size"), Field(ge=0, le=_LARGEST_BYTES)]
RequestRate = Annotated[float, Quantity("request rate"), Field(gt=0, le=1e12)]
DataRate = Annotated[float, Quantity("data rate"), Field(gt=0, le=1e18)]
RotationRate = Annotated[float, Quantity("rotation rate"), Field(gt=0, le=1e4)]
Share = Annotated[float, Field(ge=0, le=1)]


def chosen_by(key: str, names: tuple[str, ...]) -> Discriminator:
    """A choice of model by the value of `key`. Tags start with a bar, which no key of a file can be mistaken for."""

    def tag(value: Any) -> str | None:
        chosen = value.get(key) if isinstance(value, dict) else getattr(value, key, None)
        return f"|{chosen}" if isinstance(chosen, str) and chosen in names else None

    return Discriminator(tag)


def law_or_parts() -> Discriminator:
    """A stage is a service law if it has the key `service`, and made of its parts otherwise."""

    def tag(value: Any) -> str | None:
        if isinstance(value, dict):
            return "|law" if "service" in value else "|parts"
        if isinstance(value, BaseModel):
            return "|law" if hasattr(value, "service") else "|parts"
        return None

    return Discriminator(tag)
