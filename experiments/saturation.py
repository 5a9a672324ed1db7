"""Where does a path of four stages bend, and how far does theory carry?

The same server twice, driven from 5 % to 105 % of saturation: with exponential stages, where Jackson's theorem is
exact, and as it really is (constant transfers, shared links, dies that are held), where closed forms approximate.
"""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd

from record import SCENARIOS, Record, arguments
from simulated import COLOURS, Runs, intervals, legend_above, plain_log, row, scaled
from tailrace.measure.backlog import backlog_growth
from tailrace.scenario.read import load, parse
from tailrace.scenario.scenario import Scenario
from tailrace.study.estimate import estimate
from tailrace.study.summary import figures

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
    "real": "real stages: twelve flash drives, reads and writes",
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
            found = figures(loaded.workload[0], "all", samples)
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


def picture(frame: pd.DataFrame) -> plt.Figure:
    figure, axes = plt.subplots(1, 2, figsize=(10.4, 4.6), sharey=True)
    for axis, (name, both) in zip(axes, frame.groupby("stages", sort=False), strict=True):
        for colour, (quantity, part) in zip(COLOURS, both.groupby("quantity", sort=False), strict=False):
            x = 100 * part.share_of_saturation
            axis.plot(
                x, part.closed_form_s.astype(float) * 1e3, color=colour, label=f"{quantity}, closed form"
            )
            intervals(
                axis,
                list(x),
                scaled(part, 1e3),
                colour,
                linestyle="none",
                label=f"{quantity}, simulated (95 % intervals)",
            )
        axis.axvline(100, color="black", linewidth=1.2)
        axis.axvspan(100, 108, color="#cccccc", alpha=0.6, label="overloaded")
        idle = both.idle_s.astype(float).max() * 1e3
        axis.axhline(idle, color="#777777", linestyle=":", label="mean of an idle server (bound)")
        bend = knee(frame, name)
        if not np.isnan(bend):
            axis.axvline(
                100 * bend, color="#777777", linestyle="--", label=f"knee: mean {KNEE:g} times the bound"
            )
        axis.set_title(STAGES[name], fontsize=11)
        unpromised = both[
            (both.quantity == "p99") & both.closed_form_s.isna() & (both.share_of_saturation < 1)
        ]
        if len(unpromised):
            at = 100 * unpromised.share_of_saturation.min()
            axis.text(
                at, 1.25, "no p99 by closed form: links that share\nthe load promise means only", fontsize=9
            )
        axis.set_xlim(0, 108)
        axis.set_yscale("log")
        axis.set_xlabel("load, % of saturation")
        axis.grid(alpha=0.3)
    plain_log(axes[0].yaxis)
    axes[0].set_ylabel("latency, ms")
    legend_above(figure, axes, 4, 0.13)
    return figure


def main() -> None:
    options = arguments(__doc__.splitlines()[0])
    record = Record("saturation", options)
    with Runs(options.seed, options.quick) as runs:
        frame = measured(runs)
    record.table(frame)
    record.picture(picture(frame))
    record.close()
    frame["off_percent"] = 100 * (frame.simulated.astype(float) / frame.closed_form_s.astype(float) - 1)
    print(frame.to_string(index=False, float_format=lambda value: f"{value:.4g}"))


if __name__ == "__main__":
    main()
