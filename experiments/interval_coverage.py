"""Do the 95 % intervals hold the exact value 95 % of the time?

Independent runs of stations whose mean, p50, p95 and p99 are known exactly, each run with its intervals as an answer
gives them. Lengths are fixed, and the requests come from exact recursions (Lindley's and its kin), which are ten times
as fast as the engine. Of three conditions together, whose exact figures follow by their weights, the intervals are
those of an answer over all of them. Whole answers, which find their own lengths, are tried by `answer_coverage`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numba import njit
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import brentq

from covered import Hits, Task, counted, picture, summed_up, table
from parallel import Parallel
from record import recorded
from tailrace.answer.mixture import Mixture, Part
from tailrace.answer.sample import Sample
from tailrace.measure.section import sectioned_mean, sectioned_quantiles
from tailrace.physics.hyperexponential import two_phase_from_uniform
from tailrace.quantity import Quantity
from tailrace.replicate.gather import StageSums, measured_from
from tailrace.replicate.replication import Latencies, Replication, StationSample, Totals
from tailrace.theory import mg1_response_mean, mmc_response_mean, mmc_response_quantile, mmc_response_tail
from tailrace.theory.laws import hyperexponential
from tailrace.theory.mg1 import mg1_response_quantile

Floats = NDArray[np.float64]

REPLICATIONS = 16
QUANTILES = {"p50": 0.50, "p95": 0.95, "p99": 0.99}
QUANTITIES = ("mean", *QUANTILES)
OVER_ALL = {"p50": 0.50, "p99": 0.99, "p999": 0.999}
"""What is asked of three conditions together, besides the mean."""
SCV = 4.0
STAGES, CLOSED_STATIONS, CUSTOMERS = 4, 2, 8
RUNS_A_TASK = 10


@njit(cache=True)
def one_server(gaps: Floats, services: Floats) -> Floats:
    """Response times of one first-come-first-served server: Lindley's recursion."""
    found = np.empty(gaps.size)
    response = 0.0
    for i in range(gaps.size):
        response = max(response - gaps[i], 0.0) + services[i]
        found[i] = response
    return found


@njit(cache=True)
def several_servers(gaps: Floats, services: Floats, servers: int) -> Floats:
    """Response times with several servers and one queue: each request takes the server that is free first."""
    found = np.empty(gaps.size)
    free_at = np.zeros(servers)  # ascending
    now = 0.0
    for i in range(gaps.size):
        now += gaps[i]
        end = max(free_at[0], now) + services[i]
        found[i] = end - now
        place = 0
        while place + 1 < servers and free_at[place + 1] < end:
            free_at[place] = free_at[place + 1]
            place += 1
        free_at[place] = end
    return found


@njit(cache=True)
def tandem(gaps: Floats, services: Floats) -> Floats:
    """Response times of single servers in a row, services of shape (requests, stations)."""
    requests, stations = services.shape
    found = np.empty(requests)
    free_at = np.zeros(stations)
    arrival = 0.0
    for i in range(requests):
        arrival += gaps[i]
        now = arrival
        for j in range(stations):
            now = max(now, free_at[j]) + services[i, j]
            free_at[j] = now
        found[i] = now - arrival
    return found


@njit(cache=True)
def cycle(services: Floats, customers: int) -> Floats:
    """Cycle times of so many customers that go round single servers; none overtakes, so they come back in turn."""
    requests, stations = services.shape
    found = np.empty(requests)
    back_at = np.zeros(requests)
    free_at = np.zeros(stations)
    for i in range(requests):
        start = back_at[i - customers] if i >= customers else 0.0
        now = start
        for j in range(stations):
            now = max(now, free_at[j]) + services[i, j]
            free_at[j] = now
        back_at[i] = now
        found[i] = now - start
    return found


