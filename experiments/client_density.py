"""How many client machines does a server carry, by plain division and under a p99 target?

Machines that ask for 500, 1,000 and 2,000 requests a second, on sixty spinning drives and on twelve flash drives. Plain
division takes what the drives can do and nothing else; the simulation knows the whole path and the promise.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import recorded
from studied import FLASH, SPINNING, options, text
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import parse
from tailrace.study.headroom import headroom

RATES = (500.0, 1000.0, 2000.0)
SERVERS = {"60 spinning drives": (SPINNING, 60, "40 ms"), "12 flash drives": (FLASH, 12, "1 ms")}
RULES = {
    "plain": "drives alone, plain division",
    "saturating": "every station, closed form",
    "met": "p99 surely met, simulated",
}


def measured(seed: int, quick: bool) -> pd.DataFrame:
    rows = []
    run = "requests = 8000\nreplications = 8" if quick else "precision = 0.1\nrequests = 200000"
    for name, (server, drives, limit) in SERVERS.items():
        for rate in RATES[-1:] if quick else RATES:
            scenario = parse(text(server, drives, 1, rate, limit, run))
            found = headroom(scenario, "workload.booking.clients", **options(seed, quick))
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


def picture(frame: pd.DataFrame) -> Figure:
    figure, axes = drawn.panels(1, frame.server.nunique(), 4.4)
    for axis, (name, part) in zip(axes, frame.groupby("server", sort=False), strict=True):
        places = np.arange(len(part))
        for place, (rule, said) in enumerate(RULES.items()):
            at = places + 0.29 * (place - 1)
            bars = axis.bar(at, part[rule].fillna(0), 0.27, label=said, **style.bar(place))
            counts = ["none" if pd.isna(each) else f"{each:,.0f}" for each in part[rule]]
            axis.bar_label(bars, counts, fontsize=style.SMALL_PT["wide"], padding=2, rotation=90)
        axis.set_xticks(places, [f"{rate:,.0f}" for rate in part.rate_per_client_per_s])
        axis.set_xlabel("requests/s of each client machine")
        drawn.title(axis, f"{name}, p99 at most {part.limit.iloc[0]}")
        axis.margins(y=0.18)
        style.plain_axis(axis.yaxis)
    axes[0].set_ylabel("client machines")
    drawn.legend(figure, axes, "")
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
