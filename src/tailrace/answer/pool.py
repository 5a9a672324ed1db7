"""Replications taken together: what is known of each class and kind, found once and then asked for many times."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import overload

import numpy as np

from tailrace.answer.result import DISTRIBUTION
from tailrace.arrays import FloatArray
from tailrace.measure.estimate import Estimate
from tailrace.measure.section import (
    Quantiles,
    QuantileSpread,
    Sectioned,
    mean_sections,
    quantile_spreads,
    ratio_sections,
)
from tailrace.quantity import QUANTILES
from tailrace.replicate.gather import KINDS, Kind, StageSums
from tailrace.replicate.sample import KindSample, Latencies, Sample

_NO_SUMS = StageSums(0, np.zeros(4), np.zeros(4))


def _nothing(kind: Kind) -> KindSample:
    latencies = Latencies(np.empty(0), np.empty(0, dtype=np.bool_), 0)
    return KindSample(kind, latencies, 0, 0.0, _NO_SUMS, _NO_SUMS, _NO_SUMS)


class _Latencies(Sequence[FloatArray]):
    """The latencies of each replication, picked when they are asked for, so that one at a time is in memory."""

    def __init__(self, parts: Sequence[KindSample]) -> None:
        self._parts = parts

    def __len__(self) -> int:
        return len(self._parts)

    @overload
    def __getitem__(self, place: int) -> FloatArray: ...

    @overload
    def __getitem__(self, place: slice) -> Sequence[FloatArray]: ...

    def __getitem__(self, place: int | slice) -> FloatArray | Sequence[FloatArray]:
        if isinstance(place, slice):
            return _Latencies(self._parts[place])
        return self._parts[place].latency_s


class Pool:
    """The replications of a pilot or an answer. Sections know no level: one serves every interval."""

    def __init__(self, samples: Sequence[Sample]) -> None:
        self.samples = samples
        self.windows_s = [sample.window_s for sample in samples]
        self._quantiles: dict[tuple[str, Kind], Quantiles] = {}
        self._spreads: dict[tuple[str, Kind], Mapping[float, QuantileSpread]] = {}
        self._means: dict[tuple[str, Kind], Sectioned] = {}

    def __len__(self) -> int:
        return len(self.samples)

    def __iter__(self) -> Iterator[Sample]:
        return iter(self.samples)

    def kinds(self, name: str) -> list[Kind]:
        """The kinds of requests that a class has shown."""
        return [kind for kind in KINDS if any(kind in sample.kinds[name] for sample in self.samples)]

    def parts(self, name: str, kind: Kind) -> list[KindSample]:
        """Of each replication, what belongs to a class and kind."""
        return [sample.kinds[name].get(kind) or _nothing(kind) for sample in self.samples]

    def spreads(self, name: str, kind: Kind) -> Mapping[float, QuantileSpread]:
        """The quantiles of latency, by probability."""
        key = (name, kind)
        if key not in self._spreads:
            latencies = _Latencies(self.parts(name, kind))
            known = self._known(name, kind)
            self._spreads[key] = quantile_spreads(latencies, QUANTILES.values(), known)
        return self._spreads[key]

    def distribution(self, name: str, kind: Kind, level: float) -> Mapping[float, Estimate]:
        """The distribution of latency, whether the sample supports its tail or not."""
        return self._known(name, kind).curve(level)

    def _known(self, name: str, kind: Kind) -> Quantiles:
        key = (name, kind)
        if key not in self._quantiles:
            self._quantiles[key] = Quantiles.of(_Latencies(self.parts(name, kind)), DISTRIBUTION)
        return self._quantiles[key]

    def mean(self, name: str, kind: Kind) -> Sectioned:
        """The mean latency."""
        key = (name, kind)
        if key not in self._means:
            self._means[key] = mean_sections(_Latencies(self.parts(name, kind)))
        return self._means[key]

    def rate(self, name: str, kind: Kind) -> Sectioned:
        """Completions per second."""
        counts = [part.requests for part in self.parts(name, kind)]
        return ratio_sections(counts, self.windows_s, n=sum(counts))

    def throughput(self, name: str, kind: Kind) -> Sectioned:
        """Bytes per second."""
        parts = self.parts(name, kind)
        moved = [part.bytes_moved for part in parts]
        return ratio_sections(moved, self.windows_s, n=sum(part.requests for part in parts))
