"""What the experiments against theory have in common: figures of independent replications."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable

import pandas as pd

from parallel import Parallel
from tailrace.answer.figures import figures
from tailrace.answer.result import Figures
from tailrace.answer.sample import Sample
from tailrace.engine.choice import choose_engine
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.length import PILOT_REPLICATIONS
from tailrace.measure.warmup import settled
from tailrace.quantity import QUANTILES
from tailrace.replicate.boiled import replicate
from tailrace.replicate.replication import Replication
from tailrace.scenario.reading.read import parse
from tailrace.scenario.tables.scenario import Scenario

REPLICATIONS = 16

ONE_STATION = """
[server.media]
kind = "generic"
servers = SERVERS
discipline = "fcfs"
service = SERVICE
[[workload]]
name = "booking"
rate = "RATE /s"
request_size = "8 KiB"
"""


def one_station(servers: int, service: str, rate_per_s: float) -> Scenario:
    """A single station with a service law, Poisson arrivals."""
    text = ONE_STATION.replace("SERVERS", str(servers)).replace("SERVICE", service)
    return parse(text.replace("RATE", repr(rate_per_s)))


class Runs:
    """Replications of scenarios on all cores, each of a given length."""

    def __init__(self, seed: int, quick: bool) -> None:
        self.seed, self.quick = seed, quick
        self._crew = Parallel(quick)
        self._engine = choose_engine("auto", 10**9)

    def __enter__(self) -> Runs:
        self._crew.__enter__()
        return self

    def __exit__(self, *details: object) -> None:
        self._crew.__exit__(*details)

    def samples(
        self, scenario: Scenario, requests: int, replications: int = REPLICATIONS
    ) -> list[Replication]:
        """Independent replications, numbered behind those of a pilot, in order."""
        numbers = range(PILOT_REPLICATIONS, PILOT_REPLICATIONS + replications)
        tasks = [(scenario, self.seed, number, requests, self._engine, 10**7) for number in numbers]
        return list(self._crew.run(replicate, tasks))

    def figures(
        self, scenario: Scenario, requests: int, replications: int = REPLICATIONS
    ) -> tuple[dict[str, Figures], bool]:
        """Figures of each class, by name, and whether all series were settled after the warm-up."""
        samples = self.samples(scenario, requests, replications)
        found = {each.name: figures(each.name, "all", Sample(samples)) for each in scenario.workload}
        steady = all(
            bool(settled([sample.warming_s[each.name] for sample in samples])) for each in scenario.workload
        )
        return found, steady


def by_runs(measured: Callable[[Runs], pd.DataFrame]) -> Callable[[argparse.Namespace], pd.DataFrame]:
    """What is measured with runs, as a function of an experiment's options."""

    def whole(options: argparse.Namespace) -> pd.DataFrame:
        with Runs(options.seed, options.quick) as runs:
            return measured(runs)

    return whole


def row(estimate: IntervalEstimate) -> dict[str, float | None]:
    """Value and interval as columns of a table."""
    return {"simulated": estimate.value, "low": estimate.low, "high": estimate.high}


def levels(names: Iterable[str]) -> dict[str, float]:
    """Quantile levels by name."""
    return {name: QUANTILES[name] for name in names}


def label(name: str) -> str:
    """A quantile as it is written in figures."""
    return {"p999": "p99.9"}.get(name, name)


def off(simulated: pd.Series, closed_form: pd.Series) -> str:
    """How far simulated values lie from closed forms, where both are known, in a sentence."""
    apart = 100 * (simulated.astype(float) / closed_form.astype(float) - 1).dropna().abs()
    return f"Off the closed forms by {apart.median():.2g} % in the median, {apart.max():.2g} % at most."
