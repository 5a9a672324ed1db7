"""How far do simulated quantiles of M/M/c lie from the exact ones, from light load to heavy?

p50 to p99.9 at c = 1, 2, 4, 16 and 64 servers and utilisation 0.3 to 0.98, each with its 95 % interval. Runs at 0.98
are marked where the transient is not shorter than the warm-up.
"""

from __future__ import annotations

import matplotlib.pyplot as plt
import pandas as pd

from record import Record, arguments
from simulated import (
    COLOURS,
    Runs,
    intervals,
    label,
    legend_above,
    levels,
    one_station,
    plain_log,
    row,
    scaled,
)
from tailrace.theory import mmc_response_quantile

SERVICE_S = 1e-3
QUANTILES = ("p50", "p90", "p99", "p999")


def measured(runs: Runs) -> pd.DataFrame:
    servers = (1, 4) if runs.quick else (1, 2, 4, 16, 64)
    loads = (0.5, 0.8) if runs.quick else (0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98)
    rows = []
    for c in servers:
        for load in loads:
            rate = load * c / SERVICE_S
            requests = 12_000 if runs.quick else int(min(100_000 * max(1.0, 0.1 / (1 - load)), 400_000))
            found, steady = runs.figures(
                one_station(c, '{law = "exponential", mean = "1 ms"}', rate), requests
            )
            for name, level in levels(QUANTILES).items():
                exact = float(mmc_response_quantile(level, rate, 1 / SERVICE_S, c))
                estimate = found["booking"].latency_s[name]
                rows.append(
                    {"servers": c, "utilisation": load, "quantity": name, "exact_s": exact}
                    | row(estimate)
                    | {"settled": steady, "requests": estimate.n}
                )
    return pd.DataFrame(rows)


def picture(frame: pd.DataFrame) -> plt.Figure:
    servers = frame.servers.unique()
    figure, axes = plt.subplots(
        2, len(servers), figsize=(2.9 * len(servers) + 0.8, 6.4), sharey="row", sharex=True
    )
    for column, c in enumerate(servers):
        above, below = axes[0][column], axes[1][column]
        for colour, (name, part) in zip(
            COLOURS, frame[frame.servers == c].groupby("quantity", sort=False), strict=False
        ):
            records = part.to_dict("records")
            above.plot(
                part.utilisation,
                part.exact_s * 1e3,
                color=colour,
                linewidth=1.2,
                label=f"{label(name)}, exact",
            )
            intervals(above, list(part.utilisation), scaled(part, 1e3), colour, linestyle="none")
            relative = [
                {
                    k: None if pd.isna(r[k]) else 100 * (r[k] / r["exact_s"] - 1)
                    for k in ("simulated", "low", "high")
                }
                for r in records
            ]
            shift = (list(QUANTILES).index(name) - 1.5) * 0.008
            intervals(below, part.utilisation + shift, relative, colour)
            for at, each, steady in zip(part.utilisation + shift, relative, part.settled, strict=True):
                if not steady and each["simulated"] is not None:
                    below.plot(at, each["simulated"], "x", color="black", markersize=8, zorder=5)
        above.set_title(f"{c} server{'s' if c > 1 else ''}", fontsize=11)
        above.set_yscale("log")
        above.grid(alpha=0.3)
        below.axhline(0, color="black", linewidth=0.8)
        below.grid(alpha=0.3)
        below.set_xlabel("utilisation")
    plain_log(axes[0][0].yaxis)
    if not frame.settled.all():
        below.plot([], [], "x", color="black", markersize=8, label="not settled")
    if frame.simulated.isna().any():
        below.plot([], [], " ", label="(no point: runs too short for it)")
    axes[0][0].set_ylabel("latency, ms (service 1 ms)")
    axes[1][0].set_ylabel("simulated − exact, % of exact\n(bars: 95 % intervals)")
    legend_above(figure, axes.flat, 5, 0.05)
    return figure


def main() -> None:
    options = arguments(__doc__.splitlines()[0])
    record = Record("mmc_tail", options)
    with Runs(options.seed, options.quick) as runs:
        frame = measured(runs)
    record.table(frame)
    record.picture(picture(frame))
    record.close()
    known = frame.dropna(subset=["low"])
    inside = ((known.low <= known.exact_s) & (known.exact_s <= known.high)).mean()
    print(
        f"{len(known)} quantiles with an interval; it holds the exact value in {100 * inside:.1f} % of them."
    )


if __name__ == "__main__":
    main()
