"""What closed forms say of a scenario: which station binds, utilisations, and what each class will see."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tailrace.shown import Shown, told


@dataclass(frozen=True)
class Saturation:
    """The station that binds first, and the factor by which the open load can grow until it does.

    ``relative_half_width`` is half of the 95 % confidence interval of the factor over the factor, where a short run of
    drives alone has found it; 0 where it follows from demands. ``key`` is that of the permits, where permits bind.
    ``whose`` says in words which of several servers it is of, ``count`` how many such stations one of them has.
    """

    station: str
    stage: str
    load_factor: float
    relative_half_width: float = 0.0
    key: str = ""
    count: int = 1
    whose: str = ""

    def as_dict(self) -> dict[str, Any]:
        """The same as a plain mapping, ready for JSON."""
        return told(self, "station", "stage", "load_factor", "relative_half_width")

    @property
    def low(self) -> float:
        """The factor that can be promised: the lower end of its interval."""
        return self.load_factor * (1.0 - self.relative_half_width)

    @property
    def high(self) -> float:
        """The upper end of its interval."""
        return self.load_factor * (1.0 + self.relative_half_width)

    @property
    def is_exceeded(self) -> bool:
        """Whether the load surely cannot be carried: the whole interval lies at or below 1."""
        return self.high <= 1.0


@dataclass(frozen=True)
class ClassTheory:
    """What closed forms say of a class; None where they promise nothing.

    ``exact_mean`` and ``exact_p99`` say whether the model of the scenario is one for which that is the exact value.
    The bounds are of the mean latency, of closed classes; ``rate_per_s`` is the throughput of a closed class.
    ``p99_reason`` says why there is no p99, ``caution`` why the figures are not to be trusted.
    """

    mean_s: float | None
    p99_s: float | None
    method: str
    exact_mean: bool = False
    exact_p99: bool = False
    low_s: float | None = None
    high_s: float | None = None
    rate_per_s: float | None = None
    p99_reason: str | None = None
    caution: str | None = None

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        exact, bounds = (
            {"mean": self.exact_mean, "p99": self.exact_p99},
            {"low": self.low_s, "high": self.high_s},
        )
        known = {
            "mean": self.mean_s,
            "p99": self.p99_s,
            "method": self.method,
            "exact": exact,
            "mean_bounds": bounds,
        }
        return known | told(self, "rate_per_s", "p99_reason", "caution")


@dataclass(frozen=True, repr=False)
class Theory(Shown):
    """The second answer, from demands and closed forms alone.

    ``utilisation`` is by bank; ``saturation`` None where no class is open; ``classes`` by name.
    """

    saturation: Saturation | None
    utilisation: Mapping[str, float]
    classes: Mapping[str, ClassTheory]
    notes: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        return told(self, "saturation", "utilisation", "classes", "notes")
