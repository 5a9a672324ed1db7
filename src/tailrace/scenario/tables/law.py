"""Service laws: the distributions that a service time may follow, each with its mean and its variability."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, Tag

from tailrace import units
from tailrace.arrays import FloatArray
from tailrace.errors import TraceError, UnitError
from tailrace.scenario.tables import outside
from tailrace.scenario.tables.fields import FileName, Number, Text, Time, TimeOrZero, optional
from tailrace.scenario.tables.model import Finding, Model, chosen_by
from tailrace.trace.mapping import FileColumn


class _OfMean(Model):
    mean: Time = Field(description="Mean of the service time.")

    @property
    def mean_s(self) -> float:
        """Mean in seconds."""
        return self.mean


class Exponential(_OfMean):
    """Exponential times."""

    law: Literal["exponential"] = optional("The law of the service times.", "exponential")

    @property
    def scv(self) -> float:
        """Squared coefficient of variation."""
        return 1.0


class Constant(Model):
    """Every service takes the same time."""

    law: Literal["constant"] = optional("The law of the service times.", "constant")
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

    law: Literal["uniform"] = optional("The law of the service times.", "uniform")
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


class Gamma(_OfMean):
    """Gamma times: shape 1/scv."""

    law: Literal["gamma"] = optional("The law of the service times.", "gamma")
    scv: Number = Field(
        gt=0,
        le=1e6,
        description="Squared coefficient of variation: 1 is exponential, 1/k is Erlang of k phases.",
    )


class Lognormal(_OfMean):
    """Lognormal times: the logarithm has variance ln(1 + scv)."""

    law: Literal["lognormal"] = optional("The law of the service times.", "lognormal")
    scv: Number = Field(gt=0, le=1e6, description="Squared coefficient of variation.")


class Hyperexponential(_OfMean):
    """Two exponential phases with balanced means: each phase carries half of the mean."""

    law: Literal["hyperexponential"] = optional("The law of the service times.", "hyperexponential")
    scv: Number = Field(gt=1, le=1e6, description="Squared coefficient of variation, above 1.")


class Empirical(Model):
    """Times as they were measured, each as likely as it occurs: nothing between them, and nothing beyond."""

    law: Literal["empirical"] = optional("The law of the service times.", "empirical")
    values: Annotated[tuple[Time, ...], Field(min_length=1, max_length=100_000)] | None = optional(
        "The times, in any order; or give `file`."
    )
    file: FileName | None = optional(
        "A CSV file with a column of times, from the folder of the scenario file."
    )
    column: Annotated[Text, Field(min_length=1)] | None = optional(
        "Heading of the column (with `file`); the first column if left out."
    )
    unit: Text = optional('Unit of the times in the file, such as "us".', "s")
    named: Annotated[Text, Field(min_length=1)] | None = optional(
        "Instead of both, a law that another package enters under this name."
    )
    parameters: tuple[Number, ...] = optional(
        "Parameters of the law with that name, in its order; times in seconds.", ()
    )

    def findings(self) -> Iterator[Finding]:
        """Values or a file that has them."""
        if self.named is not None:
            yield from self._findings_of_named()
            return
        if (self.values is None) == (self.file is None):
            wrong = "neither values nor file" if self.file is None else "both values and file"
            yield Finding((), wrong, "either values or file", (("values",), ("file",)))
            return
        try:
            units.parse_exact(f"1 {self.unit}", "time")
        except UnitError as error:
            yield Finding(("unit",), error.wrong, 'a unit of time, such as "us"')
            return
        try:
            _ = self.sorted_s
        except TraceError as error:
            for fault in error.faults:
                key = ("file",) if fault.key == ("file",) else ("column",)
                yield Finding(key, fault.wrong, fault.accepted, (("file",), ("column",)))

    def _findings_of_named(self) -> Iterator[Finding]:
        if self.values is not None or self.file is not None:
            yield Finding(("named",), "beside values or file", "one of the three", (("values",), ("file",)))
            return
        try:
            _ = self.sorted_s
        except ValueError as error:
            wrong, _, accepted = str(error).partition("; accepted: ")
            yield Finding(("named",), wrong, accepted, (("parameters",),))

    @property
    def sorted_s(self) -> FloatArray:
        """The times in seconds, ascending, shape (n,)."""
        if self.named is not None:
            return outside.quantiles(self.named, self.parameters)
        if self.values is not None:
            return np.sort(np.array(self.values))
        from tailrace.trace.values import measured_values

        scale = float(units.parse_exact(f"1 {self.unit}", "time"))
        column = FileColumn(self.column, None if self.column else 1, scale)
        return measured_values(Path(self.file or ""), column)

    @property
    def mean_s(self) -> float:
        """Mean in seconds."""
        return float(self.sorted_s.mean())

    @property
    def scv(self) -> float:
        """Squared coefficient of variation of the values as they are."""
        return float(self.sorted_s.var()) / self.mean_s**2


Law = Annotated[
    Annotated[Exponential, Tag("|exponential")]
    | Annotated[Constant, Tag("|constant")]
    | Annotated[Uniform, Tag("|uniform")]
    | Annotated[Gamma, Tag("|gamma")]
    | Annotated[Lognormal, Tag("|lognormal")]
    | Annotated[Hyperexponential, Tag("|hyperexponential")]
    | Annotated[Empirical, Tag("|empirical")],
    chosen_by(
        "law", "exponential", "constant", "uniform", "gamma", "lognormal", "hyperexponential", "empirical"
    ),
]
