"""How fast are the engines, beside plain SimPy, another simulation library and a bare compiled loop?

All contenders of a model run in turn, several times over, in one process; the table gives medians. Absolute speeds
mean little on a shared machine, the ratios in one run mean more. Run times include planning and recording unless
the contender is called bare.
"""

from __future__ import annotations

import statistics
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import simpy
from matplotlib.figure import Figure

import drawn
from record import SCENARIOS, Record, arguments
from tailrace.answer.figures import class_result
from tailrace.answer.sample import Sample
from tailrace.engine.choice import choose_engine, runner
from tailrace.measure.section import mean_sections, quantile_spreads
from tailrace.measure.warmup import settled
from tailrace.plan.build import build_plan
from tailrace.quantity import QUANTILES
from tailrace.replicate.boiled import replicate
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import load, parse
from tailrace.scenario.tables.scenario import Scenario

MEAN_GAP, MEAN_SERVICE, STATIONS = 1 / 800, 1e-3, 4

CLOSED = """
title = "One controller and sixteen drives, closed"
[server.controller]
service = {law = "exponential", mean = "10 us"}
servers = 4
[server.media]
kind = "generic"
count = 16
service = {law = "exponential", mean = "100 us"}
[[workload]]
name = "booking"
clients = CLIENTS
queue_depth = 1
request_size = "8 KiB"
"""

# Every write reads old data and old parity side by side, and then writes both: four operations of two drives.
PARITY = (
    CLOSED.replace("One controller and sixteen drives, closed", "Small writes on single parity").replace(
        "[[workload]]", '[server.layout]\nredundancy = "single parity"\ngroup = 16\n[[workload]]'
    )
    + 'read_share = 0.0\nspan = "64 GiB"\n'
)

Contender = Callable[[int], None]
"""Carries so many requests through a model."""


@dataclass(frozen=True)
class Trial:
    """One contender on one model, with the number of requests that it is given."""

    model: str
    contender: str
    requests: int
    run: Contender


def engine_trial(model: str, engine: str, scenario: Scenario, requests: int) -> Trial:
    run = runner(choose_engine(engine, 10**9))
    return Trial(
        model,
        f"{engine} engine",
        requests,
        lambda n: void(run(build_plan(scenario, seed=7, replication=0, rows=2**15), n)),
    )


def void(_: object) -> None:
    """For the result of a run of which only the time matters."""


def resource_tandem(requests: int) -> None:
    """The tandem of four M/M/1 stations in SimPy as its manual teaches it: a process a request, a Resource a visit."""
    rng = np.random.default_rng(7)
    gaps = rng.exponential(MEAN_GAP, requests).tolist()
    services = rng.exponential(MEAN_SERVICE, (requests, STATIONS)).tolist()
    env = simpy.Environment()
    stations = [simpy.Resource(env, 1) for _ in range(STATIONS)]
    latencies: list[float] = []

    def request(works: list[float]):
        arrived = env.now
        for station, work in zip(stations, works, strict=True):
            with station.request() as turn:
                yield turn
                yield env.timeout(work)
        latencies.append(env.now - arrived)

    def arrivals():
        for gap, works in zip(gaps, services, strict=True):
            yield env.timeout(gap)
            env.process(request(works))

    env.process(arrivals())
    env.run()
    assert len(latencies) == requests


def resource_closed(clients: int) -> Contender:
    """One controller of four cores and sixteen drives in SimPy with a Resource each, closed."""

    def run(requests: int) -> None:
        rng = np.random.default_rng(7)
        cpu = rng.exponential(10e-6, requests).tolist()
        media = rng.exponential(100e-6, requests).tolist()
        drive = rng.integers(16, size=requests).tolist()
        env = simpy.Environment()
        controller = simpy.Resource(env, 4)
        drives = [simpy.Resource(env, 1) for _ in range(16)]
        latencies: list[float] = []
        rows = iter(range(requests))

        def client():
            for row in rows:
                issued = env.now
                with controller.request() as turn:
                    yield turn
                    yield env.timeout(cpu[row])
                with drives[drive[row]].request() as turn:
                    yield turn
                    yield env.timeout(media[row])
                latencies.append(env.now - issued)

        for _ in range(clients):
            env.process(client())
        env.run()
        assert len(latencies) == requests

    return run


