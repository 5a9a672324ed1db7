"""A state in which the server has to hold: its name, how long it lasts, and the keys that differ in it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Annotated, Any

from pydantic import Field, field_validator
from pydantic_core import PydanticCustomError

from tailrace.scenario.tables.fields import Name, Number, Text, optional
from tailrace.scenario.tables.model import Finding, KeyPath, Model

ROUNDING = 0.01
"""By how much shares of the time may miss 1: they are written with few digits."""


class Condition(Model):
    """One state of the server and of what it is asked: keys set over those of the scenario.

    ``hours`` or ``share`` weigh it where figures over all conditions are asked for; without either all weigh the same.
    """

    name: Name = Field(description="Name of the condition.")
    begins: Annotated[Text, Field(pattern=r"^([01]?\d|2[0-3]):[0-5]\d$")] | None = optional(
        'Time of day at which it begins, such as "22:00": of the first condition; the others follow.'
    )
    hours: Annotated[Number, Field(gt=0, le=1e6)] | None = optional(
        "How long it lasts in each cycle: the conditions follow in their order."
    )
    share: Annotated[Number, Field(gt=0, le=1)] | None = optional(
        "Share of the time, where hours say too much; the shares add up to 1."
    )
    set: dict[str, Any] = optional(
        "Keys with their values in it, over those of the scenario, as --set takes them.", {}
    )

    @field_validator("set", mode="before")
    @classmethod
    def _is_table(cls, value: object) -> object:
        if not isinstance(value, dict):
            raise PydanticCustomError("model_type", "not a table")
        return value

    def __hash__(self) -> int:
        return hash((self.name, self.hours, self.share, repr(self.set)))


def weights(conditions: Sequence[Condition]) -> list[float]:
    """Hours of each condition, its share of the time, or 1 where none says either."""
    return [each.hours or each.share or 1.0 for each in conditions]


def findings(conditions: Sequence[Condition]) -> Iterator[Finding]:
    """What is wrong between the conditions of a scenario."""
    seen: dict[str, None] = {}
    for index, each in enumerate(conditions):
        if each.name in seen:
            accepted = "a name of its own for each condition"
            yield Finding(("condition", index, "name"), "a second condition of this name", accepted)
        seen[each.name] = None
        if index and each.begins is not None:
            yield Finding(
                ("condition", index, "begins"),
                "given of another than the first",
                "begins of the first condition only",
            )
    by_hours = [each.hours is not None for each in conditions]
    by_share = [each.share is not None for each in conditions]
    rests_on: tuple[KeyPath, ...] = tuple(
        ("condition", index, key) for index in range(len(conditions)) for key in ("hours", "share")
    )
    if any(by_hours) and any(by_share):
        index = by_share.index(True)
        accepted = "either hours of all conditions, or share of all, or neither"
        yield Finding(("condition", index, "share"), "given beside hours", accepted, rests_on)
    else:
        for key, given in (("hours", by_hours), ("share", by_share)):
            if any(given) and not all(given):
                index = given.index(False)
                accepted = f"{key} of every condition, or of none"
                yield Finding(
                    ("condition", index, key), "missing: other conditions have it", accepted, rests_on
                )
        total = sum(each.share or 0.0 for each in conditions)
        if all(by_share) and conditions and abs(total - 1.0) > ROUNDING:
            wrong = f"the shares add up to {total:.4g}"
            yield Finding(("condition", 0, "share"), wrong, "shares that add up to 1", rests_on)
    if conditions and conditions[0].begins is not None and not any(by_hours):
        yield Finding(
            ("condition", 0, "begins"), "given without hours", "begins together with hours", rests_on
        )
