"""What does a write cost on one, two and three copies, answered when so many of them have it?

Six servers. Where each is one exponential drive the client sends to all copies: at light load a write takes as
long as the k-th of n exponential services, H(n) - H(n-k) of them in the mean. Real ones have ports, processors and
flash drives, and the first one passes copies on: small and large writes, mean and p99. The load is that of one copy of
everything, so that n copies saturate at a share 1/n of it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy.optimize import brentq
from scipy.stats import binom

import drawn
from record import recorded
from simulated import Runs, by_runs, row
from tailrace.forecast.saturation import offered_load
from tailrace.lessons.servers import SERVICE_S, arriving, station
from tailrace.quantity import QUANTILES
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import parse

SERVERS = 6
COPIES = ((1, 1), (1, 2), (2, 2), (1, 3), (2, 3), (3, 3))
"""How many copies must have a write, of how many."""
QUANTITIES = ("mean", "p99")
LIGHT = 0.002
"""The load at which nearly nobody waits."""
PARTS = """
[server.network]
rate = "25 Gbit/s"
round_trip = "60 us"
[server.controller]
cores = 2
per_request = "7 us"
per_completion = "2 us"
per_disk_operation = "1 us"
copy_rate = "8 GB/s"
[server.lanes]
pcie_generation = 4
width = 4
[server.media]
kind = "flash"
count = 2
capacity = "3.84 TB"
dies = 16
channels = 8
channel_rate = "1.2 GB/s"
cell_read = "65 us"
cell_program = "700 us"
cell_erase = "5 ms"
write_amplification = 1.5
command_rate = "500000 /s"
"""
CLUSTER = """
[cluster]
servers = SERVERS
copies = COPIES
done_after = NEEDED
copied_by = "BY"
"""
SIZES = {"exponential drive": "8 KiB", "writes of 8 KiB": "8 KiB", "writes of 128 KiB": "128 KiB"}
BY = {"exponential drive": "client", "writes of 8 KiB": "server", "writes of 128 KiB": "server"}


def scenario(part: str, needed: int, copies: int, rate_per_s: float) -> str:
    """The writes of a part, as TOML."""
    words = {"SERVERS": SERVERS, "COPIES": copies, "NEEDED": needed, "BY": BY[part]}
    text = CLUSTER
    for word, value in words.items():
        text = text.replace(word, str(value))
    server = station() if part == "exponential drive" else PARTS
    return server + text + arriving(rate_per_s).replace("8 KiB", SIZES[part]) + "read_share = 0.0\n"


def carrying(text: str) -> float:
    """Requests a second at which a scenario that asks for 1,000 of them saturates."""
    binding = offered_load(parse(text), 7).binding
    assert binding is not None
    return 1000.0 * binding.load_factor


def idle_s(quantity: str, needed: int, copies: int) -> float:
    """The k-th smallest of n exponential services.

    Mean: H(n) - H(n-k) of them (David and Nagaraja, Order Statistics, 3rd ed. 2003, section 2.5, from memory). A
    quantile: at least k of n are over, a binomial number of them.
    """
    if quantity == "mean":
        return SERVICE_S * sum(1 / each for each in range(copies - needed + 1, copies + 1))

    def above(t: float) -> float:
        over = -np.expm1(-t / SERVICE_S)
        return float(binom(copies, over).sf(needed - 1)) - QUANTILES[quantity]

    return float(brentq(above, 0, 100 * SERVICE_S))


def measured(runs: Runs) -> pd.DataFrame:
    loads = (LIGHT, 0.2) if runs.quick else (LIGHT, 0.1, 0.2, 0.3, 0.45, 0.6, 0.8)
    kinds = ((1, 1), (2, 3), (3, 3)) if runs.quick else COPIES
    found = []
    for part in list(SIZES)[: 2 if runs.quick else 3]:
        carried = carrying(scenario(part, 1, 1, 1000.0))
        for needed, copies in kinds:
            for load in (each for each in loads if each * copies < 0.95):
                requests = 5000 if runs.quick else int(min(8000 / (1 - load * copies), 40_000))
                if part == "writes of 128 KiB":
                    requests = 6000  # dozens of pages each, on every copy
                each, steady = runs.figures(parse(scenario(part, needed, copies, load * carried)), requests)
                found += [
                    {"part": part, "done_after": needed, "copies": copies, "load": load}
                    | {"rate_per_s": load * carried, "quantity": quantity}
                    | {"idle_s": idle_s(quantity, needed, copies) if part == "exponential drive" else np.nan}
                    | row(each["booking"].latency_s[quantity])
                    | {"settled": steady, "requests": requests}
                    for quantity in QUANTITIES
                ]
    return pd.DataFrame(found)


def picture(frame: pd.DataFrame) -> Figure:
    parts = list(frame.part.unique())
    figure, axes = drawn.panels(len(QUANTITIES), len(parts), 7.2, sharex=True)
    for row_of, quantity in enumerate(QUANTITIES):
        for column, part in enumerate(parts):
            axis = axes[row_of * len(parts) + column]
            shown = frame[(frame.part == part) & (frame.quantity == quantity)]
            for (needed, copies), each in shown.groupby(["done_after", "copies"]):
                place = COPIES.index((needed, copies))
                drawn.marks(
                    axis, 100 * each.load, each, place, f"{needed} of {copies}", factor=1e3, joined=True
                )
                idle = 1e3 * each.idle_s.iloc[0]
                if np.isfinite(idle):
                    drawn.line(axis, [0, 12], [idle, idle], place)
            if row_of == 0:
                drawn.title(axis, part)
            else:
                axis.set_xlabel("load of one copy, %")
            style.log_axis(axis.yaxis, (1.0, 2.0, 5.0))
        axes[row_of * len(parts)].set_ylabel(f"{quantity}, ms")
    said = f"short lines: k-th of n exponential times; marks: simulated; {drawn.BARS}"
    drawn.legend(figure, axes[:1], said)
    return figure


def main() -> None:
    frame = recorded("copies", __doc__.splitlines()[0], by_runs(measured), picture)
    light = frame[(frame.part == "exponential drive") & (frame.load == LIGHT)]
    apart = 100 * (light.simulated / light.idle_s - 1)
    print(f"At {100 * LIGHT:.1f} % load: {apart.min():.1f} to {apart.max():.1f} % off order statistics")


if __name__ == "__main__":
    main()
