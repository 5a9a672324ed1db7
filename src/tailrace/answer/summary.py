"""From samples to figures: every one pooled over the replications, with its interval from their spread."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TypeAlias

import numpy as np

from tailrace.answer.pool import Pool
from tailrace.answer.result import ClassResult, Figures, StageTimes, StationResult, TargetResult
from tailrace.arrays import FloatArray
from tailrace.forecast.saturation import Load
from tailrace.measure.estimate import Estimate
from tailrace.measure.length import planned_excursions
from tailrace.measure.quantile import quantiles_in_place
from tailrace.measure.section import MINIMUM_EXCURSIONS, Sectioned, sectioned_ratio
from tailrace.measure.verdict import verdict
from tailrace.plan.columns import STAGES
from tailrace.plan.stations import Bank, Discipline
from tailrace.quantity import QUANTILES
from tailrace.replicate.gather import Kind, StageSums
from tailrace.replicate.sample import Sample
from tailrace.scenario.tables.workload import Workload

LATENCIES = ("mean", *QUANTILES)
LEVEL = 0.95

Bars: TypeAlias = Mapping[tuple[str, Kind], Mapping[float, int]]
"""Fewest excursions beyond each quantile that the samples of a class and kind must show to support it."""

STRICT: Bars = {}
"""Where no pilot has shown what is supported, each sample must show it by itself."""


def pooled_bars(workloads: Sequence[Workload], pool: Pool) -> Bars:
    """Bars for replications that differ for good: none where the pilot's excursions suffice taken together.

    What never happens in one replication can then be common in another, however long they are.
    """
    enough = MINIMUM_EXCURSIONS * len(pool)
    return {
        (workload.name, kind): {
            p: 0 if spread.excursions.sum() >= enough else MINIMUM_EXCURSIONS
            for p, spread in pool.spreads(workload.name, kind).items()
        }
        for workload in workloads
        for kind in pool.kinds(workload.name)
    }


def bars_of_pilot(workloads: Sequence[Workload], pool: Pool) -> Bars:
    """What the answer must show of each quantile, after a pilot whose replications these are."""
    return {
        (workload.name, kind): planned_excursions(
            {
                p: spread.section(MINIMUM_EXCURSIONS).estimate(LEVEL)
                for p, spread in pool.spreads(workload.name, kind).items()
            }
        )
        for workload in workloads
        for kind in pool.kinds(workload.name)
    }


def class_result(workload: Workload, pool: Pool, level: float = LEVEL, bars: Bars = STRICT) -> ClassResult:
    """All figures of one class; ``level`` is that of the intervals by which its targets are judged."""
    kinds: Mapping[Kind, Figures] = {
        kind: figures(workload, kind, pool, bars) for kind in pool.kinds(workload.name)
    }
    limits = workload.target.limits if workload.target is not None else ()
    return ClassResult(
        workload.name,
        kinds["all"],
        {kind: each for kind, each in kinds.items() if kind != "all"},
        tuple(_target(workload, quantity, limit, pool, level, bars) for quantity, limit in limits),
        sum(step.count for step in workload.step) if workload.step else None,
    )


def figures(workload: Workload, kind: Kind, samples: Pool | Sequence[Sample], bars: Bars = STRICT) -> Figures:
    """Rates, latencies and stage times of a class, or of its reads or writes."""
    pool = samples if isinstance(samples, Pool) else Pool(samples)
    name = workload.name
    parts = pool.parts(name, kind)
    latency = {
        quantity: latency_section(pool, name, kind, quantity, bars).estimate(LEVEL) for quantity in LATENCIES
    }
    return Figures(
        sum(part.requests for part in parts),
        pool.rate(name, kind).estimate(LEVEL),
        pool.throughput(name, kind).estimate(LEVEL),
        latency,
        _stages([part.stages for part in parts]),
        _stages([part.slowest for part in parts]),
        _stages([part.middle for part in parts]),
        {
            p: estimate
            for p, estimate in pool.distribution(name, kind, LEVEL).items()
            if _is_supported(p, latency)
        },
    )


def _is_supported(p: float, latency: Mapping[str, Estimate]) -> bool:
    """Whether the sample supports the quantile: as far out, on either side, as those of the tables that it supports."""
    return any(
        latency[name].value is not None and 1 - at <= p <= at + 1e-12 for name, at in QUANTILES.items()
    )


def quantity_estimate(
    workload: Workload, quantity: str, pool: Pool, level: float = LEVEL, bars: Bars = STRICT
) -> Estimate:
    """The estimate of one quantity by the name that targets use: p99, read_p99, mean, rate, throughput ..."""
    kind, quantity = _kind_of(quantity)
    if quantity == "rate":
        return pool.rate(workload.name, kind).estimate(level)
    if quantity == "throughput":
        return pool.throughput(workload.name, kind).estimate(level)
    return latency_section(pool, workload.name, kind, quantity, bars).estimate(level)


def own_value(workload: Workload, quantity: str, sample: Sample) -> float:
    """What one replication by itself says of a quantity, NaN if nothing: to show how a run is getting on."""
    kind, quantity = _kind_of(quantity)
    part = sample.kinds[workload.name].get(kind)
    if part is None:
        return math.nan
    if quantity == "rate":
        return part.requests / sample.window_s
    if quantity == "throughput":
        return part.bytes_moved / sample.window_s
    if quantity == "mean":
        return float(part.latency_s.mean())
    return float(quantiles_in_place(part.latency_s.copy(), [QUANTILES[quantity]])[0])


def spread_width(values: Sequence[Sequence[float]]) -> float | None:
    """The widest relative half-width of several quantities by their values in each replication so far.

    A figure for whoever waits: the answer's intervals are about the pooled value. None below two replications.
    """
    if len(values) < 2:
        return None
    columns = [
        sectioned_ratio(column, np.ones(len(column)))
        for column in zip(*values, strict=True)
        if np.isfinite(column).all()
    ]
    widths = [each.relative_half_width for each in columns]
    return max((width for width in widths if width is not None), default=None)


def _kind_of(quantity: str) -> tuple[Kind, str]:
    """The kind of requests that a quantity is about, and what of them."""
    if quantity.startswith("read_"):
        return "read", quantity.removeprefix("read_")
    if quantity.startswith("write_"):
        return "write", quantity.removeprefix("write_")
    return "all", quantity


def steering_quantities(workloads: Sequence[Workload]) -> list[tuple[Workload, str]]:
    """The quantities that decide the length of a run: those with targets or, without any, the p99 of each class."""
    promised = [
        (workload, quantity)
        for workload in workloads
        if workload.target is not None
        for quantity, _ in workload.target.limits
    ]
    return promised or [(workload, "p99") for workload in workloads]


def station_results(banks: Sequence[Bank], load: Load, samples: Pool) -> tuple[StationResult, ...]:
    """Utilisation, share of saturation and mean number waiting of every bank."""
    seconds = sum(sample.window_s for sample in samples)
    busy: FloatArray = np.sum([sample.stations.busy_s for sample in samples], axis=0)
    waiting: FloatArray = np.sum([sample.stations.waiting_s for sample in samples], axis=0)
    results = []
    for place, bank in enumerate(banks):
        has_queue = bank.discipline != Discipline.DELAY
        share = float(load.share[place])
        results.append(
            StationResult(
                bank.name,
                bank.stage.name.lower(),
                bank.count,
                bank.servers,
                bank.discipline.name.lower(),
                float(busy[place]) / seconds / bank.loaded / bank.servers if has_queue else None,
                None if np.isnan(share) else share,
                float(waiting[place]) / seconds / bank.loaded if has_queue else None,
                bank.paces,
            )
        )
    return tuple(results)


def latency_section(pool: Pool, name: str, kind: Kind, quantity: str, bars: Bars) -> Sectioned:
    """Mean or a quantile of latency, with how the replications lie about it."""
    if quantity == "mean":
        return pool.mean(name, kind)
    probability = QUANTILES[quantity]
    bar = bars[name, kind][probability] if (name, kind) in bars else MINIMUM_EXCURSIONS
    return pool.spreads(name, kind)[probability].section(bar)


def _target(
    workload: Workload,
    quantity: str,
    limit: float,
    pool: Pool,
    level: float,
    bars: Bars,
) -> TargetResult:
    estimate = quantity_estimate(workload, quantity, pool, LEVEL, bars)
    judged = quantity_estimate(workload, quantity, pool, level, bars)
    upper = quantity not in ("rate", "throughput")
    return TargetResult(quantity, limit, estimate, judged, level, verdict(judged, limit, upper))


def _stages(sums: Sequence[StageSums]) -> dict[str, StageTimes]:
    requests = [each.requests for each in sums]

    def share(totals: list[float]) -> Estimate:
        return sectioned_ratio(totals, requests, LEVEL, n=sum(requests))

    return {
        stage: StageTimes(
            share([float(each.wait_s[place]) for each in sums]),
            share([float(each.service_s[place]) for each in sums]),
        )
        for place, stage in enumerate(STAGES)
    }
