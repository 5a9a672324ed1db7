"""How long does a request take whose parts lie on n drives, at light load and at heavy?

Poisson arrivals, a part of each request on every drive, exponential services of 2 ms: the simulated mean against the
formula of Nelson and Tantawi (exact for one and two drives: Flatto and Hahn) and against the harmonic number H(n) of
services that an idle server needs, median and p99 against those of independent parts, which are upper bounds.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import recorded
from simulated import Runs, by_runs, row
from tailrace import theory
from tailrace.lessons.fan_out.run import UNIT_KIB
from tailrace.lessons.servers import SERVICE_S, station
from tailrace.quantity import QUANTILES
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import parse
from tailrace.scenario.tables.scenario import Scenario

CLASS = """
[[workload]]
name = "booking"
rate = "RATE /s"
request_size = "SIZE KiB"
"""


def scenario(drives: int, load: float) -> Scenario:
    text = CLASS.replace("RATE", repr(load / SERVICE_S)).replace("SIZE", str(UNIT_KIB * drives))
    return parse(station(drives) + text)


def closed_form(quantity: str, drives: int, load: float) -> tuple[float, str]:
    """Seconds, and how good they are."""
    rate, service = load / SERVICE_S, 1 / SERVICE_S
    if quantity == "mean":
        method = "exact" if drives <= 2 else "Nelson-Tantawi"
        return float(theory.fork_join_response_mean(drives, rate, service)), method
    bound = theory.fork_join_response_quantile_bound(QUANTILES[quantity], drives, rate, service)
    return float(bound), "exact" if drives == 1 else "upper bound"


def measured(runs: Runs) -> pd.DataFrame:
    counts = (1, 2, 8) if runs.quick else (1, 2, 4, 16)
    loads = (0.05, 0.6) if runs.quick else (0.01, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85)
    rows = []
    for drives in counts:
        idle_s = float(theory.maximum_mean_exponential(drives, SERVICE_S))
        for load in loads:
            requests = 8000 if runs.quick else int(min(10_000 / (1 - load) ** 1.5, 60_000))
            found, _ = runs.figures(scenario(drives, load), requests)
            for quantity in ("mean", "p50", "p99"):
                value, method = closed_form(quantity, drives, load)
                rows.append(
                    {"drives": drives, "load": load, "quantity": quantity}
                    | {"closed_form_s": value, "method": method}
                    | {"idle_s": idle_s if quantity == "mean" else np.nan}
                    | row(found["booking"].latency_s[quantity])
                )
    return pd.DataFrame(rows)


TITLES = {"mean": "mean", "p50": "median", "p99": "p99"}


def picture(frame: pd.DataFrame) -> Figure:
    figure, axes = drawn.panels(1, 3, 4.3, sharey=True)
    for axis, (quantity, name) in zip(axes, TITLES.items(), strict=True):
        shown = frame[frame.quantity == quantity]
        for place, (drives, part) in enumerate(shown.groupby("drives")):
            word = f"{drives} drive{'s' if drives > 1 else ''}"
            drawn.compared(axis, 100 * part.load, part.closed_form_s, part, place, word, 1e3)
        known = "exact to 2 drives" if quantity == "mean" else "upper bounds"
        drawn.title(axis, f"{name} ({known})")
        style.log_axis(axis.yaxis, (1.0, 2.0, 5.0))
        axis.set_xlabel("load of each drive, %")
    axes[0].set_ylabel("latency, ms")
    drawn.legend(figure, axes[:1], f"{drawn.COMPARED}; {drawn.SHORT}")
    return figure


def main() -> None:
    recorded("fan_out", __doc__.splitlines()[0], by_runs(measured), picture)


if __name__ == "__main__":
    main()
