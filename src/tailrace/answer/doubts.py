"""Why may figures not be what their intervals say? What is not settled yet, and laws that they break."""

from __future__ import annotations

import math

import numpy as np

from tailrace.answer.laws import broken_law
from tailrace.answer.sample import Doubt, Sample
from tailrace.forecast.saturation import Load
from tailrace.measure.warmup import agreed, drift, settled
from tailrace.plan.build import start_of_buffers
from tailrace.plan.stations import Discipline
from tailrace.replicate.gather import OVER_START, measured_from, start_of
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.workload import Workload

FILLING = 0.002
"""Share of a pool's permits by which those held grow from the first to the second half, from which on it fills."""
SURE = 0.999
"""Level at which the replications must agree that it does."""
FEWEST_SURGES = 3.0
"""Surges that each replication sees on average, at least."""
GRAIN = 4.0
"""Completions by which slices of a pace may differ because they hold whole ones."""


def doubts(scenario: Scenario, load: Load, sample: Sample) -> dict[str, Doubt]:
    """Why the figures of classes may be off whatever their width, by the name of the class; empty where nothing is."""
    filling = _not_replaced(scenario, sample) or _filling(load, sample)
    found = {}
    for workload in scenario.workload:
        doubt = filling or _too_few_surges(workload, sample) or _unsettled(workload, sample)
        doubt = doubt or broken_law(scenario, workload, load, sample)
        if doubt is not None:
            found[workload.name] = doubt
    return found


def _not_replaced(scenario: Scenario, sample: Sample) -> Doubt | None:
    """Full buffers behind which copies still gather when measuring begins."""
    if not start_of_buffers(scenario):
        return None
    start, fewest = start_of(scenario), min(sum(each.issued.values()) for each in sample)
    if measured_from(fewest, start) >= start:
        return None
    return Doubt(
        f"what goes on behind full buffers comes to its level within {rounded_up(start):,} requests; a replication of "
        f"{rounded_up(OVER_START * start):,} has {OVER_START} times as many, and these have {fewest:,}",
        math.inf,
    )


def _filling(load: Load, sample: Sample) -> Doubt | None:
    """Pools of permits of which more and more are held: what waits behind them has not come to its level."""
    for place, bank in enumerate(load.banks):
        if bank.discipline == Discipline.TOKEN and not bank.paces:
            permits = bank.loaded * bank.servers
            growth = np.array([each.stations.held_growth[place] for each in sample]) / permits
            if growth.mean() > FILLING and agreed(growth, SURE, 1.0):
                held = sum(float(each.stations.busy_s[place]) for each in sample)
                share = held / sum(each.stations.seconds_s for each in sample) / permits
                more = f"{share:.0%} on average, {growth.mean():.1%} more in the later half"
                return Doubt(f"the {bank.name} still fills ({more})", math.inf)
    return None


def _too_few_surges(workload: Workload, sample: Sample) -> Doubt | None:
    """Replications that see a surge or none at all say little of what a server does to most of the requests in one."""
    if workload.surge is None:
        return None
    cycle_s = workload.surge.length / workload.surge.share
    seen = min(sample.windows_s) / cycle_s
    if seen >= FEWEST_SURGES:
        return None
    needed = max(sum(each.issued.values()) for each in sample) * FEWEST_SURGES / seen
    return Doubt(
        f"a surge comes about every {cycle_s:.3g} s, and a replication lasts {min(sample.windows_s):.3g} s; one of "
        f"{rounded_up(needed):,} requests would see {FEWEST_SURGES:.0f}",
        math.inf,
    )


def rounded_up(number: float) -> int:
    """To two digits."""
    step: int = 10 ** max(math.floor(math.log10(number)) - 1, 0)
    return math.ceil(number / step) * step


def _unsettled(workload: Workload, sample: Sample) -> Doubt | None:
    """Latency in order of arrival; and the pace in time, which closed clients change as their slowest gather."""
    latency = settled([each.warming_s[workload.name] for each in sample])
    reason, off_by = latency.reason, latency.off_by
    if not workload.is_open:
        said, pace_off_by = drift([each.pace_per_s[workload.name] for each in sample])
        fewest = min(each.completed for each in sample.totals(workload.name, "all"))
        if pace_off_by > max(off_by, GRAIN / max(fewest, 1)):
            reason, off_by = f"completions a second: {said}", pace_off_by
    return Doubt(reason, off_by) if reason else None
