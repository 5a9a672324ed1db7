"""What all scenario models share: frozen, no unknown keys, and findings that name every key at fault."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from re import fullmatch
from typing import Any, ClassVar, Self

from pydantic import BaseModel, ConfigDict, Discriminator, ValidationInfo, model_validator
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

KeyPath = tuple[str | int, ...]
"""The way to a value: keys of tables and positions in lists."""

FROM_FILE = {"from_file": True}
"""Validation context of the reader: quantities need a unit, and `Model.findings` are asked for afterwards.

With "folder" it also says where files that a scenario names are looked for.
"""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that is wrong between keys which are each right for themselves.

    Attributes:
        key: the key to name, relative to the model that found it; empty for its whole table.
        wrong, accepted: the two halves of the message.
        rests_on: the other keys that took part; without faith in these the finding means nothing.
    """

    key: KeyPath
    wrong: str
    accepted: str
    rests_on: tuple[KeyPath, ...] = ()


@dataclass(frozen=True)
class Unless:
    """Mark of a key that is needed unless other keys make up for it: ``instead`` are schemas of tables that do."""

    instead: tuple[dict[str, Any], ...]


@dataclass(frozen=True)
class OpenKeys:
    """Keys of a table beyond those of its model: the pattern of their names, how a list shows them, and their field."""

    pattern: str
    shown: str
    field: FieldInfo

    def checked(self, key: str) -> str:
        """The key, if it is one of these."""
        if not fullmatch(self.pattern, key):
            raise PydanticCustomError("extra_forbidden", "unknown key")
        return key


class Model(BaseModel):
    """Base of the scenario models: frozen, no unknown keys, no NaN and no infinity.

    Validation raises `pydantic.ValidationError` for what a key alone shows to be wrong and for every finding.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    open_keys: ClassVar[OpenKeys | None] = None

    @classmethod
    def field_of(cls, key: str) -> FieldInfo | None:
        """The field of a key; None if the table has no such key."""
        is_open = cls.open_keys is not None and fullmatch(cls.open_keys.pattern, key)
        return cls.open_keys.field if cls.open_keys and is_open else cls.model_fields.get(key)

    def fields(self) -> dict[str, FieldInfo]:
        """Every key that the table has, with its field: those of the model, and further ones that were given."""
        further = {key: field for key in self.model_extra or () if (field := self.field_of(key))}
        return type(self).model_fields | further

    def findings(self) -> Iterator[Finding]:
        """What is wrong between the keys of this table."""
        yield from ()

    @model_validator(mode="after")
    def _nothing_found(self, info: ValidationInfo) -> Self:
        if info.context is not None and info.context.get("from_file"):
            return self
        found = [f"{'.'.join(map(str, f.key))}: {f.wrong}; accepted: {f.accepted}" for f in self.findings()]
        if found:
            raise PydanticCustomError("findings", "{text}", {"text": "\n".join(found).removeprefix(": ")})
        return self


def chosen_by(key: str, *names: str) -> Discriminator:
    """A choice of model by the value of `key`. Tags start with a bar, so that none is taken for a key."""

    def tag(value: Any) -> str | None:
        chosen = value.get(key) if isinstance(value, dict) else getattr(value, key, None)
        return f"|{chosen}" if chosen in names else None

    return Discriminator(tag, custom_error_type=f"choice_by_{key}", custom_error_message="unknown")


def law_or_parts() -> Discriminator:
    """A stage follows a law if it has the key `service`, and is made of its parts otherwise."""

    def tag(value: Any) -> str | None:
        if isinstance(value, dict):
            return "|law" if "service" in value else "|parts"
        if isinstance(value, BaseModel):
            return "|law" if hasattr(value, "service") else "|parts"
        return None

    return Discriminator(tag, custom_error_type="not_a_table", custom_error_message="not a table")
