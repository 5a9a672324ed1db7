"""From samples to figures: every one pooled over the replications, with its interval from their spread."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeAlias

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.measure.estimate import Estimate
from tailrace.measure.length import planned_excursions
from tailrace.measure.quantile import excursions, partitioned_quantiles
from tailrace.measure.section import MINIMUM_EXCURSIONS, sectioned_mean, sectioned_quantiles, sectioned_ratio
from tailrace.measure.verdict import bonferroni_level, verdict
from tailrace.plan.columns import STAGES
from tailrace.plan.stations import Bank, Discipline
from tailrace.scenario.workload import Workload
from tailrace.study.result import (
    QUANTILES,
    ClassResult,
    Figures,
    StageTimes,
    StationResult,
    TargetResult,
)
from tailrace.study.sample import Kind, KindSample, Sample, StageSums
from tailrace.study.saturation import Load

LEVEL = 0.95

Bars: TypeAlias = Mapping[tuple[str, Kind], Mapping[float, int]]
"""Fewest excursions beyond each quantile that the samples of a class and kind must show to support it."""

STRICT: Bars = {}
"""Where no pilot has shown what is supported, each sample must show it by itself."""


def pooled_bars(workloads: Sequence[Workload], samples: Sequence[Sample]) -> Bars:
    """Bars for replications that differ for good: none where the pilot's excursions suffice taken together.

    What never happens in one replication can then be common in another, however long they are.
    """
    bars = {}
    for workload in workloads:
        for kind in _kinds(workload, samples):
            latency = [part.latency_s for part in _parts(workload, kind, samples)]
            median, *quantiles = partitioned_quantiles(np.concatenate(latency), [0.5, *QUANTILES.values()])
            counted = {
                p: sum(excursions(each, float(value), float(median)) for each in latency)
                for p, value in zip(QUANTILES.values(), quantiles, strict=True)
            }
            enough = MINIMUM_EXCURSIONS * len(samples)
            bars[workload.name, kind] = {
                p: 0 if n >= enough else MINIMUM_EXCURSIONS for p, n in counted.items()
            }
    return bars


_NOTHING = KindSample(
    np.empty(0), 0.0, StageSums(0, np.zeros(4), np.zeros(4)), StageSums(0, np.zeros(4), np.zeros(4))
)


def bars_of_pilot(workloads: Sequence[Workload], samples: Sequence[Sample]) -> Bars:
    """What the answer must show of each quantile, after a pilot whose samples these are."""
    bars = {}
    for workload in workloads:
        for kind in _kinds(workload, samples):
            latency = [part.latency_s for part in _parts(workload, kind, samples)]
            bars[workload.name, kind] = planned_excursions(
                sectioned_quantiles(latency, QUANTILES.values(), LEVEL)
            )
    return bars


def class_result(
    workload: Workload, samples: Sequence[Sample], targets: int, bars: Bars = STRICT
) -> ClassResult:
    """All figures of one class. ``targets`` is the number of targets in the scenario, which share the error rate."""
    kinds: Mapping[Kind, Figures] = {
        kind: figures(workload, kind, samples, bars) for kind in _kinds(workload, samples)
    }
    limits = workload.target.limits if workload.target is not None else ()
    level = bonferroni_level(LEVEL, max(targets, 1))
    return ClassResult(
        workload.name,
        kinds["all"],
        {kind: each for kind, each in kinds.items() if kind != "all"},
        tuple(_target(workload, quantity, limit, samples, level, bars) for quantity, limit in limits),
    )


def figures(workload: Workload, kind: Kind, samples: Sequence[Sample], bars: Bars = STRICT) -> Figures:
    """Rates, latencies and stage times of a class, or of its reads or writes."""
    parts = _parts(workload, kind, samples)
    windows = [sample.window_s for sample in samples]
    counts = [part.latency_s.size for part in parts]
    return Figures(
        sum(counts),
        sectioned_ratio(counts, windows, LEVEL, n=sum(counts)),
        sectioned_ratio([part.bytes_moved for part in parts], windows, LEVEL, n=sum(counts)),
        _latencies([part.latency_s for part in parts], bars.get((workload.name, kind), MINIMUM_EXCURSIONS)),
        _stages([part.stages for part in parts]),
        _stages([part.slowest for part in parts]),
    )


def quantity_estimate(
    workload: Workload,
    quantity: str,
    samples: Sequence[Sample],
    level: float = LEVEL,
    bars: Bars = STRICT,
) -> Estimate:
    """The estimate of one quantity by the name that targets use: p99, read_p99, mean, rate, throughput ..."""
    kind: Kind = "all"
    for prefix in ("read", "write"):
        if quantity.startswith(f"{prefix}_"):
            kind, quantity = ("read" if prefix == "read" else "write"), quantity.removeprefix(f"{prefix}_")
    parts = _parts(workload, kind, samples)
    latency = [part.latency_s for part in parts]
    windows = [sample.window_s for sample in samples]
    if quantity == "rate":
        return sectioned_ratio([each.size for each in latency], windows, level)
    if quantity == "throughput":
        return sectioned_ratio([part.bytes_moved for part in parts], windows, level)
    if quantity == "mean":
        return sectioned_mean(latency, level)
    probability = QUANTILES[quantity]
    bar = bars.get((workload.name, kind), MINIMUM_EXCURSIONS)
    return sectioned_quantiles(latency, [probability], level, bar)[probability]


def steering_quantities(workloads: Sequence[Workload]) -> list[tuple[Workload, str]]:
    """The quantities that decide the length of a run: those with targets or, without any, the p99 of each class."""
    promised = [
        (workload, quantity)
        for workload in workloads
        if workload.target is not None
        for quantity, _ in workload.target.limits
    ]
    return promised or [(workload, "p99") for workload in workloads]


def station_results(
    banks: Sequence[Bank], load: Load, samples: Sequence[Sample]
) -> tuple[StationResult, ...]:
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
                float(busy[place]) / seconds / bank.count / bank.servers if has_queue else None,
                None if np.isnan(share) else share,
                float(waiting[place]) / seconds / bank.count if has_queue else None,
            )
        )
    return tuple(results)


def _kinds(workload: Workload, samples: Sequence[Sample]) -> list[Kind]:
    kinds: tuple[Kind, ...] = ("all", "read", "write")
    return [kind for kind in kinds if any(kind in sample.kinds[workload.name] for sample in samples)]


def _parts(workload: Workload, kind: Kind, samples: Sequence[Sample]) -> list[KindSample]:
    return [sample.kinds[workload.name].get(kind, _NOTHING) for sample in samples]


def _latencies(samples: Sequence[FloatArray], bar: int | Mapping[float, int]) -> dict[str, Estimate]:
    """Mean and quantiles of latency, by name."""
    quantiles = sectioned_quantiles(samples, QUANTILES.values(), LEVEL, bar)
    named = {name: quantiles[probability] for name, probability in QUANTILES.items()}
    return {"mean": sectioned_mean(samples, LEVEL), **named}


def _target(
    workload: Workload,
    quantity: str,
    limit: float,
    samples: Sequence[Sample],
    level: float,
    bars: Bars,
) -> TargetResult:
    estimate = quantity_estimate(workload, quantity, samples, level, bars)
    upper = quantity not in ("rate", "throughput")
    return TargetResult(quantity, limit, estimate, verdict(estimate, limit, upper))


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
