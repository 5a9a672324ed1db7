"""The figures in large letters: what each class sees and what the server can carry, beside the answer that was kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from tailrace.answer.result import Result
from tailrace.forecast.result import Theory
from tailrace.live.reckoned import Forms, Seen
from tailrace.measure.interval import IntervalEstimate
from tailrace.quantity import Quantity
from tailrace.report.columns.answer import statistics
from tailrace.report.figures import FEW_DIGITS, interval_figure, percent, unit_of
from tailrace.scenario.reading.conditions import states
from tailrace.scenario.tables.scenario import Scenario

CARDS = tuple(map(Quantity, ("rate", "throughput", "mean", "p99")))
"""What stands in large letters of each class."""


ALIKE = 0.995
"""Ratio from which on it is told as one that multiplies."""


@dataclass(frozen=True)
class Card:
    """One figure in large letters: value and half-width with unit, the same of the answer that was kept, and the ratio.

    The ratio is one of 1 or more: ``sign`` says whether it multiplies what was kept, or divides it. ``said`` is what
    stands beside all in small letters.
    """

    label: str
    value: str
    rest: str
    said: str = ""
    kept: str = ""
    sign: str = ""
    ratio: str = ""
    ratio_rest: str = ""


def ratio_of(estimate: IntervalEstimate) -> tuple[str, str, str]:
    """This figure over the one that was kept: sign, number of 1 or more, and half-width; nothing where not known."""
    value = estimate.value
    if not value or value < 0:
        return "", "", ""
    if value > ALIKE:  # what is rounded to 1 is no less
        return "×", *interval_figure(estimate, FEW_DIGITS)
    low, high = (None if not end or end < 0 else 1 / end for end in (estimate.high, estimate.low))
    upside = IntervalEstimate(1 / value, low, high if low else None, estimate.n, estimate.method)
    return "÷", *interval_figure(upside, FEW_DIGITS)


def exact_ratio(value: float | None, before: float | None) -> tuple[str, str, str]:
    """The same of figures without intervals."""
    if value is None or not before:
        return "", "", ""
    return ratio_of(IntervalEstimate(value / before, None, None, 0, "closed form"))


def is_carried(theory: Theory) -> bool:
    """Whether closed forms do not say that the load is too much."""
    return theory.saturation is None or not theory.saturation.is_exceeded


def scenario_in(scenario: Scenario, condition: str) -> Scenario:
    """The scenario in one of its conditions; itself for ""."""
    return next(each.scenario for each in states(scenario) if each.name == condition)


def names_in(scenario: Scenario, condition: str) -> list[str]:
    """The names of the classes there."""
    return [each.name for each in scenario_in(scenario, condition).workload]


def _written(quantity: Quantity, estimate: IntervalEstimate) -> tuple[str, str]:
    """Value, and half-width with unit."""
    unit = unit_of(quantity.dimension, [estimate.value])
    value, half = interval_figure(unit.of(estimate), FEW_DIGITS + 1)
    return value, f"{half} {unit.name}".strip() if estimate.value is not None else ""


def class_cards(found: Seen, condition: str, name: str) -> list[Card]:
    """The figures of a class, simulated."""
    beside = {
        each.quantity: each.paired
        for each in found.beside
        if (each.condition, each.class_name) == (condition, name)
    }
    before = found.kept.get(condition)
    cards = []
    for quantity in CARDS:
        value, rest = _written(quantity, estimate_of(found.results[condition], name, quantity))
        kept, ratio = "", ("", "", "")
        if before is not None and any(each.name == name for each in before.classes):
            kept = " ".join(_written(quantity, estimate_of(before, name, quantity)))
            if quantity in beside:
                ratio = ratio_of(beside[quantity].ratio)
        why = estimate_of(found.results[condition], name, quantity)
        cards.append(
            Card(_label(quantity), value, rest, "" if why.value is not None else why.method, kept, *ratio)
        )
    return cards


def _label(quantity: Quantity) -> str:
    return {"rate": "requests a second", "mean": "mean latency"}.get(
        quantity, f"{quantity.shown} latency" if quantity.is_latency else quantity.shown
    )


def estimate_of(result: Result, name: str, quantity: Quantity) -> IntervalEstimate:
    """A figure of a class."""
    return dict(statistics(result.class_named(name).all))[quantity]


def theory_cards(found: Forms, condition: str, name: str) -> list[Card]:
    """The figures of a class, by closed form."""
    mine = _closed(found.scenario, found.theory[condition], condition, name)
    theirs = (
        {}
        if found.kept_scenario is None or condition not in found.kept
        else _closed(found.kept_scenario, found.kept[condition], condition, name)
    )
    cards = []
    for quantity in CARDS:
        value, before = mine.get(quantity), theirs.get(quantity)
        unit = unit_of(quantity.dimension, [value])
        text = "–" if value is None else unit.number(value, FEW_DIGITS + 1)
        kept = "" if before is None else unit_of(quantity.dimension, [before]).text(before, FEW_DIGITS + 1)
        rest = unit.name if value is not None else ""
        cards.append(Card(_label(quantity), text, rest, "", kept, *exact_ratio(value, before)))
    return cards


def caution_of(theory: Theory, name: str) -> str:
    """How far to trust the closed forms of a class."""
    known = theory.classes.get(name)
    if known is None or known.mean_s is None:
        return "Closed forms know no mean of this class."
    exact = "exact" if known.exact_mean else "approximate"
    return f"Closed form, {exact}: {known.method}. {known.caution or ''}".strip()


def _closed(scenario: Scenario, theory: Theory, condition: str, name: str) -> dict[str, float | None]:
    """Rate, throughput, mean and p99 of a class, as far as closed forms know them."""
    there = scenario_in(scenario, condition)
    if name not in names_in(scenario, condition):
        return {}
    workload, known = there.workload_named(name), theory.classes.get(name)
    rate = workload.rate_at(there.load) if workload.is_open else None if known is None else known.rate_per_s
    size = _mean_size(workload)
    return {
        "rate": rate,
        "throughput": None if rate is None or size is None else rate * size,
        "mean": None if known is None else known.mean_s,
        "p99": None if known is None else known.p99_s,
    }


def _mean_size(workload: Any) -> float | None:
    """Mean bytes of a request; None of transactions and traces."""
    if workload.step or workload.is_recorded or not workload.request_size:
        return None
    return float(sum(part.size * part.share for part in workload.request_size))


def server_cards(
    scenario: Scenario, theory: Theory, kept: Scenario | None, kept_theory: Theory | None, condition: str
) -> list[Card]:
    """What the server can carry at most, in requests and in data, by closed form."""
    mine = _largest(scenario, theory, condition)
    theirs = None if kept is None or kept_theory is None else _largest(kept, kept_theory, condition)
    if mine is None:
        return []
    cards = []
    for quantity, label in ((Quantity("rate"), "can carry"), (Quantity("throughput"), "that is")):
        value, before = mine[quantity], None if theirs is None else theirs[quantity]
        if value is None:
            continue
        unit = unit_of(quantity.dimension, [value])
        station = theory.saturation.station if theory.saturation else ""
        share = mine["share"]
        said = f"first to be full: {station}; now {percent(share)} % of that load" if share else ""
        cards.append(
            Card(
                label,
                unit.number(value),
                unit.name,
                said if quantity == "rate" else "",
                "" if before is None else unit_of(quantity.dimension, [before]).text(before),
                *exact_ratio(value, before),
            )
        )
    return cards


def _largest(scenario: Scenario, theory: Theory, condition: str) -> dict[str, float | None] | None:
    saturation = theory.saturation
    there = scenario_in(scenario, condition)
    if saturation is None or saturation.load_factor <= 0:
        return None
    sizes = [(each.rate_at(there.load), _mean_size(each)) for each in there.workload if each.is_open]
    known = all(size is not None for _, size in sizes)
    moved = sum(rate * (size or 0.0) for rate, size in sizes)
    return {
        "rate": saturation.load_factor * there.open_rate_per_s,
        "throughput": saturation.load_factor * moved if known else None,
        "share": 1 / saturation.load_factor,
    }
