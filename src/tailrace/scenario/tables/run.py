"""How the scenario is to be simulated: seed, precision and length."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from tailrace.scenario.tables.fields import Number, Whole, optional
from tailrace.scenario.tables.model import Model

DEFAULT_PRECISION = 0.1
DEFAULT_BUDGET = 500_000


class Run(Model):
    """Seed, precision and length of the runs."""

    seed: Annotated[Whole, Field(ge=0, le=2**63 - 1)] | None = optional(
        "Seed of all random streams; drawn and reported if left out."
    )
    precision: Annotated[Number, Field(gt=0, lt=1)] | None = optional(
        "Relative half-width wanted for the target quantile at 95 % confidence; "
        "0.1 unless `requests` alone fixes the length."
    )
    requests: Annotated[Whole, Field(ge=1000, le=10**10)] | None = optional(
        "Largest number of requests in a replication (500 000 if left out); "
        "without `precision` the fixed length."
    )
    replications: Annotated[Whole, Field(ge=2, le=10_000)] = optional(
        "Independent replications of the answer.", 16
    )

    @property
    def fixed_length(self) -> bool:
        """Whether the length is given outright instead of a precision."""
        return self.requests is not None and self.precision is None

    @property
    def wanted_precision(self) -> float:
        """Relative half-width to reach, default 0.1."""
        return DEFAULT_PRECISION if self.precision is None else self.precision

    @property
    def budget(self) -> int:
        """Largest number of requests in a replication, default 500 000."""
        return DEFAULT_BUDGET if self.requests is None else self.requests
