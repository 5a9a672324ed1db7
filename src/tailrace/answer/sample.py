"""Replications taken together: what is known of each class and kind, found once and then asked for many times."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias, overload

import numpy as np

from tailrace.answer.result import DISTRIBUTION
from tailrace.arrays import FloatArray
from tailrace.measure.backlog import Backlog, backlog_growth
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.section import (
    MINIMUM_EXCURSIONS,
    Quantiles,
    QuantileSpread,
    Sectioned,
    quantile_spreads,
    ratio_sections,
    spreads_about,
)
from tailrace.measure.spectrum import pooled_quantiles
from tailrace.quantity import KINDS, QUANTILES, Kind, Quantity
from tailrace.replicate.gather import StageSums
from tailrace.replicate.replication import Latencies, Replication, Totals

Bars: TypeAlias = Mapping[tuple[str, Kind], Mapping[float, int]]
"""Fewest excursions beyond each quantile that the replications of a class and kind must show to support it."""

STRICT: Bars = {}
"""Where no pilot has shown what is supported, each replication must show it by itself."""

_NO_SUMS = StageSums(0, np.zeros(4), np.zeros(4))


def _nothing(kind: Kind) -> Totals:
    none = Latencies(np.empty(0), np.empty(0, dtype=np.bool_), 0)
    return Totals(kind, 0, 0, 0, 0.0, 0.0, _NO_SUMS, _NO_SUMS, _NO_SUMS, none)


@dataclass(frozen=True)
class Doubt:
    """Why figures may be off whatever their replications say, and by what share; infinite where nobody knows."""

    reason: str
    off_by: float


def within_sections(within: Sequence[float], counts: Sequence[int]) -> Sectioned:
    """The share of requests that is answered within a time.

    Of what is rarer than a dozen requests in all a sample says no more than that: the share may be off by so many.
    """
    found = ratio_sections(within, counts, n=sum(counts))
    if not found.value:
        return found
    return found.doubted(
        "a dozen requests more or less", min(MINIMUM_EXCURSIONS / (found.n * found.value), 1.0)
    )


class _EachLatencies(Sequence[FloatArray]):
    """The latencies of each replication, picked when they are asked for, so that one at a time is in memory."""

    def __init__(self, parts: Sequence[Totals]) -> None:
        self._parts = parts

    def __len__(self) -> int:
        return len(self._parts)

    @overload
    def __getitem__(self, place: int) -> FloatArray: ...

    @overload
    def __getitem__(self, place: slice) -> Sequence[FloatArray]: ...

    def __getitem__(self, place: int | slice) -> FloatArray | Sequence[FloatArray]:
        if isinstance(place, slice):
            return _EachLatencies(self._parts[place])
        return self._parts[place].latency_s


class Sample:
    """The replications of a pilot or an answer. Sections know no level: one serves every interval.

    Quantiles are exact where the replications are whole; where only what is kept of them is there, they are as exact
    as a spectrum tells (see `measure.spectrum`). ``quantiles`` are those wanted, by name, ``doubts`` why figures of a
    class may be off besides, by its name, and ``gaps`` by what share only its rates may be.
    """

    def __init__(
        self,
        replications: Sequence[Replication],
        quantiles: Mapping[str, float] = QUANTILES,
        doubts: Mapping[str, Doubt] | None = None,
        gaps: Mapping[str, float] | None = None,
    ) -> None:
        self.replications = tuple(replications)
        self.quantiles, self.doubts, self._gaps = quantiles, doubts or {}, gaps or {}
        self.windows_s = [each.window_s for each in replications]
        self._quantiles: dict[tuple[str, Kind], Quantiles] = {}
        self._spreads: dict[tuple[str, Kind], Mapping[float, QuantileSpread]] = {}

    def layers(self, count: int) -> list[Sample]:
        """The same in samples of so many replications each, in order; what is left of them is left out."""
        return [
            Sample(self.replications[first : first + count], self.quantiles, self.doubts, self._gaps)
            for first in range(0, len(self) - count + 1, count)
        ]

    def __len__(self) -> int:
        return len(self.replications)

    def __iter__(self) -> Iterator[Replication]:
        return iter(self.replications)

    @property
    def complete(self) -> bool:
        """Whether none was given up because too much was under way."""
        return all(each.complete for each in self)

    def backlog(self) -> Backlog:
        """Whether the backlog grows over the measured window."""
        return backlog_growth([each.arrived for each in self], [each.under_way for each in self])

    def kinds(self, name: str) -> list[Kind]:
        """The kinds of requests that a class has shown."""
        return [kind for kind in KINDS if any(each.totals(name, kind) is not None for each in self)]

    def totals(self, name: str, kind: Kind) -> list[Totals]:
        """Of each replication, what belongs to a class and kind."""
        return [each.totals(name, kind) or _nothing(kind) for each in self]

    def section(self, name: str, quantity: Quantity, bars: Bars | None = STRICT) -> Sectioned:
        """A figure of a class, and how the replications lie about it; without bars whatever supports it."""
        plain, doubt = self._section(name, quantity, bars), self.doubts.get(name)
        if doubt is None:
            return plain
        off_by = doubt.off_by if quantity.seconds is None else self._off_by(name, quantity, doubt.off_by)
        return plain.doubted(doubt.reason, off_by)

    def _off_by(self, name: str, quantity: Quantity, off_by: float) -> float:
        """By what share a share within a time is off where latencies are off by so much."""
        if quantity.seconds is None or off_by > 1.0:
            return off_by
        parts = self.totals(name, quantity.kind)
        seconds = quantity.seconds
        beyond = [
            sum(part.beyond(seconds * by) for part in parts) for by in (1 / (1 + off_by), 1.0, 1 + off_by)
        ]
        within = sum(part.requests for part in parts) - beyond[1]
        return max(beyond[0] - beyond[1], beyond[1] - beyond[2]) / max(within, 1)

    def _section(self, name: str, quantity: Quantity, bars: Bars | None) -> Sectioned:
        parts = self.totals(name, quantity.kind)
        counts = [part.requests for part in parts]
        if quantity.probability is not None:
            bar = 0
            if bars is not None:
                bar = bars.get((name, quantity.kind), {}).get(quantity.probability, MINIMUM_EXCURSIONS)
            return self.spreads(name, quantity.kind)[quantity.probability].section(bar)
        if quantity.statistic == "mean":
            return ratio_sections([part.total_s for part in parts], counts, n=sum(counts))
        if quantity.seconds is not None:
            seconds = quantity.seconds
            return within_sections([part.requests - part.beyond(seconds) for part in parts], counts)
        completed = [part.completed for part in parts]
        done = completed if quantity.statistic == "rate" else [part.bytes_moved for part in parts]
        found = ratio_sections(done, self.windows_s, n=sum(completed))
        # A window holds one completion more or less, whatever the replications agree on.
        found = found.doubted(
            "rate times mean latency is not the number under way", self._gaps.get(name, 0.0)
        )
        one = len(parts) / sum(completed) if any(completed) else 0.0
        if found.value and np.abs(found.deviations).max() <= one * found.value:
            return found.doubted("a window holds one completion more or less", one)
        return found

    def spreads(self, name: str, kind: Kind) -> Mapping[float, QuantileSpread]:
        """The quantiles of latency, by probability."""
        key = (name, kind)
        if key not in self._spreads:
            parts, known, ps = self.totals(name, kind), self._known(name, kind), list(self.quantiles.values())
            if _are_kept(parts):
                counts = [part.kept.excursions if part.kept else np.zeros(len(ps), int) for part in parts]
                self._spreads[key] = spreads_about(known, ps, np.array(counts))
            else:
                self._spreads[key] = quantile_spreads(_EachLatencies(parts), ps, known)
        return self._spreads[key]

    def distribution(self, name: str, kind: Kind, level: float) -> Mapping[float, IntervalEstimate]:
        """The distribution of latency, whether the replications support its tail or not."""
        return self._known(name, kind).curve(level)

    def _known(self, name: str, kind: Kind) -> Quantiles:
        key = (name, kind)
        if key not in self._quantiles:
            parts = self.totals(name, kind)
            if _are_kept(parts):
                self._quantiles[key] = _of_kept(parts, tuple(self.quantiles.values()))
            else:
                ps = sorted({*DISTRIBUTION, *self.quantiles.values()})
                self._quantiles[key] = Quantiles.of(_EachLatencies(parts), ps)
        return self._quantiles[key]


def _are_kept(parts: Sequence[Totals]) -> bool:
    return any(part.kept is not None for part in parts)


def _of_kept(parts: Sequence[Totals], ps: tuple[float, ...]) -> Quantiles:
    sizes = np.array([part.requests for part in parts])
    own = np.array([part.kept.own_s if part.kept else np.zeros(len(ps)) for part in parts])
    spectra = [part.kept.spectrum for part in parts if part.kept is not None]
    if not sizes.all():
        return Quantiles(ps, sizes, None, np.zeros_like(own))
    return Quantiles.about(ps, sizes, pooled_quantiles(spectra, ps), own)
