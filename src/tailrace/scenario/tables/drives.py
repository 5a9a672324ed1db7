"""What drives of every kind have in common: how many there are, and how many of them are slow."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from pydantic import Field

from tailrace.scenario.tables.fields import Number, PowerOrZero, Price, Whole, optional, power_of, price_of
from tailrace.scenario.tables.model import Finding, Model

Count = Annotated[Whole, Field(ge=1, le=100_000)]


class Drives(Model):
    """Equal drives, of which the first few may be slower than their fellows."""

    kind: str = Field(description="The kind of drive.")
    count: Count = optional("Number of drives.", 1)
    slow_drives: Annotated[Whole, Field(ge=0, le=100_000)] = optional(
        "How many drives, the first ones, are slower than the others.", 0
    )
    slow_factor: Annotated[Number, Field(ge=1, le=10_000)] | None = optional(
        "What the times of the medium of a slow drive are multiplied by."
    )
    price: Price | None = price_of("drive")
    power: PowerOrZero | None = power_of("drive")

    def findings(self) -> Iterator[Finding]:
        """Slow drives are among the drives, and it is said how slow they are."""
        if self.slow_drives > self.count:
            wrong = "more slow drives than drives"
            yield Finding(("slow_drives",), wrong, f"at most {self.count}", (("count",),))
        if self.slow_drives and self.slow_factor is None:
            yield Finding(
                ("slow_drives",), "slow_factor missing", "slow_drives with slow_factor", (("slow_factor",),)
            )
