"""How many client machines does a server carry, by plain division and under a p99 target?

Machines that ask for 500, 1,000 and 2,000 requests a second, on sixty spinning drives and on twelve flash drives. Plain
division takes what the drives can do and nothing else; the simulation knows the whole path and the promise.
"""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd

from record import recorded
from studied import FLASH, SPINNING, options, text
from tailrace.scenario.read import parse
from tailrace.study.headroom import find_headroom

RATES = (500.0, 1000.0, 2000.0)
SERVERS = {"60 spinning drives": (SPINNING, 60, "40 ms"), "12 flash drives": (FLASH, 12, "1 ms")}
RULES = {
    "plain": ("drives alone, plain division", "#bbbbbb"),
    "saturating": ("every station, closed form", "#4477aa"),
    "met": ("p99 surely met, simulated", "#228833"),
}


def measured(seed: int, quick: bool) -> pd.DataFrame:
    rows = []
    run = "requests = 8000\nreplications = 8" if quick else "precision = 0.1\nrequests = 200000"
    for name, (server, drives, limit) in SERVERS.items():
        for rate in RATES[-1:] if quick else RATES:
            scenario = parse(text(server, drives, 1, rate, limit, run))
            found = find_headroom(scenario, "workload.booking.clients", options=options(seed, quick))
            rows.append(
                {
                    "server": name,
                    "limit": limit,
                    "rate_per_client_per_s": rate,
                    "plain": found.plain,
                    "saturating": found.saturating,
                    "met": found.met,
                    "missed": found.missed,
                    "requests": found.requests,
                }
            )
    return pd.DataFrame(rows)


def picture(frame: pd.DataFrame) -> plt.Figure:
    figure, panels = plt.subplots(1, len(SERVERS), figsize=(10.4, 4.6))
    for axes, (name, part) in zip(panels, frame.groupby("server", sort=False), strict=True):
        places = np.arange(len(part))
        for offset, (rule, (label, colour)) in enumerate(RULES.items()):
            heights = part[rule].fillna(0)
            bars = axes.bar(places + 0.27 * (offset - 1), heights, 0.25, color=colour, label=label)
            known = part[rule].notna()
            labels = [f"{each:,.0f}" if one else "none" for each, one in zip(heights, known, strict=True)]
            axes.bar_label(bars, labels, fontsize=8)
        axes.set_xticks(places, [f"{rate:,.0f}" for rate in part.rate_per_client_per_s])
        axes.set_xlabel("requests/s of each client machine")
        axes.set_ylabel("client machines")
        axes.set_title(f"{name}, p99 at most {part.limit.iloc[0]}", fontsize=11)
        axes.margins(y=0.12)
    handles, names = panels[0].get_legend_handles_labels()
    figure.legend(handles, names, loc="upper center", ncols=3, frameon=False)
    figure.tight_layout(rect=(0, 0, 1, 0.92))
    return figure


def main() -> None:
    recorded(
        "client_density",
        __doc__.splitlines()[0],
        lambda chosen: measured(chosen.seed, chosen.quick),
        picture,
        None,
    )


if __name__ == "__main__":
    main()
