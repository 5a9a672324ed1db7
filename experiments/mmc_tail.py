"""How far do simulated quantiles of M/M/c lie from the exact ones, from light load to heavy?

p50 to p99.9 at c = 1, 2, 4, 16 and 64 servers and utilisation 0.3 to 0.98, each with its 95 % interval. Runs at 0.98
are marked where the transient is not shorter than the warm-up.
"""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import recorded
from simulated import Runs, by_runs, label, levels, one_station, row
from tailrace.report.pictures import style
from tailrace.theory import mmc_response_quantile

SERVICE_S = 1e-3
QUANTILES = ("p50", "p90", "p99", "p999")
SHOWN = (1, 4, 64)
"""Servers that the picture shows; the table has all."""


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


def picture(frame: pd.DataFrame) -> Figure:
    counts = [c for c in SHOWN if c in set(frame.servers)]
    figure, axes = drawn.panels(2, len(counts), 6.6, sharey="row", sharex=True)
    for column, c in enumerate(counts):
        above, below = axes[column], axes[len(counts) + column]
        for place, (name, part) in enumerate(frame[frame.servers == c].groupby("quantity", sort=False)):
            drawn.compared(above, part.utilisation, part.exact_s, part, place, label(name), 1e3)
            relative = part[["simulated", "low", "high"]].div(part.exact_s, axis=0).sub(1)
            shifted = part.utilisation + (place - 1.5) * 0.012
            drawn.marks(below, shifted, relative, place, factor=100)
            unsettled = ~part.settled.astype(bool) & relative.simulated.notna()
            if unsettled.any():
                x, y = shifted[unsettled], 100 * relative.simulated[unsettled]
                below.plot(x, y, "x", color=style.INK, markersize=8, zorder=5, label="not settled")
        drawn.title(above, f"{c} server{'s' if c > 1 else ''}")
        style.log_axis(above.yaxis, (1.0, 2.0, 5.0))
        below.axhline(0, color=style.INK, linewidth=0.8)
        below.set_xlabel("utilisation")
    axes[0].set_ylabel("latency, ms (mean service 1 ms)")
    axes[len(counts)].set_ylabel("simulated less exact, % of exact")
    drawn.legend(figure, axes, f"{drawn.COMPARED}; {drawn.SHORT}")
    return figure


def main() -> None:
    frame = recorded("mmc_tail", __doc__.splitlines()[0], by_runs(measured), picture)
    known = frame.dropna(subset=["low"])
    inside = ((known.low <= known.exact_s) & (known.exact_s <= known.high)).mean()
    print(
        f"{len(known)} quantiles with an interval; it holds the exact value in {100 * inside:.1f} % of them."
    )


if __name__ == "__main__":
    main()