@dataclass(frozen=True)
class Cell:
    """A station at a load: requests in each replication, and the exact figures in mean service times."""

    name: str
    requests: int
    draw: str
    load: float
    servers: int
    exact: dict[str, float]

    def responses(self, rng: np.random.Generator) -> Floats:
        """Response times of one replication, warm-up included."""
        n = self.requests
        if self.draw == "cycle":
            return cycle(rng.standard_exponential((n, CLOSED_STATIONS)), CUSTOMERS)
        gaps = rng.standard_exponential(n) / (self.load * self.servers)
        if self.draw == "tandem":
            return tandem(gaps, rng.standard_exponential((n, STAGES)))
        if self.draw == "two-phase":
            return one_server(gaps, two_phase_from_uniform(rng.random(n), 1.0, SCV))
        services = rng.standard_exponential(n)
        return (
            one_server(gaps, services) if self.servers == 1 else several_servers(gaps, services, self.servers)
        )


def exact(mean: float, quantile: Callable[[float], float]) -> dict[str, float]:
    return {"mean": mean} | {name: float(quantile(p)) for name, p in QUANTILES.items()}


def cells(quick: bool) -> list[Cell]:
    """Lengths are such that after the warm-up nothing is left of the start, and p99 is supported."""
    found = []
    for servers in (1, 8):
        for load, requests in ((0.5, 15_000), (0.8, 80_000), (0.9, 300_000)):
            rate = load * servers
            known = exact(
                float(mmc_response_mean(rate, 1.0, servers)),
                lambda p, rate=rate, servers=servers: mmc_response_quantile(p, rate, 1.0, servers),
            )
            found.append(Cell(f"M/M/{servers} at {load}", requests, "exponential", load, servers, known))
    law = hyperexponential(1.0, SCV)
    known = exact(float(mg1_response_mean(0.8, 1.0, SCV)), lambda p: mg1_response_quantile(p, 0.8, law))
    found.append(Cell("M/G/1, scv 4, at 0.8", 200_000, "two-phase", 0.8, 1, known))
    # Each of the four is M/M/1 and independent of the others (Burke; Reich): the sum is Erlang.
    erlang = stats.gamma(STAGES, scale=1 / (1 - 0.8))
    found.append(
        Cell("four M/M/1 in a row at 0.8", 150_000, "tandem", 0.8, 1, exact(erlang.mean(), erlang.ppf))
    )
    # An arrival finds the others in any arrangement with equal chance, and its times at the stations are independent
    # given that: the cycle is Erlang of N + M - 1 phases. Schassberger and Daduna, 1983 (from memory).
    erlang = stats.gamma(CUSTOMERS + CLOSED_STATIONS - 1)
    found.append(
        Cell("closed, 8 round two servers", 15_000, "cycle", 1.0, 1, exact(erlang.mean(), erlang.ppf))
    )
    return [each for each in found if each.requests < 20_000] if quick else found


@dataclass(frozen=True)
class Day:
    """A station in three conditions, loads of 10 : 1 and more between them: hours, load and requests of each."""

    name: str
    servers: int
    conditions: tuple[tuple[float, float, int], ...]

    @property
    def requests(self) -> int:
        """Requests of all conditions in one replication."""
        return sum(requests for *_, requests in self.conditions)

    @property
    def exact(self) -> dict[str, float]:
        """The figures of a request drawn by rate and hours: of each condition the law of M/M/c is known."""
        mass = [hours * load for hours, load, _ in self.conditions]
        rates = [load * self.servers for _, load, _ in self.conditions]

        def beyond(level: float) -> float:
            tails = (float(mmc_response_tail(level, rate, 1.0, self.servers)) for rate in rates)
            return sum(each * tail for each, tail in zip(mass, tails, strict=True)) / sum(mass)

        means = (float(mmc_response_mean(rate, 1.0, self.servers)) for rate in rates)
        mean = sum(each * one for each, one in zip(mass, means, strict=True)) / sum(mass)
        return {"mean": mean} | {
            name: brentq(lambda level, p=p: beyond(level) - (1 - p), 0.0, 1000.0, xtol=1e-12)
            for name, p in OVER_ALL.items()
        }

    def mixture(self, rng: np.random.Generator) -> Mixture:
        """All conditions as an answer has them, from replications of each."""
        parts = []
        for hours, load, requests in self.conditions:
            replications = [self._replication(load, requests, rng) for _ in range(REPLICATIONS)]
            parts.append(Part(f"{load}", hours, Sample(replications)))
        return Mixture(parts)

    def _replication(self, load: float, requests: int, rng: np.random.Generator) -> Replication:
        gaps = rng.standard_exponential(requests) / (load * self.servers)
        services = rng.standard_exponential(requests)
        found = (
            one_server(gaps, services) if self.servers == 1 else several_servers(gaps, services, self.servers)
        )
        begin = measured_from(requests)
        window, count = float(gaps[begin:].sum()), requests - begin
        whole = Latencies(found, np.ones(requests, dtype=np.bool_), begin)
        none = StageSums(0, np.zeros(4), np.zeros(4))
        total = Totals("all", count, count, 0, 0.0, float(found[begin:].sum()), none, none, none, whole)
        nothing = np.zeros(1)
        stations = StationSample(window, nothing, nothing, nothing, nothing)
        return Replication(window, {"": {"all": total}}, {}, {}, {}, stations, nothing, nothing, True)


