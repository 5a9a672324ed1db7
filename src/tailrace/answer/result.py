"""The answer to one scenario: what each class will see, which stage binds, and what was promised."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias

from tailrace.answer.rebuilds import RebuildResult
from tailrace.answer.stations import StationResult
from tailrace.forecast.result import Theory
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.length import StoppedBy
from tailrace.measure.verdict import Verdict
from tailrace.quantity import QUANTILES, Quantity
from tailrace.shown import Shown, plain, told

DISTRIBUTION = tuple(
    sorted(
        {0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.6, 0.7, 0.8, 0.85, 0.925, 0.965, 0.975}
        | {0.983, 0.993, 0.995, 0.997, 0.998, *QUANTILES.values()}
    )
)
"""Probabilities at which the distribution of latency is known, fine enough to draw it."""

Found: TypeAlias = Literal["before the run", "during the run"]
"""How an overload was seen: by what the requests ask of the stations, or by a backlog that kept growing."""


@dataclass(frozen=True)
class StageTimes:
    """Mean seconds that a request waits and is served at one stage."""

    wait_s: IntervalEstimate
    service_s: IntervalEstimate


@dataclass(frozen=True)
class Figures:
    """What a class, or its reads or writes alone, will see.

    ``rate_per_s`` and ``throughput_bytes_per_s`` are completions; ``latency_s`` has the keys mean, p50, p90, p95, p99
    and p999; ``stages``, ``slowest_stages`` (the slowest 1 %) and ``median_stages`` (the tenth of the requests around
    the median latency) have the keys network, controller, lane and media. ``distribution_s`` is the distribution of
    latency: a quantile at each probability of `DISTRIBUTION` that the sample supports.
    """

    requests: int
    rate_per_s: IntervalEstimate
    throughput_bytes_per_s: IntervalEstimate
    latency_s: Mapping[str, IntervalEstimate]
    stages: Mapping[str, StageTimes]
    slowest_stages: Mapping[str, StageTimes]
    median_stages: Mapping[str, StageTimes]
    distribution_s: Mapping[float, IntervalEstimate] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        figures = ("requests", "rate_per_s", "throughput_bytes_per_s", "latency_s")
        points = self.distribution_s.values()
        distribution = {
            "probability": list(self.distribution_s),
            "latency_s": [each.value for each in points],
            "low": [each.low for each in points],
            "high": [each.high for each in points],
        }
        stages = ("stages", "slowest_stages", "median_stages")
        return {**told(self, *figures, *stages), "distribution": distribution}


@dataclass(frozen=True)
class TargetResult:
    """One promise to a class: ``quantity`` (as in the scenario), its ``limit`` in SI units, and what was found.

    ``estimate`` has the interval of 95 %, ``judged`` that of the ``level`` by which the verdict is found: with several
    targets, or several looks at them, it is the wider one, so that all verdicts hold together with 95 %.
    """

    class_name: str
    quantity: Quantity
    limit: float
    estimate: IntervalEstimate
    judged: IntervalEstimate
    level: float
    verdict: Verdict

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        judged = {"level": self.level, **self.judged.as_dict()}
        return {**told(self, "quantity", "limit", "estimate"), "judged": judged, "verdict": self.verdict}

    @property
    def is_upper(self) -> bool:
        """Whether the quantity must stay below the limit: a latency; rate and throughput must reach it."""
        return self.quantity.is_upper


@dataclass(frozen=True)
class StepResult:
    """One step of a transaction: from the end of the step before, or the intended start, to its own end.

    ``requests`` are those of one transaction, 0 where the step only computes. ``latency_s`` and ``stages`` are as in
    `Figures`; ``slowest_s`` is the mean of the step in the slowest 1 % of the transactions.
    """

    name: str
    requests: int
    latency_s: Mapping[str, IntervalEstimate]
    slowest_s: IntervalEstimate
    stages: Mapping[str, StageTimes]

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        return told(self, "name", "requests", "latency_s", "slowest_s", "stages")


@dataclass(frozen=True)
class ClassResult:
    """One workload class. ``kinds`` holds reads and writes apart, under "read" and "write", where they occur.

    Of a class of transactions, all counts, rates and latencies are those of transactions;
    ``requests_per_transaction`` is None for others. ``steps`` are there where a second look was taken.
    """

    name: str
    all: Figures
    kinds: Mapping[Literal["read", "write"], Figures]
    targets: tuple[TargetResult, ...]
    requests_per_transaction: int | None = None
    steps: tuple[StepResult, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        whole = {"name": self.name, **plain(self.all)}
        return whole | told(self, "kinds", "targets", "requests_per_transaction", "steps")


@dataclass(frozen=True)
class Overload:
    """The load is more than the server can carry. ``found`` says how that was seen.

    ``station`` is the bank of ``count`` stations that cannot keep up.
    ``largest_load_factor`` is the share of the open load that it can carry, ``largest_rate_per_s`` the same in requests
    of all open classes together. ``key`` is that of the permits, where permits cannot keep up; ``whose`` says in words
    which of several servers is meant, and ``count`` is then that of one server.
    """

    station: str
    stage: str
    count: int
    largest_load_factor: float
    largest_rate_per_s: float
    found: Found
    key: str = ""
    whose: str = ""


@dataclass(frozen=True, repr=False)
class Result(Shown):
    """The whole answer. ``classes`` is empty where the server is overloaded: no latency is quoted then.

    ``requests`` is the number measured in all replications together. ``looks`` is how often targets may have been
    looked at, which the intervals by which they are judged pay for.
    """

    version: str
    title: str
    digest: str
    seed: int
    engine: str
    replications: int
    requests: int
    stopped_by: StoppedBy | None
    classes: tuple[ClassResult, ...]
    stations: tuple[StationResult, ...]
    theory: Theory
    overload: Overload | None
    verdict: Verdict
    notes: tuple[str, ...]
    rebuilds: tuple[RebuildResult, ...] = ()
    looks: int = 1

    def class_named(self, name: str) -> ClassResult:
        """The class of that name. Raises KeyError if there is none."""
        return {each.name: each for each in self.classes}[name]

    def as_dict(self) -> dict[str, Any]:
        """The answer as plain mappings and lists, in SI units, ready for JSON."""
        how = ("title", "digest", "seed", "engine", "replications", "requests", "looks", "stopped_by")
        what = ("classes", "rebuilds", "stations", "theory", "overload", "verdict", "notes")
        return {"tailrace": self.version, **told(self, *how, *what)}
