"""What the experiments against theory have in common: figures of independent replications, and how they are drawn."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from tailrace.engine.choice import choose_engine
from tailrace.measure.estimate import Estimate
from tailrace.measure.length import PILOT_REPLICATIONS
from tailrace.measure.warmup import settled
from tailrace.scenario.read import parse
from tailrace.scenario.scenario import Scenario
from tailrace.study.result import QUANTILES, Figures
from tailrace.study.sample import Sample, replicate
from tailrace.study.summary import figures
from tailrace.study.workers import Workers, available_cores

REPLICATIONS = 16
COLOURS = ("#4477aa", "#ee6677", "#228833", "#aa3377", "#999933", "#332288")

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
        self._crew = Workers(1 if quick else available_cores())
        self._engine = choose_engine("auto", 10**9)

    def __enter__(self) -> Runs:
        self._crew.__enter__()
        return self

    def __exit__(self, *details: object) -> None:
        self._crew.__exit__(*details)

    def samples(self, scenario: Scenario, requests: int, replications: int = REPLICATIONS) -> list[Sample]:
        """Independent replications, numbered behind those of a pilot, in order."""
        numbers = range(PILOT_REPLICATIONS, PILOT_REPLICATIONS + replications)
        tasks = [(scenario, self.seed, number, requests, 10**7, self._engine) for number in numbers]
        return list(self._crew.run(replicate, tasks))

    def figures(
        self, scenario: Scenario, requests: int, replications: int = REPLICATIONS
    ) -> tuple[dict[str, Figures], bool]:
        """Figures of each class, by name, and whether all series were settled after the warm-up."""
        samples = self.samples(scenario, requests, replications)
        found = {each.name: figures(each, "all", samples) for each in scenario.workload}
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


def row(estimate: Estimate) -> dict[str, float | None]:
    """Value and interval as columns of a table."""
    return {"simulated": estimate.value, "low": estimate.low, "high": estimate.high}


def levels(names: Iterable[str]) -> dict[str, float]:
    """Quantile levels by name."""
    return {name: QUANTILES[name] for name in names}


def label(name: str) -> str:
    """A quantile as it is written in figures."""
    return {"p999": "p99.9"}.get(name, name)


def intervals(
    axes: Axes, x: Sequence[float], rows: Sequence[Mapping[str, Any]], colour: str, **options: Any
) -> None:
    """Simulated values as points with their 95 % intervals; what is not known is left out."""
    known = [(place, each) for place, each in zip(x, rows, strict=True) if each["simulated"] is not None]
    if not known:
        return
    values = np.array([each["simulated"] for _, each in known], dtype=float)
    low = np.array(
        [each["low"] if each["low"] is not None else each["simulated"] for _, each in known], dtype=float
    )
    high = np.array(
        [each["high"] if each["high"] is not None else each["simulated"] for _, each in known], dtype=float
    )
    settings = {"fmt": "o", "markersize": 4, "capsize": 3, "linewidth": 1.2} | options
    axes.errorbar(
        [place for place, _ in known], values, yerr=[values - low, high - values], color=colour, **settings
    )


def scaled(part: pd.DataFrame, factor: float) -> list[dict[str, float | None]]:
    """Simulated values and intervals of a table in another unit."""
    return [
        {name: None if pd.isna(each[name]) else each[name] * factor for name in ("simulated", "low", "high")}
        for each in part.to_dict("records")
    ]


def legend_above(figure: Figure, axes: Sequence[Axes], columns: int, room: float) -> None:
    """One legend for all axes, above them; ``room`` is the share of the height that it takes."""
    found: dict[str, Any] = {}
    for each in axes:
        for handle, name in zip(*each.get_legend_handles_labels(), strict=True):
            found.setdefault(name, handle)
    figure.legend(found.values(), found.keys(), loc="upper center", ncols=columns, frameon=False, fontsize=10)
    figure.tight_layout(rect=(0, 0, 1, 1 - room))


def plain_log(axis: Any) -> None:
    """1, 2, 5, 10 ... as numbers on a logarithmic axis, instead of powers of ten."""
    axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0), numticks=30))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.12g}"))
    axis.set_minor_formatter(NullFormatter())