def days(quick: bool) -> list[Day]:
    """What is rare over all of them has to be supported, too, so that the busiest condition is longest."""
    if quick:
        return [
            Day("three M/M/1, 10 : 1, short", 1, ((8.0, 0.08, 2_000), (12.0, 0.4, 4_000), (4.0, 0.8, 12_000)))
        ]
    return [
        Day("three M/M/1, 10 : 1", 1, ((8.0, 0.08, 15_000), (12.0, 0.4, 30_000), (4.0, 0.8, 200_000))),
        Day("three M/M/8, 10 : 1", 8, ((8.0, 0.08, 15_000), (12.0, 0.4, 30_000), (4.0, 0.8, 200_000))),
        Day(
            "three M/M/1, half an hour busy",
            1,
            ((16.0, 0.08, 15_000), (7.5, 0.5, 60_000), (0.5, 0.8, 120_000)),
        ),
    ]


def over_all(day: Day, seed: int, first: int, runs: int) -> Hits:
    """Runs of three conditions, and their figures over all."""
    hits = dict.fromkeys(("mean", *OVER_ALL), (0, 0))
    known = day.exact
    for number in range(first, first + runs):
        mixture = day.mixture(np.random.default_rng([seed, number, *day.name.encode()]))
        estimates = {name: mixture.section("", Quantity(name)).estimate() for name in hits}
        hits = counted(hits, estimates, known)
    return hits


def fixed(cell: Cell, seed: int, first: int, runs: int) -> Hits:
    """Runs of a cell at its fixed length."""
    hits = dict.fromkeys(QUANTITIES, (0, 0))
    begin = measured_from(cell.requests)
    for number in range(first, first + runs):
        rng = np.random.default_rng([seed, number, *cell.name.encode()])
        samples = [cell.responses(rng)[begin:] for _ in range(REPLICATIONS)]
        quantiles = sectioned_quantiles(samples, QUANTILES.values())
        estimates = {"mean": sectioned_mean(samples)} | {name: quantiles[p] for name, p in QUANTILES.items()}
        hits = counted(hits, estimates, cell.exact)
    return hits


def measured(seed: int, quick: bool) -> pd.DataFrame:
    runs = 60 if quick else 400
    # The longest first, so that no worker is left with one of them at the end.
    tasks = [
        Task(cell.name, "fixed length", RUNS_A_TASK, fixed, (cell, seed, first, RUNS_A_TASK))
        for cell in sorted(cells(quick), key=lambda each: -each.requests)
        for first in range(0, runs, RUNS_A_TASK)
    ]
    tasks += [
        Task(day.name, "over all conditions", RUNS_A_TASK, over_all, (day, seed, first, RUNS_A_TASK))
        for day in days(quick)
        for first in range(0, runs, RUNS_A_TASK)
    ]
    with Parallel(quick) as crew:
        return table(tasks, crew)


def main() -> None:
    question = __doc__.splitlines()[0]
    frame = recorded(
        "interval_coverage", question, lambda chosen: measured(chosen.seed, chosen.quick), picture
    )
    summed_up(frame)


if __name__ == "__main__":
    main()