def resource_parity(clients: int) -> Contender:
    """The parity write load in SimPy with a Resource each: two drives read side by side, then the same two written."""

    def run(requests: int) -> None:
        rng = np.random.default_rng(7)
        cpu = rng.exponential(10e-6, requests).tolist()
        media = rng.exponential(100e-6, (requests, 4)).tolist()
        drive = rng.integers(16, size=requests).tolist()
        env = simpy.Environment()
        controller = simpy.Resource(env, 4)
        drives = [simpy.Resource(env, 1) for _ in range(16)]
        latencies: list[float] = []
        rows = iter(range(requests))

        def operation(number: int, work: float):
            with drives[number].request() as turn:
                yield turn
                yield env.timeout(work)

        def client():
            for row in rows:
                issued = env.now
                with controller.request() as turn:
                    yield turn
                    yield env.timeout(cpu[row])
                pair = (drive[row], (drive[row] + 1) % 16)
                for works in (media[row][:2], media[row][2:]):
                    yield env.all_of(
                        [env.process(operation(*each)) for each in zip(pair, works, strict=True)]
                    )
                latencies.append(env.now - issued)

        for _ in range(clients):
            env.process(client())
        env.run()
        assert len(latencies) == requests

    return run


def ciw_tandem(requests: int) -> None:
    """The tandem in Ciw, a general-purpose queueing library."""
    import ciw

    exponential = ciw.dists.Exponential
    network = ciw.create_network(
        arrival_distributions=[exponential(1 / MEAN_GAP), *[None] * (STATIONS - 1)],
        service_distributions=[exponential(1 / MEAN_SERVICE)] * STATIONS,
        routing=np.eye(STATIONS, k=1).tolist(),
        number_of_servers=[1] * STATIONS,
    )
    ciw.seed(7)
    ciw.Simulation(network).simulate_until_max_customers(requests, method="Finish")


def bare_tandem() -> Contender:
    """A compiled event loop for the tandem and nothing else: one heap, four queues, no paths and no records."""
    from numba import njit

    @njit
    def push(time_s, what, size, when, event):
        place = size
        while place > 0:
            parent = (place - 1) >> 1
            if time_s[parent] <= when:
                break
            time_s[place], what[place] = time_s[parent], what[parent]
            place = parent
        time_s[place], what[place] = when, event
        return size + 1

    @njit
    def pop(time_s, what, size):
        size -= 1
        when, event = time_s[size], what[size]
        place = 0
        while True:
            child = 2 * place + 1
            if child >= size:
                break
            if child + 1 < size and time_s[child + 1] < time_s[child]:
                child += 1
            if time_s[child] >= when:
                break
            time_s[place], what[place] = time_s[child], what[child]
            place = child
        time_s[place], what[place] = when, event
        return size

    @njit
    def loop(gaps, services):
        requests, stations = services.shape
        time_s, what = np.empty(64), np.empty(64, np.int64)
        queue = np.empty((stations, requests), np.int64)
        head, tail = np.zeros(stations, np.int64), np.zeros(stations, np.int64)
        size = push(time_s, what, 0, gaps[0], -1)
        arrived, total, now = 0, 0.0, 0.0
        while size > 0:
            now, event = time_s[0], what[0]
            size = pop(time_s, what, size)
            if event < 0:
                station, request = 0, arrived
                arrived += 1
                if arrived < requests:
                    size = push(time_s, what, size, now + gaps[arrived], -1)
            else:
                request = queue[event, head[event]]
                head[event] += 1
                if head[event] < tail[event]:
                    size = push(time_s, what, size, now + services[queue[event, head[event]], event], event)
                station = event + 1
                if station == stations:
                    total += now
                    continue
            queue[station, tail[station]] = request
            tail[station] += 1
            if tail[station] - head[station] == 1:
                size = push(time_s, what, size, now + services[request, station], station)
        return total

    def run(requests: int) -> None:
        rng = np.random.default_rng(7)
        loop(rng.exponential(MEAN_GAP, requests), rng.exponential(MEAN_SERVICE, (requests, STATIONS)))

    return run


