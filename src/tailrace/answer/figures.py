"""From replications to figures: every one pooled over them, with its interval from their spread."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Protocol

from tailrace.answer.result import (
    DISTRIBUTION,
    ClassResult,
    Figures,
    StageTimes,
    TargetResult,
)
from tailrace.answer.sample import STRICT, Bars, Sample
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.section import Sectioned, sectioned_ratio
from tailrace.measure.verdict import verdict
from tailrace.plan.columns import STAGES
from tailrace.quantity import FINISHED, Kind, Quantity
from tailrace.replicate.gather import StageSums
from tailrace.scenario.tables.workload import Workload

LEVEL = 0.95


def class_result(
    workload: Workload,
    sample: Sample,
    level: float = LEVEL,
    bars: Bars = STRICT,
) -> ClassResult:
    """All figures of one class; ``level`` is that of the intervals by which its targets are judged."""
    kinds: Mapping[Kind, Figures] = {
        kind: figures(workload.name, kind, sample, bars) for kind in sample.kinds(workload.name)
    }
    return ClassResult(
        workload.name,
        kinds["all"],
        {kind: each for kind, each in kinds.items() if kind != "all"},
        target_results([workload], sample, level, bars),
        sum(step.count for step in workload.step) if workload.step else None,
    )


class Sections(Protocol):
    """What figures can be asked of: a sample, or several as one."""

    def section(self, name: str, quantity: Quantity, bars: Bars | None = STRICT) -> Sectioned:
        """A figure of a class, and how the replications lie about it."""
        ...


def section_of(
    workload: Workload, sample: Sections, quantity: Quantity, bars: Bars | None = STRICT
) -> Sectioned:
    """A figure of a class; of an amount of work the time that it takes at the throughput that is found."""
    if quantity.statistic != FINISHED:
        return sample.section(workload.name, quantity, bars)
    return finished(sample.section(workload.name, Quantity("throughput"), bars), workload.amount)


def finished(throughput: Sectioned, amount: int | None) -> Sectioned:
    """The time that an amount takes: over the throughput, of which it has the relative errors."""
    if throughput.value is None or amount is None:
        return throughput
    if throughput.value <= 0:
        return replace(throughput, value=None, reason="nothing is moved")
    value = amount / throughput.value
    return replace(throughput, value=value, deviations=-value / throughput.value * throughput.deviations)


def target_results(
    workloads: Sequence[Workload],
    sample: Sections,
    level: float = LEVEL,
    bars: Bars = STRICT,
) -> tuple[TargetResult, ...]:
    """What was promised to classes, each judged by an interval of that level."""
    return tuple(
        target_result(each.name, quantity, limit, section_of(each, sample, quantity, bars), level)
        for each in workloads
        for quantity, limit in each.limits
    )


def target_result(
    name: str, quantity: Quantity, limit: float, section: Sectioned, level: float
) -> TargetResult:
    """A promise to a class, judged by an interval of that level."""
    judged = section.estimate(level)
    kept = verdict(judged, limit, quantity.is_upper)
    return TargetResult(name, quantity, limit, section.estimate(LEVEL), judged, level, kept)


def figures(name: str, kind: Kind, sample: Sample, bars: Bars = STRICT) -> Figures:
    """Rates, latencies and stage times of a class, or of its reads or writes."""
    parts = sample.totals(name, kind)

    def estimate(statistic: str) -> IntervalEstimate:
        return sample.section(name, Quantity.of(kind, statistic), bars).estimate(LEVEL)

    latency = {statistic: estimate(statistic) for statistic in ("mean", *sample.quantiles)}
    supported = [p for quantile, p in sample.quantiles.items() if latency[quantile].value is not None]
    return Figures(
        sum(part.requests for part in parts),
        estimate("rate"),
        estimate("throughput"),
        latency,
        _stages([part.stages for part in parts]),
        _stages([part.slowest for part in parts]),
        _stages([part.middle for part in parts]),
        {
            p: each
            for p, each in sample.distribution(name, kind, LEVEL).items()
            if p in DISTRIBUTION and _is_supported(p, supported)
        },
    )


def _is_supported(p: float, supported: Sequence[float]) -> bool:
    """Whether the sample supports a quantile: as far out, on either side, as those of the tables that it supports."""
    return any(1 - at <= p <= at + 1e-12 for at in supported)


def _stages(sums: Sequence[StageSums]) -> dict[str, StageTimes]:
    requests = [each.requests for each in sums]

    def share(totals: list[float]) -> IntervalEstimate:
        return sectioned_ratio(totals, requests, LEVEL, n=sum(requests))

    return {
        stage: StageTimes(
            share([float(each.wait_s[place]) for each in sums]),
            share([float(each.service_s[place]) for each in sums]),
        )
        for place, stage in enumerate(STAGES)
    }
