"""How addresses are laid over the drives of a pool, as written."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from tailrace.scenario.model import Model
from tailrace.scenario.quantity import Piece


class Layout(Model):
    """How addresses are laid over the drives."""

    redundancy: Literal["none"] = Field(default="none", description="Redundancy over the drives.")
    stripe_unit: Piece = Field(
        default=65536, multiple_of=512, description="Bytes on one drive before the next drive's turn."
    )
