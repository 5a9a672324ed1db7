"""When an open class is faster than on average, and by how much."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from tailrace.scenario.tables.fields import Number, Time
from tailrace.scenario.tables.model import Model


class Surge(Model):
    """Times of higher load: all of a class is faster in them and slower between, at the same mean rate."""

    factor: Annotated[Number, Field(gt=1, le=1e6)] = Field(
        description="Rate in a surge over the rate between surges."
    )
    share: Annotated[Number, Field(gt=0, lt=1)] = Field(description="Share of the time spent in surges.")
    length: Time = Field(description="Mean length of a surge.")

    @property
    def speeds(self) -> tuple[float, float]:
        """Rate between surges and rate in a surge, both over the mean rate."""
        calm = 1.0 / (1.0 + self.share * (self.factor - 1.0))
        return calm, self.factor * calm
