"""What does it gain to read the least busy copy, over the load, and what does theory say of it?

Servers of one exponential drive, two copies of every piece, reads alone. First copy or any: every server is an
M/M/1, mean and p99. The less busy of two: the mean-field law of Mitzenmacher and of Vvedenskaya, Dobrushin and
Karpelevich, which holds for endlessly many servers; what is left at few is shown beside it, and shrinks as one over
their number.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy.optimize import brentq
from scipy.stats import gamma

import drawn
from record import recorded
from simulated import Runs, by_runs, row
from tailrace import theory
from tailrace.lessons.servers import SERVICE_S, arriving, cluster, station
from tailrace.quantity import QUANTILES
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import parse

COPIES = 2
SERVERS = 40
"""Servers of the curves over the load."""
COUNTS = (4, 10, 20, 40, 100)
AT = 0.9
"""The load at which servers are counted."""
CHOOSES = "least busy"
WAYS = ("first", "any", CHOOSES)
QUANTITIES = ("mean", "p99")


def beyond(load: float, place: int) -> float:
    """Share of servers with at least so many requests, among endlessly many, the less busy of d chosen.

    load^((d^place - 1)/(d - 1)): Mitzenmacher, IEEE Trans. Parallel and Distributed Systems 12(10), 2001; Vvedenskaya,
    Dobrushin and Karpelevich, Problems of Information Transmission 32(1), 1996 (from memory).
    """
    return float(load ** ((COPIES**place - 1) / (COPIES - 1)))


def mean_field_s(quantity: str, load: float) -> float:
    """Mean by their law; a quantile derived from it: who comes at place k stays for k exponential services."""
    places = np.arange(1, 12)
    if quantity == "mean":
        return SERVICE_S * sum(
            load ** ((COPIES**place - COPIES) / (COPIES - 1)) for place in places.astype(float)
        )
    arrives = np.array([beyond(load, k - 1) ** COPIES - beyond(load, k) ** COPIES for k in places])
    tail = 1 - QUANTILES[quantity]
    return float(
        brentq(lambda t: float(arrives @ gamma(places, scale=SERVICE_S).sf(t)) - tail, 0, 1e3 * SERVICE_S)
    )


def closed_form_s(quantity: str, load: float, way: str) -> float:
    """What theory says of a way to read."""
    if way == CHOOSES:
        return mean_field_s(quantity, load)
    rate, service = load / SERVICE_S, 1 / SERVICE_S
    if quantity == "mean":
        return float(theory.mmc_response_mean(rate, service))
    return float(theory.mmc_response_quantile(QUANTILES[quantity], rate, service))


def rows(runs: Runs, way: str, load: float, servers: int, requests: int) -> list[dict[str, object]]:
    """Mean and p99 of reads."""
    scenario = parse(station() + cluster(servers, COPIES, way) + arriving(load * servers / SERVICE_S))
    found, steady = runs.figures(scenario, requests)
    return [
        {"way": way, "load": load, "servers": servers, "quantity": quantity}
        | {"closed_form_s": closed_form_s(quantity, load, way)}
        | row(found["booking"].latency_s[quantity])
        | {"settled": steady, "requests": requests}
        for quantity in QUANTITIES
    ]


def measured(runs: Runs) -> pd.DataFrame:
    loads = (0.5, 0.8) if runs.quick else (0.2, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
    counts = (4, 40) if runs.quick else COUNTS
    found = []
    for way in WAYS:
        for load in loads:
            # Queues that do not choose forget as slowly as one over the square of what is left of the load.
            length = 4000 * (1 if way == CHOOSES else 0.25 / (1 - load))
            requests = 12_000 if runs.quick else int(min(max(length, 6000) / (1 - load), 80_000))
            found += rows(runs, way, load, 10 if runs.quick else SERVERS, requests)
    for servers in counts:
        requests = 12_000 if runs.quick else max(40_000, 500 * servers)
        found += rows(runs, CHOOSES, 0.7 if runs.quick else AT, servers, requests)
    return pd.DataFrame(found).drop_duplicates(["way", "load", "servers", "quantity"])


def counted(frame: pd.DataFrame) -> pd.DataFrame:
    """The rows by the number of servers: those of the one load at which there are several numbers."""
    chosen = frame[frame.way == CHOOSES]
    several = chosen.groupby("load").servers.transform("nunique") > 1
    return chosen[several]


def picture(frame: pd.DataFrame) -> Figure:
    figure, axes = drawn.panels(1, 3, 4.3)
    over = frame[frame.servers == frame[frame.way == "any"].servers.iloc[0]]
    over = over[over.load.isin(frame[frame.way == "any"].load)]
    for axis, quantity in zip(axes, QUANTITIES, strict=False):
        for place, way in enumerate(WAYS):
            part = over[(over.way == way) & (over.quantity == quantity)]
            drawn.compared(axis, 100 * part.load, part.closed_form_s, part, place, f"{way} copy", 1e3)
        drawn.title(axis, f"{quantity}, {int(over.servers.iloc[0])} servers")
        style.log_axis(axis.yaxis, (1.0, 2.0, 5.0))
        axis.set_xlabel("load, %")
    axes[0].set_ylabel("latency, ms (mean service 2 ms)")
    few = counted(frame)
    for place, quantity in enumerate(QUANTITIES, 3):
        part = few[few.quantity == quantity]
        off = part[["simulated", "low", "high"]].div(part.closed_form_s, axis=0).sub(1)
        drawn.marks(axes[2], part.servers, off, place, f"{quantity}, {CHOOSES} copy", factor=100)
    axes[2].axhline(0, color=style.INK, linewidth=0.8)
    style.log_axis(axes[2].xaxis, (1.0, 2.0, 5.0))
    axes[2].set_xlabel("servers")
    axes[2].set_ylabel("above mean field, %")
    drawn.title(axes[2], f"few servers, load {100 * few.load.iloc[0]:.0f} %")
    drawn.legend(figure, [axes[0], axes[2]], f"{drawn.COMPARED}; {drawn.SHORT}")
    return figure


def main() -> None:
    frame = recorded("balance", __doc__.splitlines()[0], by_runs(measured), picture)
    few = counted(frame)
    few = few[few.quantity == "mean"]
    above = few.simulated / few.closed_form_s - 1
    for servers, each in zip(few.servers, above, strict=True):
        print(f"{servers} servers: mean {100 * each:.2f} % above mean field, {each * servers:.2f} / servers")


if __name__ == "__main__":
    main()
