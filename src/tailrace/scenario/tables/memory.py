"""Memory of the controller: a cache of what was read, and protected room for what is written, as written."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from tailrace.scenario.tables.fields import Piece, Share, Size, Whole, optional
from tailrace.scenario.tables.model import Model


class ReadCache(Model):
    """A cache of the data that were used last, in items of 16 KiB."""

    size: Annotated[Size, Field(ge=16384)] = Field(description="Room in the cache.")
    hit_share: Share | None = optional(
        "Share of the reads that find all their data; left out, it follows from the popularity, span and "
        "rate of the classes."
    )


class WriteBack(Model):
    """Memory that outlasts a power failure, from which writes are acknowledged before they are on the drives."""

    size: Size = Field(description="Room for written data that are not yet on the drives.")
    unit: Piece = optional("Unit in which room is given to a write.", 4096)
    destages: Annotated[Whole, Field(ge=1, le=65536)] = optional(
        "Writes that are on their way to the drives at once.", 128
    )
