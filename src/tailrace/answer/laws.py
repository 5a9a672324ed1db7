"""Do figures agree that must? Laws that hold between them whatever the distributions, checked on every answer.

Little's law and the utilisation law are operational: they hold of what was counted, in every run that is long enough
(Denning and Buzen, Computing Surveys 10(3), 1978, from memory).
"""

from __future__ import annotations

import math

from tailrace.answer.figures import LEVEL
from tailrace.answer.sample import Doubt, Sample
from tailrace.forecast.saturation import Load
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.section import ratio_sections
from tailrace.plan.columns import Stage
from tailrace.quantity import Quantity
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.workload import Workload

ROOM = 2.0
"""Half-widths of 95 % intervals of all figures of a law beyond which it does not hold: four standard errors."""
ENDS = 1e-3
"""Share by which the two sides of a law may differ besides: the ends of a window are not those of its requests."""
SAMPLED = 0.05
"""Share by which demands may be off, which are counted on a sample of the plan."""
ADDED_UP = 1e-6
"""Share by which sums of times may differ that were added in another order."""

RATE, MEAN = Quantity("rate"), Quantity("mean")


def broken_law(scenario: Scenario, workload: Workload, load: Load, sample: Sample) -> Doubt | None:
    """The law that the figures of a class break, None where they keep all."""
    return (
        _times_of_stages(workload, sample)
        or _number_under_way(workload, sample)
        or _what_is_asked(scenario, workload, sample)
        or _busy_lines(scenario, workload, load, sample)
    )


def _times_of_stages(workload: Workload, sample: Sample) -> Doubt | None:
    """The whole is its parts: waits and services at the stages are the latency."""
    every = sample.totals(workload.name, "all")
    whole_s = math.fsum(each.total_s for each in every)
    parts_s = math.fsum(float(each.stages.wait_s.sum() + each.stages.service_s.sum()) for each in every)
    if abs(parts_s - whole_s) <= ADDED_UP * whole_s:
        return None
    return Doubt(f"times at the stages add up to {parts_s:.6g} s and latencies to {whole_s:.6g} s", math.inf)


def gaps_of_closed(scenario: Scenario, sample: Sample) -> dict[str, float]:
    """The share by which Little's law misses, for each class of clients that make their rate themselves.

    Where the slowest of many requests gather for long, completions in a window are too many by those still under way
    when it ends; where a drive starves some of them, it is the mean that lacks them. Either way the rate is off by no
    more, and replications that all begin alike agree on it.
    """
    found = {}
    for workload in (each for each in scenario.workload if not each.is_open):
        rate, mean, number = _littles(workload, sample)
        if rate.value and mean.value and number.value:
            found[workload.name] = abs(rate.value * mean.value / number.value - 1)
    return found


def _number_under_way(workload: Workload, sample: Sample) -> Doubt | None:
    """Little's law, L = rate x mean latency: Operations Research 9(3), 1961, from memory."""
    rate, mean, number = _littles(workload, sample)
    if rate.value is None or mean.value is None or not number.value:
        return None
    product = rate.value * mean.value
    if not _apart(product, number.value, rate, mean, number):
        return None
    said = f"{product:.6g}, but {number.value:.6g} requests are under way"
    return Doubt(f"rate times mean latency is {said}", abs(product / number.value - 1))


def _littles(
    workload: Workload, sample: Sample
) -> tuple[IntervalEstimate, IntervalEstimate, IntervalEstimate]:
    """Rate, mean latency, and the number under way as it was counted."""
    rate, mean = (sample.section(workload.name, each).estimate(LEVEL) for each in (RATE, MEAN))
    under_way_s = [each.under_way_s for each in sample.totals(workload.name, "all")]
    return rate, mean, ratio_sections(under_way_s, sample.windows_s).estimate(LEVEL)


def _what_is_asked(scenario: Scenario, workload: Workload, sample: Sample) -> Doubt | None:
    """What arrives at a rate is done at it."""
    rate = sample.section(workload.name, RATE).estimate(LEVEL)
    if not workload.is_open or workload.is_recorded or rate.value is None:
        return None
    asked = workload.rate_at(scenario.load)
    if not _apart(rate.value, asked, rate):
        return None
    return Doubt(f"{rate.value:.6g} requests a second came where {asked:.6g} are asked for", math.inf)


def _busy_lines(scenario: Scenario, workload: Workload, load: Load, sample: Sample) -> Doubt | None:
    """The utilisation law, U = sum of rate x demand, where service takes what the request brings with it.

    That is at cores and lines; dies and arms are held for as long as others let them.
    """
    rates: dict[str, IntervalEstimate] = {}
    for each in scenario.workload:
        rates[each.name] = sample.section(each.name, RATE).estimate(LEVEL)
    if any(rate.value is None for rate in rates.values()) or scenario.background:
        return None
    cluster = scenario.cluster
    if cluster is not None and cluster.slow_servers and cluster.reads_from == "least busy":
        return None  # how much falls to slow servers depends on what is under way
    seconds = sum(each.stations.seconds_s for each in sample)
    for place, bank in enumerate(load.banks):
        if bank.stage == Stage.MEDIA or not bank.serves:
            continue
        asked = sum((rate.value or 0.0) * load.per_request_s[name][place] for name, rate in rates.items())
        busy = sum(float(each.stations.busy_s[place]) for each in sample) / seconds
        if not load.per_request_s[workload.name][place] or not busy:
            continue
        widths = [SAMPLED, *(ROOM * (rate.relative_half_width or 0.0) for rate in rates.values())]
        if abs(asked / busy - 1) > sum(widths):
            servers = bank.loaded * bank.servers
            return Doubt(
                f"the {bank.name} is {busy / servers:.3g} busy where rates and demands make it {asked / servers:.3g}",
                abs(asked / busy - 1),
            )
    return None


def _apart(one: float, other: float, *figures: IntervalEstimate) -> bool:
    widths = [each.relative_half_width or 0.0 for each in figures]
    return abs(one / other - 1) > ROOM * sum(widths) + ENDS
