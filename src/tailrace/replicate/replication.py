"""What one replication shows: of each class, and of its reads and writes alone, counts, latencies, and where time went.

A *whole* replication holds every latency, 9 bytes a request. Of 200,000 requests that is 1.6 MB; *kept* of them are
their spectrum, the replication's own quantiles, and how often it went beyond them: some ten kB, small enough for
thousands of replications and for a store. All else is the same in both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.measure.quantile import excursions, quantiles_in_place
from tailrace.measure.spectrum import Spectrum, spectrum
from tailrace.quantity import Kind
from tailrace.replicate.gather import StageSums


@dataclass(frozen=True, eq=False)
class Latencies:
    """Latencies of a class in order of arrival, shape (n,), warm-up included, and which of them are of reads.

    From ``begin`` on they are measured. Held once: those of reads or writes alone are picked when they are asked for.
    """

    every_s: FloatArray
    is_read: BoolArray
    begin: int

    def of(self, kind: Kind) -> FloatArray:
        """Those measured, of all requests or of reads or writes alone."""
        measured = self.every_s[self.begin :]
        if kind == "all":
            return measured
        is_read = self.is_read[self.begin :]
        return measured[is_read if kind == "read" else ~is_read]


@dataclass(frozen=True, eq=False)
class Kept:
    """What is kept of the latencies of a replication.

    ``own_s`` and ``excursions`` are by quantile, at the probabilities ``ps``; an excursion starts beyond the
    replication's own quantile and ends on the other side of its own median.
    """

    ps: tuple[float, ...]
    own_s: FloatArray
    excursions: IntArray
    spectrum: Spectrum

    @classmethod
    def of(cls, latency_s: FloatArray, ps: tuple[float, ...]) -> Kept:
        """Of latencies in order of arrival, shape (n,), n at least 1."""
        median, *own = quantiles_in_place(latency_s.copy(), [0.5, *ps])
        return cls(ps, np.array(own), excursions(latency_s, own, float(median)), spectrum(latency_s))


@dataclass(frozen=True, eq=False)
class Totals:
    """Measured requests of a class, or of its reads or writes alone; ``total_s`` is the sum of their latencies.

    ``completed`` of them and ``bytes_moved`` fall into the window, and ``under_way_s`` is the integral over it of how
    many were under way. ``slowest`` are the slowest 1 %, ``middle`` those whose latency lies in the tenth around the
    median, or of long runs every so many of these. One of ``latencies`` and ``kept`` is there.
    """

    kind: Kind
    requests: int
    completed: int
    bytes_moved: int
    under_way_s: float
    total_s: float
    stages: StageSums
    slowest: StageSums
    middle: StageSums
    latencies: Latencies | None = None
    kept: Kept | None = None

    @property
    def latency_s(self) -> FloatArray:
        """Latencies in order of arrival, shape (requests,); of a whole replication only."""
        assert self.latencies is not None
        return self.latencies.of(self.kind)

    def beyond(self, limit_s: float) -> int:
        """How many took longer than that; of a kept replication to within the width of a class of the spectrum."""
        if self.kept is None:
            return int(np.count_nonzero(self.latency_s > limit_s))
        shape = self.kept.spectrum
        return int(shape.count[shape.high > limit_s].sum())


@dataclass(frozen=True)
class StationSample:
    """Integrals over ``seconds_s`` of measuring, one entry a bank: busy servers (or permits held), and waiting.

    ``held_growth`` and ``waiting_growth`` are how much the means of both grew from the first to the second half.
    """

    seconds_s: float
    busy_s: FloatArray
    waiting_s: FloatArray
    held_growth: FloatArray
    waiting_growth: FloatArray


@dataclass(frozen=True, eq=False)
class Replication:
    """One replication. ``kinds`` by class name, then by kind; those that did not occur are left out.

    ``warming_s`` holds means of each class's latencies in order of arrival, warm-up included, of so many requests each
    that there are at most `WARMING_MEANS`, ``issued`` how many requests that were; ``pace_per_s`` are completions a
    second in successive slices of the window. ``arrived`` and ``under_way`` (requests of open classes and detached
    ways) are at the marks of the measured window; of ways that closed writers leave behind, which cannot grow for good,
    nothing is in it. ``complete`` is False for one that was given up because too much was under way; then it has no
    classes.
    """

    window_s: float
    kinds: Mapping[str, Mapping[Kind, Totals]]
    warming_s: Mapping[str, FloatArray]
    issued: Mapping[str, int]
    pace_per_s: Mapping[str, FloatArray]
    stations: StationSample
    arrived: FloatArray
    under_way: FloatArray
    complete: bool

    def totals(self, name: str, kind: Kind) -> Totals | None:
        """What belongs to a class and kind; None if it did not occur."""
        return self.kinds.get(name, {}).get(kind)

    def kept(self, ps: tuple[float, ...]) -> Replication:
        """The same without its latencies, of which quantiles at ``ps`` and the spectrum are kept."""
        return replace(self, kinds={name: _kept(kinds, ps) for name, kinds in self.kinds.items()})


WARMING_MEANS = 400
"""Means by which a transient is looked for: a finer series would show no transient that these do not."""


def warming_means(latency_s: FloatArray) -> FloatArray:
    """Means of so many successive latencies that there are at most `WARMING_MEANS`; the rest at the end is left out.

    Args:
        latency_s: shape (n,), in order of arrival.
    """
    batch = max(latency_s.size // WARMING_MEANS, 1)
    count = latency_s.size // batch
    return np.asarray(latency_s[: count * batch].reshape(count, batch).mean(axis=1))


def _kept(kinds: Mapping[Kind, Totals], ps: tuple[float, ...]) -> dict[Kind, Totals]:
    """All requests, and reads and writes where there are both; where there are not, one stands for the other."""
    if not kinds:  # so rare a class that none of it came while measuring
        return {}
    every = Kept.of(kinds["all"].latency_s, ps)
    return {
        kind: replace(
            part,
            latencies=None,
            kept=every if part.requests == kinds["all"].requests else Kept.of(part.latency_s, ps),
        )
        for kind, part in kinds.items()
    }
