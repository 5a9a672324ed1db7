"""Why may figures not be what their intervals say? What is not settled, and laws that do not hold between figures."""

from __future__ import annotations

import math

import numpy as np

from tailrace.answer.figures import LEVEL
from tailrace.answer.sample import Doubt, Sample
from tailrace.forecast.saturation import Load
from tailrace.measure.estimate import Estimate
from tailrace.measure.section import ratio_sections
from tailrace.measure.warmup import agreed, drift, settled
from tailrace.plan.stations import Discipline
from tailrace.quantity import Quantity
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.workload import Workload

FILLING = 0.002
"""Share of a pool's permits by which those held grow from the first to the second half, from which on it fills."""
SURE = 0.999
"""Level at which the replications must agree that it does."""
ROOM = 2.0
"""Half-widths of 95 % intervals of all figures of a law beyond which it does not hold: four standard errors."""
ROUNDING = 1e-3
"""Share by which the two sides of a law may differ besides: the ends of a window are not those of its requests."""

GRAIN = 4.0
"""Completions by which slices of a pace may differ because they hold whole ones."""

RATE, MEAN = Quantity("rate"), Quantity("mean")


def doubts(scenario: Scenario, load: Load, sample: Sample) -> dict[str, Doubt]:
    """Why the figures of classes may be off whatever their width, by the name of the class; empty where nothing is."""
    filling = _filling(load, sample)
    found = {}
    for workload in scenario.workload:
        doubt = filling or _unsettled(workload, sample) or _broken_law(scenario, workload, sample)
        if doubt is not None:
            found[workload.name] = doubt
    return found


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


def _broken_law(scenario: Scenario, workload: Workload, sample: Sample) -> Doubt | None:
    """Little's law, L = rate x mean latency, and that what arrives at a rate is done at it."""
    rate, mean = (sample.section(workload.name, each).estimate(LEVEL) for each in (RATE, MEAN))
    under_way_s = [each.under_way_s for each in sample.totals(workload.name, "all")]
    number = ratio_sections(under_way_s, sample.windows_s).estimate(LEVEL)
    if rate.value is None or mean.value is None or not number.value:
        return None
    product = rate.value * mean.value
    if _apart(product, number.value, rate, mean, number):
        said = f"{product:.6g}, but {number.value:.6g} requests are under way"
        return Doubt(f"rate times mean latency is {said}", abs(product / number.value - 1))
    asked = workload.rate_at(scenario.load)
    if workload.is_open and not workload.is_recorded and _apart(rate.value, asked, rate):
        return Doubt(f"{rate.value:.6g} requests a second came where {asked:.6g} are asked for", math.inf)
    return None


def _apart(one: float, other: float, *figures: Estimate) -> bool:
    widths = [each.relative_half_width or 0.0 for each in figures]
    return abs(one / other - 1) > ROOM * sum(widths) + ROUNDING
