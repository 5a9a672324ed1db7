"""From samples to figures: every one pooled over the replications, with its interval from their spread."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.measure.estimate import Estimate
from tailrace.measure.section import sectioned_mean, sectioned_quantiles, sectioned_ratio
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

_NOTHING = KindSample(
    np.empty(0), 0.0, StageSums(0, np.zeros(4), np.zeros(4)), StageSums(0, np.zeros(4), np.zeros(4))
)


def class_result(workload: Workload, samples: Sequence[Sample], targets: int) -> ClassResult:
    """All figures of one class. ``targets`` is the number of targets in the scenario, which share the error rate."""
    kinds: Mapping[Kind, Figures] = {
        kind: figures(workload, kind, samples)
        for kind in ("all", "read", "write")
        if any(kind in sample.kinds[workload.name] for sample in samples)
    }
    limits = workload.target.limits if workload.target is not None else ()
    level = bonferroni_level(LEVEL, max(targets, 1))
    return ClassResult(
        workload.name,
        kinds["all"],
        {kind: each for kind, each in kinds.items() if kind != "all"},
        tuple(_target(workload, quantity, limit, samples, level) for quantity, limit in limits),
    )


def figures(workload: Workload, kind: Kind, samples: Sequence[Sample]) -> Figures:
    """Rates, latencies and stage times of a class, or of its reads or writes."""
    parts = [sample.kinds[workload.name].get(kind, _NOTHING) for sample in samples]
    windows = [sample.window_s for sample in samples]
    counts = [part.latency_s.size for part in parts]
    return Figures(
        sum(counts),
        sectioned_ratio(counts, windows, LEVEL, n=sum(counts)),
        sectioned_ratio([part.bytes_moved for part in parts], windows, LEVEL, n=sum(counts)),
        latencies(parts, LEVEL),
        _stages([part.stages for part in parts]),
        _stages([part.slowest for part in parts]),
    )


def latencies(parts: Sequence[KindSample], level: float) -> dict[str, Estimate]:
    """Mean and quantiles of latency, by name."""
    samples = [part.latency_s for part in parts]
    quantiles = sectioned_quantiles(samples, QUANTILES.values(), level)
    named = {name: quantiles[probability] for name, probability in QUANTILES.items()}
    return {"mean": sectioned_mean(samples, level), **named}


def quantity_estimate(
    workload: Workload, quantity: str, samples: Sequence[Sample], level: float = LEVEL
) -> Estimate:
    """The estimate of one quantity by the name that targets use: p99, read_p99, mean, rate, throughput ..."""
    kind: Kind = "all"
    for prefix in ("read", "write"):
        if quantity.startswith(f"{prefix}_"):
            kind, quantity = ("read" if prefix == "read" else "write"), quantity.removeprefix(f"{prefix}_")
    parts = [sample.kinds[workload.name].get(kind, _NOTHING) for sample in samples]
    latency = [part.latency_s for part in parts]
    windows = [sample.window_s for sample in samples]
    if quantity == "rate":
        return sectioned_ratio([each.size for each in latency], windows, level)
    if quantity == "throughput":
        return sectioned_ratio([part.bytes_moved for part in parts], windows, level)
    if quantity == "mean":
        return sectioned_mean(latency, level)
    probability = QUANTILES[quantity]
    return sectioned_quantiles(latency, [probability], level)[probability]


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
                share if share > 0.0 else None,
                float(waiting[place]) / seconds / bank.count if has_queue else None,
            )
        )
    return tuple(results)


def _target(
    workload: Workload, quantity: str, limit: float, samples: Sequence[Sample], level: float
) -> TargetResult:
    estimate = quantity_estimate(workload, quantity, samples, level)
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
