"""Conditions taken together: every request of each counted by its rate and by the hours that the condition lasts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Literal

import numpy as np

from tailrace.answer.figures import LEVEL
from tailrace.answer.result import ClassResult, Figures
from tailrace.answer.sample import STRICT, Bars, Sample
from tailrace.arrays import FloatArray, IntArray
from tailrace.measure.mixture import (
    effective_excursions,
    weighted_quantile,
    weighted_spectrum_quantile,
)
from tailrace.measure.quantile import excursions
from tailrace.measure.section import MINIMUM_EXCURSIONS, QuantileSpread, Sectioned, wider_by_shares
from tailrace.quantity import KINDS, Kind, Quantity, with_quantiles
from tailrace.replicate.replication import Totals


@dataclass(frozen=True)
class Part:
    """What replications show of one condition: its weight (hours), and what supports its quantiles."""

    name: str
    weight: float
    sample: Sample
    bars: Bars = field(default_factory=dict)

    def layers(self, count: int) -> list[Part]:
        """The same as parts of so many replications, which share its weight."""
        layers = self.sample.layers(count)
        return [replace(self, weight=self.weight / len(layers), sample=each) for each in layers]


class Mixture:
    """Samples of several conditions as one. Replication r is that of all conditions, at the same random numbers.

    Where one has so many replications as another over and over, replication r of that other goes with replications r,
    R + r, 2 R + r ... of it; what is left over does not count. A class has figures as long as it is there in one
    condition.
    """

    def __init__(self, parts: Sequence[Part], quantities: Sequence[Quantity] = ()) -> None:
        self._count = min(len(each.sample) for each in parts)
        self._parts = [layer for each in parts for layer in each.layers(self._count)]
        self.quantiles = with_quantiles(quantities)
        self._spreads: dict[tuple[str, Kind], Mapping[float, QuantileSpread]] = {}

    def __len__(self) -> int:
        return self._count

    def kinds(self, name: str) -> list[Kind]:
        """The kinds of requests that a class has shown in any condition."""
        return [kind for kind in KINDS if any(kind in each.sample.kinds(name) for each in self._parts)]

    def section(self, name: str, quantity: Quantity, bars: Bars | None = STRICT) -> Sectioned:
        """A figure of a class over all conditions, and how the replications lie about it.

        What supports a quantile is what the conditions' own bars say, the strictest of them; without ``bars`` anything.
        """
        plain = self._section(name, quantity, bars is None)
        if quantity.is_rate:
            return plain  # doubted already, each condition by its part
        for part in self._parts:
            doubt = part.sample.doubts.get(name)
            if doubt is not None:
                plain = plain.doubted(f"in condition {part.name}: {doubt.reason}", doubt.off_by)
        return plain

    def _section(self, name: str, quantity: Quantity, whatever: bool) -> Sectioned:
        kind = quantity.kind
        if quantity.probability is not None:
            p = quantity.probability
            bar = max(
                (
                    part.bars.get((name, kind), {}).get(p, MINIMUM_EXCURSIONS)
                    for part in self._parts
                    if kind in part.sample.kinds(name)
                ),
                default=MINIMUM_EXCURSIONS,
            )
            return self.spreads(name, kind)[p].section(0 if whatever else bar)
        if quantity.is_latency:
            totals, windows = self._totals(name, kind)
            return self._ratio(
                np.array([[each.total_s for each in mine] for mine in totals]), self._counts(totals), windows
            )
        if quantity.seconds is not None:
            return self._within(name, kind, quantity.seconds)
        return self._over_time(name, quantity)

    def _within(self, name: str, kind: Kind, seconds: float) -> Sectioned:
        totals, windows = self._totals(name, kind)
        counts = self._counts(totals)
        within = np.array([[each.requests - each.beyond(seconds) for each in mine] for mine in totals])
        found = self._ratio(within, counts, windows)
        if not found.value:
            return found
        # A dozen requests more or less, each as much as the heaviest of them.
        pooled = 1 / windows.mean(axis=1)
        heaviest = float(pooled.max() / (pooled @ counts.sum(axis=1)))
        off_by = MINIMUM_EXCURSIONS * heaviest / found.value
        return found.doubted("a dozen requests more or less", min(off_by, 1.0))

    def _over_time(self, name: str, quantity: Quantity) -> Sectioned:
        """A rate: the mean over the time, none while a class is away."""
        hours = sum(part.weight for part in self._parts)
        value, n, off_by, reason = 0.0, 0, 0.0, ""
        deviations = np.zeros(self._count)
        for part in self._parts:
            if quantity.kind not in part.sample.kinds(name):
                continue
            own = part.sample.section(name, quantity, part.bars)
            if own.value is None:
                return own
            share = part.weight / hours
            value += share * own.value
            deviations = deviations + share * own.deviations[: self._count]
            off_by, reason, n = off_by + share * own.off_by * own.value, own.reason or reason, n + own.n
        found = Sectioned(value, deviations, n)
        return found.doubted(reason, off_by / value) if off_by and value else found

    def _totals(self, name: str, kind: Kind) -> tuple[list[list[Totals]], FloatArray]:
        """Of each condition with such requests, what belongs to them; and how long it takes for so many to come.

        The latter in units of the condition's weight, shape (conditions, R).
        """
        mine = [each for each in self._parts if kind in each.sample.kinds(name)]
        windows = np.array([self._times(each, name) / each.weight for each in mine])
        return [each.sample.totals(name, kind)[: self._count] for each in mine], windows

    def _times(self, part: Part, name: str) -> FloatArray:
        """How long it takes for the measured requests of a class to be done, at the rate of each replication."""
        every = part.sample.totals(name, "all")[: self._count]
        window = np.array(part.sample.windows_s[: self._count])
        completed = np.array([each.completed for each in every])
        requests = np.array([each.requests for each in every])
        known = (completed > 0) & (requests > 0)
        return np.asarray(np.where(known, window * requests / np.maximum(completed, 1), window))

    def _counts(self, totals: Sequence[Sequence[Totals]]) -> IntArray:
        return np.array([[each.requests for each in mine] for mine in totals], dtype=np.int64)

    def _ratio(self, sums: FloatArray, counts: IntArray, windows: FloatArray) -> Sectioned:
        """A mean over all requests; arguments have the shape (conditions, R)."""
        n = int(counts.sum())
        pooled = 1 / windows.mean(axis=1)
        own = (sums / windows).sum(axis=0), (counts / windows).sum(axis=0)
        if not n or not own[1].all():
            return Sectioned(None, np.zeros(self._count), n, "nothing observed")
        value = float(pooled @ sums.sum(axis=1) / (pooled @ counts.sum(axis=1)))
        return Sectioned(value, self._weights(counts, pooled) * (own[0] / own[1] - value), n)

    def variances(self, name: str, quantity: Quantity) -> dict[str, float]:
        """How much each condition adds to the variance of a figure, by its name, over what one replication's is worth.

        By the equation of which the figure is the root: of a quantile, that of all requests 1 - p lie beyond it. What
        the requests of replication r of a condition add to it varies by so much.
        """
        found = dict.fromkeys((each.name for each in self._parts), 0.0)
        value = self.section(name, quantity, None).value
        mine = [each for each in self._parts if quantity.kind in each.sample.kinds(name)]
        if value is None:
            return found
        if quantity.is_rate:
            for part in mine:
                own = part.sample.section(name, quantity, None)
                found[part.name] += float(np.var(part.weight * own.deviations))
            return found
        totals, windows = self._totals(name, quantity.kind)
        for part, each, window in zip(mine, totals, windows, strict=True):
            added = np.array([_added(one, quantity, value) for one in each]) / window
            found[part.name] += float(np.var(added))
        return found

    @staticmethod
    def _weights(counts: IntArray, pooled: FloatArray) -> FloatArray:
        mass = pooled @ counts
        return np.asarray(mass / mass.mean())

    def spreads(self, name: str, kind: Kind) -> Mapping[float, QuantileSpread]:
        """The quantiles of latency, by probability."""
        key = (name, kind)
        if key not in self._spreads:
            totals, windows = self._totals(name, kind)
            self._spreads[key] = self._found(totals, windows)
        return self._spreads[key]

    def _found(self, totals: Sequence[Sequence[Totals]], windows: FloatArray) -> dict[float, QuantileSpread]:
        counts = self._counts(totals)
        sizes, nothing = counts.sum(axis=0), np.zeros(self._count)
        if not sizes.all():
            reason = f"nothing observed in replication {int(np.argmin(sizes))}"
            return {
                p: QuantileSpread(p, None, nothing, sizes, sizes, False, reason)
                for p in self.quantiles.values()
            }
        pooled = 1 / windows.mean(axis=1)
        mine = _Observed.of(totals)
        median = mine.quantile(pooled, 0.5)
        found = {}
        for p in self.quantiles.values():
            value = mine.quantile(pooled, p)
            own = np.array([mine.quantile(1 / windows[:, r], p, r) for r in range(self._count)])
            weights = self._weights(counts, pooled)
            deviations = weights * (own - value)
            if isinstance(mine, _Whole):
                shares = (mine.up_to(value) / windows).sum(axis=0) / (counts / windows).sum(axis=0)
                ends = mine.up_to(own.min()), mine.up_to(own.max(), "left")
                low, high = (float((pooled @ each).sum() / (pooled @ counts).sum()) for each in ends)
                quantile = partial(mine.quantile, pooled)
                deviations = wider_by_shares(deviations, weights, shares, p, quantile, (low, high))
            seen = effective_excursions(mine.excursions(value), pooled)
            constant = value == median and not deviations.any()
            found[p] = QuantileSpread(p, value, deviations, sizes, seen, constant)
        return found


def _added(totals: Totals, quantity: Quantity, value: float) -> float:
    """What requests add to the equation whose root a figure of latency is."""
    if quantity.probability is not None:
        return totals.beyond(value) - (1.0 - quantity.probability) * totals.requests
    if quantity.seconds is not None:
        return totals.beyond(quantity.seconds) - (1.0 - value) * totals.requests
    return totals.total_s - value * totals.requests


class _Observed:
    """Latencies of conditions and replications, by (condition, replication), whole or kept."""

    def __init__(self, totals: Sequence[Sequence[Totals]]) -> None:
        self._totals = totals

    @staticmethod
    def of(totals: Sequence[Sequence[Totals]]) -> _Observed:
        """Those of totals, all of which are whole or all kept."""
        is_kept = any(each.kept is not None for mine in totals for each in mine)
        return _Kept(totals) if is_kept else _Whole(totals)

    def quantile(self, weights: FloatArray, p: float, replication: int | None = None) -> float:
        """The quantile of one replication, or of all; ``weights`` are those of one observation of each condition."""
        raise NotImplementedError

    def excursions(self, value: float) -> IntArray:
        """How often each went beyond a value, shape (conditions, R)."""
        raise NotImplementedError


class _Whole(_Observed):
    def __init__(self, totals: Sequence[Sequence[Totals]]) -> None:
        super().__init__(totals)
        self._sorted = [[np.sort(each.latency_s) for each in mine] for mine in totals]
        self._medians = [
            weighted_quantile(mine, [1.0] * len(mine), 0.5) if any(each.size for each in mine) else 0.0
            for mine in self._sorted
        ]

    def quantile(self, weights: FloatArray, p: float, replication: int | None = None) -> float:
        wanted = range(len(self._sorted[0])) if replication is None else [replication]
        samples = [mine[r] for mine in self._sorted for r in wanted]
        return weighted_quantile(samples, np.repeat(weights, len(wanted)).tolist(), p)

    def up_to(self, value: float, side: Literal["left", "right"] = "right") -> IntArray:
        """How many of each are at most, or with "left" below, a value, shape (conditions, R)."""
        return np.array([[np.searchsorted(each, value, side) for each in mine] for mine in self._sorted])

    def excursions(self, value: float) -> IntArray:
        return np.array(
            [
                [int(excursions(each.latency_s, [value], median)[0]) for each in mine]
                for mine, median in zip(self._totals, self._medians, strict=True)
            ],
            dtype=np.int64,
        )


class _Kept(_Observed):
    def quantile(self, weights: FloatArray, p: float, replication: int | None = None) -> float:
        wanted = range(len(self._totals[0])) if replication is None else [replication]
        spectra = [
            (each.kept.spectrum, float(weight))
            for mine, weight in zip(self._totals, weights, strict=True)
            for each in (mine[r] for r in wanted)
            if each.kept is not None
        ]
        return weighted_spectrum_quantile([each for each, _ in spectra], [each for _, each in spectra], p)

    def excursions(self, value: float) -> IntArray:
        """As many as the replication's own quantiles tell: between two of them by the logarithm of what lies beyond."""
        return np.array(
            [[self._beyond(each, value) for each in mine] for mine in self._totals], dtype=np.int64
        )

    @staticmethod
    def _beyond(each: Totals, value: float) -> int:
        beyond = each.beyond(value)
        if each.kept is None or not beyond:
            return 0
        tail, tails = beyond / each.requests, 1.0 - np.array(each.kept.ps)
        counts = np.asarray(each.kept.excursions, dtype=np.float64)
        if tail < tails[-1]:
            return int(counts[-1] * tail / tails[-1])
        return int(np.interp(np.log(tail), np.log(tails[::-1]), counts[::-1]))


def class_over_all(name: str, mixture: Mixture, requests_per_transaction: int | None) -> ClassResult:
    """The figures of a class over all conditions; where its time goes is a matter of each."""
    kinds = {kind: _figures(name, kind, mixture) for kind in mixture.kinds(name)}
    return ClassResult(
        name,
        kinds["all"],
        {kind: each for kind, each in kinds.items() if kind != "all"},
        (),
        requests_per_transaction,
    )


def _figures(name: str, kind: Kind, mixture: Mixture) -> Figures:
    def estimate(statistic: str) -> Sectioned:
        return mixture.section(name, Quantity.of(kind, statistic))

    rate = estimate("rate")
    latency = {statistic: estimate(statistic).estimate(LEVEL) for statistic in ("mean", *mixture.quantiles)}
    return Figures(
        latency["mean"].n,
        rate.estimate(LEVEL),
        estimate("throughput").estimate(LEVEL),
        latency,
        {},
        {},
        {},
    )
