"""What the tests of theory share: a scenario as text, run through plan, engine and measure.

A check against theory has a bound and power: over REPLICATIONS independent replications of a fixed seed, the figure
found lies within four standard errors of the exact one, and the standard error is below 1 % of it (2 % for a p99).
"""

import os
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drives import generic
from tailrace.answer.figures import figures
from tailrace.answer.result import Figures
from tailrace.answer.sample import Sample
from tailrace.arrays import FloatArray
from tailrace.engine.choice import Engine, runner
from tailrace.engine.observations import Observations
from tailrace.measure.interval import IntervalEstimate, student_quantile
from tailrace.measure.section import sectioned_mean, sectioned_ratio
from tailrace.plan.build import build_plan
from tailrace.quantity import Kind
from tailrace.replicate.boiled import replicate
from tailrace.replicate.gather import WARMUP_SHARE
from tailrace.replicate.replication import Replication
from tailrace.scenario import load, parse
from tailrace.scenario.tables.scenario import Scenario

REPLICATIONS = 24
ERRORS = 4.0
POWER = 0.01
POWER_P99 = 0.02

SHARED = Path(__file__).parent.parent / "shared"


def _has_compiled() -> bool:
    try:
        from tailrace.engine.compiled import available
    except ImportError:
        return False
    return available()


ENGINES: tuple[Engine, ...] = ("reference", "compiled") if _has_compiled() else ("reference",)

ENGINE: Engine = "reference" if os.environ.get("TESTED_ENGINE") == "reference" else ENGINES[-1]
"""What carries the replications: the compiled engine where there is one and the environment does not say otherwise."""

long_run = pytest.mark.skipif(
    ENGINE == "reference", reason="more than 20 s with the reference engine: needs the compiled one"
)


def published(subject: str) -> dict[str, Any]:
    """The published values of a subject; each table there names its source."""
    return tomllib.loads((SHARED / "published" / f"{subject}.toml").read_text("utf-8"))


CONSTANT = '{law = "constant", value = "1 ms"}'
EXPONENTIAL = '{law = "exponential", mean = "1 ms"}'


def shared_scenario(name: str, *overrides: str) -> Scenario:
    """One of the ready scenarios."""
    return load(SHARED / "scenarios" / f"{name}.toml", overrides)


def one_station(service: str, rate_per_s: float, media: str = "", workload: str = "") -> Scenario:
    """One station with a service law and one class, "booking", whose requests go straight to it.

    ``media`` and ``workload`` are further lines of their tables.
    """
    return parse(f"""
{generic(service=service)}
{media}
[[workload]]
name = "booking"
rate = "{rate_per_s} /s"
request_size = "8 KiB"
{workload}
""")


def commits(rate_per_s: float, service: str, most: int, media: str = "", step: str = "") -> Scenario:
    """Transactions of a single log write of 1 ms on average, on one drive with nothing before it."""
    return parse(f"""
{generic(service=service)}
{media}
[[workload]]
name = "booking"
rate = "{rate_per_s} /s"
[[workload.step]]
request_size = "4 KiB"
read_share = 0
durable = true
group_commit = {most}
{step}
""")


def samples(scenario: Scenario, requests: int, seed: int = 1) -> list[Replication]:
    """Independent replications of so many requests each, as an answer rests on."""
    return [replicate(scenario, seed, number, requests, ENGINE, 10**9) for number in range(REPLICATIONS)]


def observe(scenario: Scenario, requests: int, seed: int = 1, replication: int = 0) -> Observations:
    """One replication, request by request."""
    return runner(ENGINE)(build_plan(scenario, seed, replication), requests)


def per_request(
    scenario: Scenario, requests: int, column: Callable[[Observations], FloatArray], seed: int = 1
) -> list[FloatArray]:
    """A column of the measured requests in each of as many replications; the first tenth warms up."""
    begin = int(np.ceil(WARMUP_SHARE * requests))
    return [column(observe(scenario, requests, seed, number))[begin:] for number in range(REPLICATIONS)]


def found(
    scenario: Scenario, sampled: list[Replication], name: str = "booking", kind: Kind = "all"
) -> Figures:
    """All figures of a class, as an answer gives them."""
    return figures(name, kind, Sample(sampled))


def waiting_mean(sampled: list[Replication], bank: int = 0) -> IntervalEstimate:
    """Mean number waiting at all stations of a bank, over time."""
    waiting = [float(sample.stations.waiting_s[bank]) for sample in sampled]
    return sectioned_ratio(waiting, [sample.stations.seconds_s for sample in sampled])


def busy_mean(sampled: list[Replication], bank: int = 0) -> IntervalEstimate:
    """Mean number of busy servers at all stations of a bank, over time."""
    busy = [float(sample.stations.busy_s[bank]) for sample in sampled]
    return sectioned_ratio(busy, [sample.stations.seconds_s for sample in sampled])


def share(columns: list[FloatArray], holds: Callable[[FloatArray], Any]) -> IntervalEstimate:
    """Share of the requests for which something holds."""
    return sectioned_mean([np.asarray(holds(column), dtype=np.float64) for column in columns])


# What was printed, and what it is held against


@dataclass(frozen=True)
class Printed:
    """A value as printed: what stands there, and half a unit of its last digit (0 for fractions and wholes)."""

    value: float
    rounding: float

    def __mul__(self, factor: float) -> "Printed":
        return Printed(self.value * factor, self.rounding * abs(factor))


def printed(text: str) -> Printed:
    """A value in quotes from the published tables."""
    digits = len(text.partition(".")[2])
    return Printed(float(Fraction(text)), 0.5 * 10.0**-digits if digits else 0.0)


def exactly(text: str) -> float:
    """A value in quotes from the published tables that is exact as it stands, however few its digits."""
    return float(Fraction(text))


def standard_error(estimate: IntervalEstimate) -> float:
    """The standard error behind a 95 % interval over REPLICATIONS replications."""
    assert estimate.half_width is not None, estimate.method
    return estimate.half_width / student_quantile(0.95, REPLICATIONS - 1)


def assert_agrees(estimate: IntervalEstimate, exact: float | Printed, power: float = POWER) -> None:
    """The estimate is within four standard errors of what is exact, and these are small enough for that to mean much.

    A value that was rounded in print is given half a unit of its last digit, which must be small as well.
    """
    expected = exact if isinstance(exact, Printed) else Printed(exact, 0.0)
    assert expected.rounding < power * abs(expected.value), "printed too short for this check: is it exact?"
    assert estimate.value is not None, estimate.method
    error = standard_error(estimate)
    said = f"{estimate.value:.6g} found, {expected.value:.6g} expected, standard error {error:.3g}"
    assert error < power * abs(expected.value), f"too little power: {said}"
    assert abs(estimate.value - expected.value) < ERRORS * error + expected.rounding, said
