"""Which figure of a class? Kind of request, statistic, unit and direction, known by its text, named in one way."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal, TypeAlias

Kind: TypeAlias = Literal["all", "read", "write"]
KINDS: tuple[Kind, ...] = ("all", "read", "write")

Dimension: TypeAlias = Literal["time", "request rate", "data rate", "share", "duration"]

FINISHED = "finished_within"
"""How long an amount of work takes."""

_DIMENSIONS: dict[str, Dimension] = {
    "mean": "time",
    "rate": "request rate",
    "throughput": "data rate",
    FINISHED: "duration",
}
"""Statistics other than quantiles, which are times, and shares answered within a time."""
_PROMISED = {"rate": "{} are to be completed", "throughput": "data are to be moved"}
"""What is asked for by those, of requests or transactions."""
_COLUMNS = {
    "time": "{}_s",
    "request rate": "{}_per_s",
    "data rate": "{}_bytes_per_s",
    "share": "{}_share",
    "duration": "{}_s",
}
_SECONDS = {"ns": 1e-9, "us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0}

QUANTILE = r"p(?!0+$)\d{2,5}"
"""What the text of a quantile matches: p50, p999 ..."""

WITHIN = rf"within[_ ](\d+(?:\.\d+)?)[_ ]?({'|'.join(_SECONDS)})"
"""What the text of a share answered within a time matches: within_5_ms."""

ACCEPTED = (
    "mean, p50 to p99999 (two to five digits behind the p: p999 is 99.9 %), rate or throughput, the share answered "
    "within a time (within_5_ms), or the time of an amount of work (finished_within); "
    "read_ or write_ before them for reads or writes alone"
)


class Quantity(str):
    """A figure by its text: an optional ``read_`` or ``write_``, then mean, p50, p999 ..., rate, throughput,
    within_5_ms or finished_within.

    It is that text, so it can stand wherever a name does. A space serves as well as the underscore.

    Attributes:
        kind: "all", "read" or "write".
        statistic: the rest: "mean", "p99", "rate", "throughput".
        probability: of a quantile, strictly between 0 and 1; None for other statistics.
        seconds: of a share answered within a time, that time; None for other statistics.
        dimension: "time", "request rate", "data rate", "share" or "duration"; figures are in SI units of it.

    Raises:
        ValueError: no figure has that text; says what is accepted.
    """

    __slots__ = ("dimension", "kind", "probability", "seconds", "statistic")

    kind: Kind
    statistic: str
    probability: float | None
    seconds: float | None
    dimension: Dimension

    def __new__(cls, text: str) -> Quantity:
        found = re.fullmatch(
            rf"(?:(read|write)[_ ])?(mean|rate|throughput|{FINISHED}|{QUANTILE}|{WITHIN})", text
        )
        if found is None:
            raise ValueError(f"{text!r} is no figure of a class; accepted: {ACCEPTED}")
        self = super().__new__(cls, text.replace(" ", "_"))
        self.kind = next(kind for kind in KINDS if kind == (found[1] or "all"))
        self.statistic = found[2].replace(" ", "_")
        digits = found[2][1:]
        self.probability = int(digits) / 10 ** len(digits) if digits.isdigit() else None
        self.seconds = float(found[3]) * _SECONDS[found[4]] if found[3] else None
        self.dimension = "share" if found[3] else _DIMENSIONS.get(found[2], "time")
        return self

    def __getnewargs__(self) -> tuple[str]:
        return (str(self),)

    @classmethod
    def of(cls, kind: Kind, statistic: str) -> Quantity:
        """The figure of a kind of request. Raises ValueError as the class."""
        return cls(statistic if kind == "all" else f"{kind}_{statistic}")

    @property
    def is_latency(self) -> bool:
        """Whether it is a time that requests take."""
        return self.dimension == "time"

    @property
    def is_upper(self) -> bool:
        """Whether a promise limits it from above, less being better: times; rates and shares have to be reached."""
        return self.dimension in ("time", "duration")

    @property
    def is_rate(self) -> bool:
        """Whether it goes with the load that is carried."""
        return self.dimension in ("request rate", "data rate")

    @property
    def bound(self) -> str:
        """The words before a limit."""
        return "at most" if self.is_upper else "at least"

    @property
    def shown(self) -> str:
        """The words of tables and pictures: "read p99.9"."""
        digits = self.statistic[1:]
        name = "time to finish" if self.statistic == FINISHED else self.statistic.replace("_", " ")
        if self.probability is not None and digits[2:]:
            name = f"p{digits[:2]}.{digits[2:]}"
        return name if self.kind == "all" else f"{self.kind} {name}"

    @property
    def column(self) -> str:
        """The name of its column in a table: "read_p99_s", "rate_per_s"."""
        return _COLUMNS[self.dimension].format(self)

    def promise(self, what: str, limit: str) -> str:
        """A limit with its unit as a sentence of what is asked for; ``what`` are requests or transactions."""
        if self.statistic == FINISHED:
            return f"The amount of work is to be done within {limit}."
        if self.seconds is not None:
            time = self.statistic.removeprefix("within_").replace("_", " ")
            return f"{limit} of the {what} are to be answered within {time}."
        if not self.is_latency:
            done = _PROMISED[self.statistic]
            return f"{done.format(what).capitalize()} at {limit} or more."
        share = "Half" if self.probability == 0.5 else f"{100 * (self.probability or 0):.6g} %"
        whose = f"On average {what}" if self.probability is None else f"{share} of the {what}"
        return f"{whose} are to take at most {limit}."

    def keeps(self, value: float, limit: float) -> bool:
        """Whether a value is within a limit."""
        return value <= limit if self.is_upper else value >= limit

    def strain(self, value: float, limit: float) -> float:
        """How much of what a limit allows a value takes up: above 1 the promise is broken."""
        if self.is_upper:
            return value / limit
        return limit / value if value else float("inf")


def quantile_at(kind: Kind, share: float) -> Quantity:
    """The quantile that says most of a share, by its text of at most five digits: 0.9995 is p9995."""
    digits = f"{min(max(share, 0.00001), 0.99999):.5f}"[2:].rstrip("0")
    return Quantity.of(kind, f"p{digits:0<2}")


QUANTILES: dict[str, float] = {
    name: Quantity(name).probability or 0.0 for name in ("p50", "p90", "p95", "p99", "p999")
}
"""Quantiles that every answer gives, by their text: the one list in which another has to stand."""

LATENCIES = ("mean", *QUANTILES)
"""Statistics of latency that every answer gives."""

RATES = ("rate", "throughput")
"""Statistics besides, of what is completed."""


def with_quantiles(quantities: Sequence[Quantity]) -> dict[str, float]:
    """The quantiles that every answer gives and those among other quantities, by name, in order of probability."""
    found = dict(QUANTILES)
    found |= {each.statistic: each.probability for each in quantities if each.probability is not None}
    return dict(sorted(found.items(), key=lambda item: item[1]))