def trials(quick: bool) -> list[Trial]:
    """Every contender on every model, with enough requests for a second or so."""
    scale = 10 if quick else 1
    tandem = load(SCENARIOS / "four-stations.toml")
    closed = parse(CLOSED.replace("CLIENTS", "32"))
    found = [
        Trial("tandem of four", "SimPy with Resource", 40_000 // scale, resource_tandem),
        Trial("tandem of four", "Ciw", 4_000 // scale, ciw_tandem),
        Trial("closed, 16 drives", "SimPy with Resource", 60_000 // scale, resource_closed(32)),
        Trial("writes on single parity", "SimPy with Resource", 15_000 // scale, resource_parity(32)),
    ]
    scenarios = {
        "tandem of four": (tandem, 60_000, 2_000_000),
        "closed, 16 drives": (closed, 60_000, 2_000_000),
        "writes on single parity": (parse(PARITY.replace("CLIENTS", "32")), 20_000, 500_000),
        "booking-flash-busy": (load(SCENARIOS / "booking-flash-busy.toml"), 40_000, 1_000_000),
        "booking-spinning": (load(SCENARIOS / "booking-spinning.toml"), 20_000, 500_000),
    }
    for model, (scenario, few, many) in scenarios.items():
        found.append(engine_trial(model, "reference", scenario, few // scale))
        if has_numba():
            found.append(engine_trial(model, "compiled", scenario, many // scale))
    if has_numba():
        found.append(Trial("tandem of four", "bare compiled loop", 4_000_000 // scale, bare_tandem()))
    return found


def has_numba() -> bool:
    return choose_engine("auto", 10**9) == "compiled"


def measured(found: list[Trial], rounds: int) -> pd.DataFrame:
    """Requests per second: the median over rounds in which all trials take their turn."""
    for trial in found:
        trial.run(max(trial.requests // 50, 1000))  # compiles, and warms caches
    rates: dict[tuple[str, str], list[float]] = {}
    for _ in range(rounds):
        for trial in found:
            started = time.perf_counter()
            trial.run(trial.requests)
            rates.setdefault((trial.model, trial.contender), []).append(
                trial.requests / (time.perf_counter() - started)
            )
    rows = [
        {
            "model": trial.model,
            "contender": trial.contender,
            "requests": trial.requests,
            "requests_per_s": statistics.median(rates[trial.model, trial.contender]),
            "slowest": min(rates[trial.model, trial.contender]),
            "fastest": max(rates[trial.model, trial.contender]),
        }
        for trial in found
    ]
    frame = pd.DataFrame(rows).sort_values(["model", "requests_per_s"], ignore_index=True)
    reference = frame[frame.contender == "reference engine"].set_index("model").requests_per_s
    frame["times_reference"] = frame.requests_per_s / frame.model.map(reference)
    return frame


def growth(quick: bool) -> pd.DataFrame:
    """Microseconds a request with the compiled engine, over requests, drives and requests outstanding."""
    engine = "compiled" if has_numba() else "reference"
    requests = 20_000 if quick else 300_000
    counts = [10_000, 100_000] if quick else [10_000, 100_000, 1_000_000, 10_000_000]
    drives = [1, 8, 64, 512]
    outstanding = [1, 16, 256, 4096] if quick else [1, 4, 16, 64, 256, 1024, 4096, 16_384, 65_536]
    tandem = load(SCENARIOS / "four-stations.toml")
    rows = [{"over": "requests", "value": n, "us_a_request": cost(engine, tandem, n)} for n in counts]
    for count in drives:
        text = CLOSED.replace("CLIENTS", str(4 * count)).replace("count = 16", f"count = {count}")
        rows.append({"over": "drives", "value": count, "us_a_request": cost(engine, parse(text), requests)})
    for clients in outstanding:
        scenario = parse(CLOSED.replace("CLIENTS", str(clients)))
        rows.append(
            {"over": "outstanding", "value": clients, "us_a_request": cost(engine, scenario, requests)}
        )
    return pd.DataFrame(rows)


def cost(engine: str, scenario: Scenario, requests: int) -> float:
    trial = engine_trial("", engine, scenario, requests)
    best = float("inf")
    for _ in range(3 if requests < 5_000_000 else 1):
        started = time.perf_counter()
        trial.run(requests)
        best = min(best, time.perf_counter() - started)
    return 1e6 * best / requests


def summaries(quick: bool) -> pd.DataFrame:
    """What the intervals cost: ten million latencies by themselves, and as a share of a run."""
    replications, each = 16, (20_000 if quick else 625_000)
    rng = np.random.default_rng(7)
    samples = [rng.exponential(1e-3, each) for _ in range(replications)]

    def summarised() -> None:
        quantile_spreads(samples, QUANTILES.values())
        mean_sections(samples)
        settled(samples)

    seconds = timed(summarised)
    tracemalloc.start()
    summarised()
    peak_bytes = tracemalloc.get_traced_memory()[1] + sum(sample.nbytes for sample in samples)
    tracemalloc.stop()
    scenario, engine = load(SCENARIOS / "booking-flash-busy.toml"), choose_engine("auto", 10**9)
    requests = 5_000 if quick else 250_000
    replicate(scenario, 7, 0, 1000, engine, 10**6)
    started = time.perf_counter()
    run = [replicate(scenario, 7, number, requests, engine, 10**6) for number in range(4)]
    run_s = time.perf_counter() - started

    def answered() -> None:
        pool = Sample(run)
        for workload in scenario.workload:
            class_result(workload, pool)
            settled([sample.warming_s[workload.name] for sample in pool])

    share = timed(answered) / run_s
    return pd.DataFrame(
        [
            {"what": f"{replications * each:,} latencies summarised, s", "value": seconds},
            {"what": "memory for that, latencies included, MB", "value": peak_bytes / 1e6},
            {"what": "intervals of booking-flash-busy, % of its run", "value": 100 * share},
        ]
    )


def timed(what: Callable[[], None]) -> float:
    """Seconds: the least of three."""
    found = []
    for _ in range(3):
        started = time.perf_counter()
        what()
        found.append(time.perf_counter() - started)
    return min(found)


def picture(frame: pd.DataFrame) -> Figure:
    """Points, not bars: a logarithmic axis has no zero for bars to stand on."""
    models = list(dict.fromkeys(frame.model))
    figure, (axis,) = drawn.panels(1, 1, 0.26 * len(frame) + 0.34 * len(models) + 0.9)
    look = style.line(0)
    place, places, labels = 0.0, [], []
    for model in models:
        drawn.note(
            axis,
            0.0,
            place,
            f" {model}",
            fontweight="bold",
            va="center",
            transform=axis.get_yaxis_transform(),
        )
        place += 1.0
        for row in frame[frame.model == model].iloc[::-1].itertuples():
            around = [[row.requests_per_s - row.slowest], [row.fastest - row.requests_per_s]]
            axis.errorbar(row.requests_per_s, place, xerr=around, fmt="o", color=look.colour, capsize=3)
            drawn.note(
                axis, row.fastest * 1.2, place, f"{float(f'{row.requests_per_s:.3g}'):,.0f}", va="center"
            )
            places.append(place)
            labels.append(row.contender)
            place += 1.0
        place += 0.3
    axis.set_yticks(places, labels)
    axis.set_ylim(place, -1.0)
    axis.set_xlim(frame.slowest.min() / 2, frame.fastest.max() * 8)
    style.log_axis(axis.xaxis)
    axis.grid(axis="y", visible=False)
    axis.set_xlabel("requests per second: median of the rounds (bars: slowest and fastest)")
    return figure


GROWTH = {
    "requests": ("requests in the run", "tandem of four"),
    "drives": ("drives", "four clients a drive, closed"),
    "outstanding": ("requests outstanding", "sixteen drives, closed"),
}


def _short(count: int) -> str:
    """A count with as few digits as tell it: "64", "100 k", "10 M"."""
    return f"{count / 1e6:g} M" if count >= 1e6 else f"{count / 1e3:.0f} k" if count >= 1e4 else f"{count:,}"


def growth_picture(frame: pd.DataFrame) -> Figure:
    figure, axes = drawn.panels(1, 3, 3.4, sharey=True)
    look = style.line(0)
    for axis, (over, part) in zip(axes, frame.groupby("over", sort=False), strict=True):
        said, model = GROWTH[over]
        axis.plot(part.value, part.us_a_request, marker=look.marker, color=look.colour)
        axis.set_ylim(0, 1.08 * frame.us_a_request.max())
        every = part.value if len(part) < 6 else part.value[::2]
        style.power_axis(axis.xaxis, list(every), [_short(value) for value in every])
        axis.set_xlabel(said)
        drawn.title(axis, model)
    axes[0].set_ylabel("microseconds a request")
    return figure


PICTURES = {"": picture, "_growth": growth_picture}


def main() -> None:
    options = arguments(__doc__.splitlines()[0])
    record = Record("speed", options)
    frame = measured(trials(options.quick), rounds=2 if options.quick else 5)
    record.table(frame)
    record.picture(picture(frame))
    grown = growth(options.quick)
    record.table(grown, "growth")
    record.picture(growth_picture(grown), "growth")
    claims = summaries(options.quick)
    record.table(claims, "intervals")
    record.close()
    print(frame.to_string(index=False, float_format=lambda value: f"{value:,.3g}"))
    print(grown.to_string(index=False, float_format=lambda value: f"{value:,.3g}"))
    print(claims.to_string(index=False, float_format=lambda value: f"{value:,.3g}"))
    bare = frame[frame.contender == "bare compiled loop"].requests_per_s
    if len(bare):
        print(
            f"\nThe bare compiled loop carries {bare.iloc[0] / 1e6:.2f} million requests/s through the tandem,"
        )
        print(
            f"{bare.iloc[0] / 4.4e6:.2f} of the machine for which this project states absolute speeds (4.4 million)."
        )


if __name__ == "__main__":
    main()
