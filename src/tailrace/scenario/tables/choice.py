"""Among which designs shall one be chosen, and what shall be least? So that a choice can be repeated."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from tailrace.scenario.tables.fields import Size, Text, optional
from tailrace.scenario.tables.model import Model


class Choice(Model):
    """The designs, and what decides between those that keep every promise."""

    vary: Annotated[tuple[Text, ...], Field(min_length=1, max_length=100)] = Field(
        description="Keys with their values, KEY=LIST each, as --vary takes them: every combination is a design."
    )
    least: Text = optional(
        "What shall be least: price, power, height, a key, or price + N years at R per kWh.", "price"
    )
    capacity: Size | None = optional(
        "Capacity that the drives must have at least, beside what redundancy takes."
    )
