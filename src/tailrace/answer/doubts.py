"""Why may figures not be what their intervals say? What is not settled, and laws that do not hold between figures."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tailrace.answer.figures import LEVEL
from tailrace.answer.sample import Sample
from tailrace.forecast.saturation import Load
from tailrace.measure.estimate import Estimate
from tailrace.measure.section import ratio_sections
from tailrace.measure.warmup import agreed, settled
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

RATE, MEAN = Quantity("rate"), Quantity("mean")


def doubts(scenario: Scenario, load: Load, sample: Sample) -> dict[str, str]:
    """Why the figures of classes may be off whatever their width, by the name of the class; empty where nothing is."""
    filling = "; ".join(_filling(load, sample))
    found = {}
    for workload in scenario.workload:
        reason = filling or _unsettled(workload, sample) or _broken_law(scenario, workload, sample)
        if reason:
            found[workload.name] = reason
    return found


def _filling(load: Load, sample: Sample) -> Iterator[str]:
    """Pools of permits of which more and more are held: what waits behind them has not come to its level."""
    for place, bank in enumerate(load.banks):
        if bank.discipline == Discipline.TOKEN and not bank.paces:
            permits = bank.loaded * bank.servers
            growth = np.array([each.stations.held_growth[place] for each in sample]) / permits
            if growth.mean() > FILLING and agreed(growth, SURE, 1.0):
                held = sum(float(each.stations.busy_s[place]) for each in sample)
                share = held / sum(each.stations.seconds_s for each in sample) / permits
                more = f"{share:.0%} on average, {growth.mean():.1%} more in the later half"
                yield f"the {bank.name} still fills ({more})"


def _unsettled(workload: Workload, sample: Sample) -> str:
    series = [each.warming_s[workload.name] for each in sample]
    return settled(series).reason


def _broken_law(scenario: Scenario, workload: Workload, sample: Sample) -> str:
    """Little's law, L = rate x mean latency, and that what arrives at a rate is done at it."""
    rate, mean, under_way = _level(sample, workload)
    if rate.value is None or mean.value is None or not under_way.value:
        return ""
    product = rate.value * mean.value
    if _apart(product, under_way.value, rate, mean, under_way):
        return (
            f"rate times mean latency is {product:.6g}, but {under_way.value:.6g} requests are under way on average: "
            "the run is too short for one of the three"
        )
    asked = None if workload.rate is None else workload.rate * workload.clients * scenario.load
    if asked is not None and workload.arrivals != "trace" and _apart(rate.value, asked, rate):
        return f"{rate.value:.6g} requests a second were done where {asked:.6g} are asked for"
    return ""


def _level(sample: Sample, workload: Workload) -> tuple[Estimate, Estimate, Estimate]:
    under_way = [each.under_way_s for each in sample.totals(workload.name, "all")]
    return (
        sample.section(workload.name, RATE).estimate(LEVEL),
        sample.section(workload.name, MEAN).estimate(LEVEL),
        ratio_sections(under_way, sample.windows_s).estimate(LEVEL),
    )


def _apart(one: float, other: float, *figures: Estimate) -> bool:
    widths = [each.relative_half_width or 0.0 for each in figures]
    return abs(one / other - 1) > ROOM * sum(widths) + ROUNDING
