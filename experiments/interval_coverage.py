"""Do the 95 % intervals hold the exact value 95 % of the time?

Independent runs of stations whose mean, p50, p95 and p99 are known exactly, each run with its intervals as an answer
gives them. At fixed length the requests come from exact recursions (Lindley's and its kin), which are ten times as
fast as the engine; under "full rule" every run is a whole `tailrace.simulate` with its own pilot, length and
replications. Nothing exact is known of the scenarios of `covered`: there, long runs tell the truth, to within the
half-width that stands beside it, and each is tried under the full rule and at a fixed length of a tenth of its least.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from numba import njit
from numpy.typing import NDArray
from scipy import stats

import drawn
from covered import CASES, TENTH, Case
from parallel import Parallel
from record import recorded
from simulated import label, one_station
from tailrace.answer.run import simulate
from tailrace.measure.estimate import Estimate
from tailrace.measure.section import sectioned_mean, sectioned_quantiles
from tailrace.physics.hyperexponential import two_phase_from_uniform
from tailrace.replicate.gather import measured_from
from tailrace.report.pictures import style
from tailrace.theory import mg1_response_mean, mmc_response_mean, mmc_response_quantile
from tailrace.theory.laws import hyperexponential
from tailrace.theory.mg1 import mg1_response_quantile

Floats = NDArray[np.float64]

REPLICATIONS = 16
QUANTILES = {"p50": 0.50, "p95": 0.95, "p99": 0.99}
QUANTITIES = ("mean", *QUANTILES)
SCV = 4.0
STAGES, CLOSED_STATIONS, CUSTOMERS = 4, 2, 8
RUNS_A_TASK = 10
DOUBT = 0.999
"""Level of the binomial interval of a cell."""
LEAST, MOST = 0.93, 0.97
"""What no cell may lie beyond."""


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


Hits = dict[str, tuple[int, int]]
"""By quantity: intervals given, and how many of them held the exact value."""
RULES = {"full rule": None, f"{TENTH:,} requests": TENTH}
RUNS = 200
"""Runs of each case of `covered` under each rule."""


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


def by_rule(load: float, seed: int, first: int, runs: int) -> Hits:
    """Whole simulations of M/M/1 that decide their own length for 10 % on p99."""
    service_s = 1e-3
    scenario = one_station(1, '{law = "exponential", mean = "1 ms"}', load / service_s)
    known = exact(
        float(mmc_response_mean(load, 1.0, 1)), lambda p: float(mmc_response_quantile(p, load, 1.0, 1))
    )
    hits = dict.fromkeys(QUANTITIES, (0, 0))
    for number in range(first, first + runs):
        result = simulate(scenario, seed=1_000_000 * seed + number, engine="compiled")
        figures = result.classes[0].all.latency_s
        hits = counted(hits, {name: figures[name].scaled(1 / service_s) for name in QUANTITIES}, known)
    return hits


def counted(hits: Hits, estimates: dict[str, Estimate], known: dict[str, float]) -> Hits:
    found = {}
    for name, (given, held) in hits.items():
        low, high = estimates[name].low, estimates[name].high
        is_known = low is not None and high is not None
        found[name] = (given + is_known, held + int(is_known and low <= known[name] <= high))
    return found


@dataclass(frozen=True)
class Task:
    """Some runs of a cell under a rule, and how they are made."""

    cell: str
    rule: str
    runs: int
    made: Callable[..., Hits]
    arguments: tuple[object, ...]


def of_case(
    case: Case, known: dict[str, float], requests: int | None, seed: int, first: int, runs: int
) -> Hits:
    """Whole simulations of a scenario under a rule."""
    hits = dict.fromkeys(known, (0, 0))
    for number in range(first, first + runs):
        hits = counted(hits, case.answer(1_000_000 * seed + number, requests), known)
    return hits


def measured(seed: int, quick: bool) -> pd.DataFrame:
    cases = [each for each in CASES if each.name == "group commit"] if quick else CASES
    truths: dict[str, dict[str, Estimate]] = {}
    found: dict[tuple[str, str], list[tuple[int, Hits]]] = {}
    with Parallel(quick) as crew:
        long = TENTH if quick else None
        for case, truth in zip(cases, crew.run(Case.truth, [(each, long) for each in cases]), strict=True):
            truths[case.name] = truth
        tasks = tasks_of(seed, quick, cases, truths)
        results = crew.run(carried_out, [(each.made, each.arguments) for each in tasks])
        for task, hits in zip(tasks, results, strict=True):
            found.setdefault((task.cell, task.rule), []).append((task.runs, hits))
    rows = []
    for (name, rule), parts in found.items():
        for quantity in parts[0][1]:
            given = sum(hits[quantity][0] for _, hits in parts)
            held = sum(hits[quantity][1] for _, hits in parts)
            truth = truths[name][quantity] if name in truths else None
            rows.append(
                {
                    "cell": name,
                    "rule": rule,
                    "quantity": quantity,
                    "runs": sum(count for count, _ in parts),
                    "given": given,
                    "held": held,
                    "coverage": held / given if given else np.nan,
                    **binomial(held, given),
                    "truth": truth and truth.value,
                    "truth_half_width": truth and truth.half_width,
                }
            )
    return pd.DataFrame(rows).sort_values(["rule", "cell"], kind="stable", ignore_index=True)


def tasks_of(
    seed: int, quick: bool, cases: Sequence[Case], truths: dict[str, dict[str, Estimate]]
) -> list[Task]:
    """All runs, the longest first, so that no worker is left with one of them at the end."""
    tasks: list[Task] = []
    for case in cases:
        known = {name: each.value for name, each in truths[case.name].items() if each.value is not None}
        for rule, requests in RULES.items():
            count = 4 if quick else RUNS
            step = min(RUNS_A_TASK, count)
            tasks += [
                Task(case.name, rule, step, of_case, (case, known, requests, seed, first, step))
                for first in range(0, count, step)
                if not (quick and requests is None)
            ]
    runs, ruled = (60, 4) if quick else (400, 400)
    step = min(RUNS_A_TASK, ruled)
    for load in (0.5,) if quick else (0.8, 0.5):
        tasks += [
            Task(f"M/M/1 at {load}", "full rule", step, by_rule, (load, seed, first, step))
            for first in range(0, ruled, step)
        ]
    for cell in sorted(cells(quick), key=lambda each: -each.requests):
        tasks += [
            Task(cell.name, "fixed length", RUNS_A_TASK, fixed, (cell, seed, first, RUNS_A_TASK))
            for first in range(0, runs, RUNS_A_TASK)
        ]
    return tasks


def carried_out(task: Callable[..., Hits], arguments: tuple[object, ...]) -> Hits:
    return task(*arguments)


def binomial(held: int, given: int) -> dict[str, float]:
    """The exact interval of a share: Clopper and Pearson, Biometrika 26, 1934 (from memory)."""
    tail = (1 - DOUBT) / 2
    low = stats.beta.ppf(tail, held, given - held + 1) if held else 0.0
    high = stats.beta.ppf(1 - tail, held + 1, given - held) if held < given else 1.0
    return {"low": float(low), "high": float(high)}


def picture(frame: pd.DataFrame) -> Figure:
    lines = list(frame[["cell", "rule"]].drop_duplicates().itertuples(index=False, name=None))
    figure, (axis,) = drawn.panels(1, 1, 0.36 * len(lines) + 1.6)
    axis.axvspan(100 * LEAST, 100 * MOST, color=style.GRID, zorder=0)
    axis.axvline(95, color=style.INK, linewidth=1)
    kinds = frame.quantity.str.split().str[-1]
    for place, quantity in enumerate(("rate", *QUANTITIES)):
        part = frame[(kinds == quantity) & (frame.given > 0)]
        if part.empty:
            continue
        look = style.line(place)
        at = [lines.index(line) for line in zip(part.cell, part.rule, strict=True)]
        axis.errorbar(
            100 * part.coverage,
            np.array(at) + 0.16 * (place - 2),
            xerr=[100 * (part.coverage - part.low), 100 * (part.high - part.coverage)],
            fmt=look.marker,
            markersize=4,
            capsize=2,
            linewidth=1,
            color=look.colour,
            label=label(quantity),
        )
    names = [", ".join(line) for line in lines]
    axis.set_yticks(range(len(names)), names)
    axis.grid(axis="y", visible=False)
    axis.invert_yaxis()
    axis.set_xlabel("share of 95 % intervals that hold the exact value, %")
    drawn.legend(figure, [axis], "bars: 99.9 % intervals of the share (binomial); grey: 93 to 97 %")
    return figure


def main() -> None:
    question = __doc__.splitlines()[0]
    frame = recorded(
        "interval_coverage", question, lambda chosen: measured(chosen.seed, chosen.quick), picture
    )
    pooled = frame.held.sum() / frame.given.sum()
    beyond = frame[(frame.low > MOST) | (frame.high < LEAST)]
    print(
        f"\nPooled coverage {pooled:.2%} of {frame.given.sum():,} intervals ({frame.runs.sum():,} asked for)."
    )
    print(f"Cells wholly beyond {LEAST:.0%} to {MOST:.0%}: {len(beyond)}.")


if __name__ == "__main__":
    main()
