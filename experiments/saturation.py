"""Where does a path of four stages bend, and how far does theory carry?

The same server twice, driven from 5 % to 105 % of saturation: with exponential stages, where Jackson's theorem is
exact, and as it really is (constant transfers, shared links, dies that are held), where closed forms approximate.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import SCENARIOS, recorded
from simulated import Runs, by_runs, off, row
from tailrace.answer.figures import figures
from tailrace.answer.sample import Sample
from tailrace.forecast.estimate import estimate
from tailrace.measure.backlog import backlog_growth
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import load, parse
from tailrace.scenario.tables.scenario import Scenario

EXPONENTIAL = """
[server.network]
service = {law = "exponential", mean = "4 us"}
[server.controller]
service = {law = "exponential", mean = "16 us"}
servers = 4
[server.lanes]
service = {law = "exponential", mean = "2.5 us"}
[server.media]
kind = "generic"
count = 8
service = {law = "exponential", mean = "40 us"}
[[workload]]
name = "booking"
rate = "200000 /s"
request_size = "8 KiB"
"""

KNEE = 2.0
"""A mean latency of this many times that of the idle server is called the knee."""

STAGES = {
    "exponential": "exponential stages",
    "real": "real stages of twelve flash drives",
}


def stages() -> dict[str, Scenario]:
    """Both servers, at a load that binds at factor 1 / saturation."""
    return {
        "exponential": parse(EXPONENTIAL),
        "real": load(SCENARIOS / "booking-flash-busy.toml", ["workload.booking.rate=3750 /s"]),
    }


def at_load(scenario: Scenario, factor: float) -> Scenario:
    return scenario.model_copy(update={"load": factor})


def measured(runs: Runs) -> pd.DataFrame:
    shares = (0.3, 0.8, 1.05) if runs.quick else (0.05, 0.15, 0.3, 0.45, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 1.05)
    rows = []
    for name, scenario in stages().items():
        requests = {"exponential": 8_000, "real": 25_000}[name] if runs.quick else 150_000
        binding = saturation_factor(name, scenario)
        idle = estimate(at_load(scenario, 1e-3 * binding)).classes["booking"]
        for share in shares:
            loaded = at_load(scenario, share * binding)
            theory = estimate(loaded).classes.get("booking")
            samples = runs.samples(loaded, requests)
            backlog = backlog_growth([each.arrived for each in samples], [each.under_way for each in samples])
            found = figures(loaded.workload[0].name, "all", Sample(samples))
            for quantity in ("mean", "p99"):
                value = None if theory is None else theory.mean_s if quantity == "mean" else theory.p99_s
                known = {"simulated": None, "low": None, "high": None}
                if not backlog.overloaded:
                    known = row(found.latency_s[quantity])
                rows.append(
                    {"stages": name, "share_of_saturation": share, "quantity": quantity}
                    | {"rate_per_s": share * binding * rate_per_s(scenario), "closed_form_s": value}
                    | {"idle_s": idle.mean_s if quantity == "mean" else None}
                    | known
                    | {"overloaded": backlog.overloaded}
                )
    return pd.DataFrame(rows)


def saturation_factor(name: str, scenario: Scenario) -> float:
    """By how much the load can grow: from the laws themselves where they are given, else by the demands of the plan."""
    if name == "exponential":
        return min(1 / 4e-6, 4 / 16e-6, 1 / 2.5e-6, 8 / 40e-6) / rate_per_s(scenario)
    saturation = estimate(scenario).saturation
    assert saturation is not None
    return saturation.load_factor


def rate_per_s(scenario: Scenario) -> float:
    return (scenario.workload[0].rate or 0.0) * scenario.workload[0].clients


def knee(frame: pd.DataFrame, stages: str) -> float:
    """Share of saturation at which the mean by closed form is KNEE times that of the idle server; NaN if none is."""
    part = frame[(frame.stages == stages) & (frame.quantity == "mean")].dropna(subset=["closed_form_s"])
    times = (part.closed_form_s / part.idle_s).astype(float)
    return float(np.interp(KNEE, times, part.share_of_saturation, right=np.nan))


def picture(frame: pd.DataFrame) -> Figure:
    figure, axes = drawn.panels(1, 2, 4.8, sharey=True)
    for axis, (name, both) in zip(axes, frame.groupby("stages", sort=False), strict=True):
        for place, (quantity, part) in enumerate(both.groupby("quantity", sort=False)):
            x = 100 * part.share_of_saturation
            drawn.compared(axis, x, part.closed_form_s, part, place, quantity, 1e3)
        axis.axvspan(100, 108, color=style.GRID, label="overloaded")
        idle = both.idle_s.astype(float).max() * 1e3
        drawn.bound(axis, [0, 108], [idle, idle], "mean of an idle server (bound)")
        bend = knee(frame, name)
        if not np.isnan(bend):
            said = f"knee: mean {KNEE:g} times the bound"
            axis.axvline(100 * bend, color=style.FAINT, linestyle=style.DASHES[1], linewidth=1.2, label=said)
        drawn.title(axis, STAGES[name])
        unpromised = both[
            (both.quantity == "p99") & both.closed_form_s.isna() & (both.share_of_saturation < 1)
        ]
        if len(unpromised):
            from_load = 100 * unpromised.share_of_saturation.min()
            said = f"from {from_load:.0f} % no p99 by closed form:\nlinks that share promise means only"
            drawn.note(axis, 3, 1.25, said)  # above the marks, and before the knee
        axis.set_xlim(0, 108)
        style.log_axis(axis.yaxis, (1.0, 2.0, 5.0))
        axis.set_xlabel("load, % of saturation")
    axes[0].set_ylabel("latency, ms")
    drawn.legend(figure, axes)
    return figure


def main() -> None:
    frame = recorded("saturation", __doc__.splitlines()[0], by_runs(measured), picture)
    print(off(frame.simulated, frame.closed_form_s))


if __name__ == "__main__":
    main()
