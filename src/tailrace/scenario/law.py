"""Service laws: the distributions that a service time may follow, each with its mean and its variability."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field, Tag

from tailrace.scenario.model import Finding, Model, chosen_by
from tailrace.scenario.quantity import Number, Time, TimeOrZero


class Exponential(Model):
    """Exponential times."""

    law: Literal["exponential"] = Field(default="exponential", description="The law of the service times.")
    mean: Time = Field(description="Mean of the service time.")

    @property
    def mean_s(self) -> float:
        """Mean in seconds."""
        return self.mean

    @property
    def scv(self) -> float:
        """Squared coefficient of variation."""
        return 1.0


class Constant(Model):
    """Every service takes the same time."""

    law: Literal["constant"] = Field(default="constant", description="The law of the service times.")
    value: Time = Field(description="The service time.")

    @property
    def mean_s(self) -> float:
        """Mean in seconds."""
        return self.value

    @property
    def scv(self) -> float:
        """Squared coefficient of variation."""
        return 0.0


class Uniform(Model):
    """Times spread evenly between two bounds."""

    law: Literal["uniform"] = Field(default="uniform", description="The law of the service times.")
    low: TimeOrZero = Field(description="Shortest service time.")
    high: Time = Field(description="Longest service time; above `low`.")

    def findings(self) -> Iterator[Finding]:
        """The bounds must be in order."""
        if not self.high > self.low:
            yield Finding(("high",), "not above low", "a time above low", (("low",),))

    @property
    def mean_s(self) -> float:
        """Mean in seconds, (low + high)/2."""
        return (self.low + self.high) / 2

    @property
    def scv(self) -> float:
        """Squared coefficient of variation, (high - low)²/12 over the squared mean."""
        return (self.high - self.low) ** 2 / 12 / self.mean_s**2


class _MeanAndScv(Model):
    mean: Time = Field(description="Mean of the service time.")

    @property
    def mean_s(self) -> float:
        """Mean in seconds."""
        return self.mean


class Gamma(_MeanAndScv):
    """Gamma times: shape 1/scv."""

    law: Literal["gamma"] = Field(default="gamma", description="The law of the service times.")
    scv: Number = Field(
        gt=0,
        le=1e6,
        description="Squared coefficient of variation: 1 is exponential, 1/k is Erlang of k phases.",
    )


class Lognormal(_MeanAndScv):
    """Lognormal times: the logarithm has variance ln(1 + scv)."""

    law: Literal["lognormal"] = Field(default="lognormal", description="The law of the service times.")
    scv: Number = Field(gt=0, le=1e6, description="Squared coefficient of variation.")


class Hyperexponential(_MeanAndScv):
    """Two exponential phases with balanced means: each phase carries half of the mean."""

    law: Literal["hyperexponential"] = Field(
        default="hyperexponential", description="The law of the service times."
    )
    scv: Number = Field(gt=1, le=1e6, description="Squared coefficient of variation, above 1.")


Law = Annotated[
    Annotated[Exponential, Tag("|exponential")]
    | Annotated[Constant, Tag("|constant")]
    | Annotated[Uniform, Tag("|uniform")]
    | Annotated[Gamma, Tag("|gamma")]
    | Annotated[Lognormal, Tag("|lognormal")]
    | Annotated[Hyperexponential, Tag("|hyperexponential")],
    chosen_by("law", "exponential", "constant", "uniform", "gamma", "lognormal", "hyperexponential"),
]
