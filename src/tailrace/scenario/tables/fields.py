"""The field types of the models: what a single key may hold, with its dimension and its bounds.

A scenario file writes quantities as text with a unit. Code that builds a model itself may also give numbers,
which are taken as SI (seconds, bytes, per second); the reader of files refuses these.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    Strict,
    ValidationInfo,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from tailrace import units
from tailrace.errors import UnitError


@dataclass(frozen=True)
class Dimensioned:
    """Marks a field as a quantity of `dimension`: text is read by `units`, a number is taken as SI."""

    dimension: units.Dimension

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.with_info_before_validator_function(self._read, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        return {
            "type": "string",
            "pattern": units.pattern(self.dimension),
            "examples": [units.EXAMPLE[self.dimension]],
        }

    def _read(self, value: Any, info: ValidationInfo) -> Any:
        if isinstance(value, str):
            try:
                return (
                    units.parse_bytes(value)
                    if self.dimension == "size"
                    else units.parse(value, self.dimension)
                )
            except UnitError as error:
                raise _refused(error.wrong, error.accepted) from None
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise _refused("not a quantity", units.ACCEPTED[self.dimension])
        if info.context is not None and info.context.get("from_file"):
            raise _refused("a number without a unit", units.ACCEPTED[self.dimension])
        return value


def _refused(wrong: str, accepted: str) -> PydanticCustomError:
    return PydanticCustomError(
        "quantity", "{wrong}; accepted: {accepted}", {"wrong": wrong, "accepted": accepted}
    )


def _printable(text: str) -> str:
    if not text.isprintable() or text != text.strip():
        raise PydanticCustomError("text", "not printable text, or blanks at its ends")
    return text


def _whole(value: object) -> object:
    if type(value) is not int:  # Literal would take true for 1
        raise PydanticCustomError("int_type", "not a whole number")
    return value


# The upper bounds keep sums inside 64-bit integers and double precision; nothing sensible comes near them.
Time = Annotated[float, Dimensioned("time"), Field(gt=0, le=1e9)]
TimeOrZero = Annotated[float, Dimensioned("time"), Field(ge=0, le=1e9)]
Size = Annotated[int, Dimensioned("size"), Field(gt=0, le=2**60)]
Piece = Annotated[int, Dimensioned("size"), Field(ge=512, le=2**60)]
RequestSize = Annotated[int, Dimensioned("size"), Field(gt=0, le=2**30)]
SizeOrZero = Annotated[int, Dimensioned("size"), Field(ge=0, le=2**60)]
RequestRate = Annotated[float, Dimensioned("request rate"), Field(gt=0, le=1e12)]
DataRate = Annotated[float, Dimensioned("data rate"), Field(gt=0, le=1e15)]
LineRate = Annotated[float, Dimensioned("line rate"), Field(gt=0, le=1e15)]
PowerOrZero = Annotated[float, Dimensioned("power"), Field(ge=0, le=1e9)]
RotationRate = Annotated[float, Dimensioned("rotation rate"), Field(gt=0, le=1e4)]

# Strict: neither true nor "12" is a number.
Whole = Annotated[int, Strict()]
Number = Annotated[float, Strict()]
Price = Annotated[Number, Field(ge=0, le=1e12)]
LaneCount = Annotated[Literal[1, 2, 4, 8, 12, 16], BeforeValidator(_whole)]
Flag = Annotated[bool, Strict()]
Share = Annotated[float, Strict(), Field(ge=0, le=1)]
Text = Annotated[str, Strict(), AfterValidator(_printable)]


def resolved(file: str, info: ValidationInfo) -> str:
    """A file that a scenario names as an absolute path, from the folder of the scenario file."""
    folder = (info.context or {}).get("folder")
    return str(Path(folder or ".", Path(file).expanduser()).absolute())


FileName = Annotated[Text, Field(min_length=1, max_length=4096), AfterValidator(resolved)]
Name = Annotated[Text, Field(min_length=1, max_length=64)]


def optional(description: str, default: Any = None, **bounds: Any) -> Any:
    """The field of a key that may be left out, with what it is then, and the bounds of its values."""
    return Field(default=default, description=description, **bounds)


def price_of(part: str) -> Any:
    """The field that says what one such part costs."""
    return optional(f"Price of one {part}, in any currency; nothing is simulated by it.")


def power_of(part: str) -> Any:
    """The field that says what power one such part draws."""
    return optional(f"Electric power of one {part}; nothing is simulated by it.")
