"""The drives: spinning, flash, measured (rates by queue depth), or generic (servers with a law)."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, Tag

from tailrace.scenario.tables.drives import Drives
from tailrace.scenario.tables.fields import Size, Whole, optional
from tailrace.scenario.tables.flash import Flash
from tailrace.scenario.tables.law import Law
from tailrace.scenario.tables.measured import Measured
from tailrace.scenario.tables.model import chosen_by
from tailrace.scenario.tables.spinning import Spinning


class Generic(Drives):
    """Drives that are servers with a service law."""

    kind: Literal["generic"] = optional("The kind of drive.", "generic")
    capacity: Size = optional("Capacity of one drive.", 10**12)
    service: Law = Field(description="Law of the service times.")
    servers: Whole = optional("Servers in each drive.", 1, ge=1, le=1_000_000)
    discipline: Literal["fcfs", "ps", "delay"] = optional(
        "First come first served, processor sharing, or a delay without a queue.", "fcfs"
    )


Media = Annotated[
    Annotated[Spinning, Tag("|spinning")]
    | Annotated[Flash, Tag("|flash")]
    | Annotated[Measured, Tag("|measured")]
    | Annotated[Generic, Tag("|generic")],
    chosen_by("kind", "spinning", "flash", "measured", "generic"),
]
