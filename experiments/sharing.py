"""What does large sequential traffic do to small requests on one link, in order of arrival and shared?

One link of 10 Gbit/s. Small requests of 8 KiB keep to 5 % of it, large ones of 1 MiB fill more and more: simulated
mean and p99 of the small ones against M/G/1 (order of arrival) and M/G/1 with processor sharing (means only).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import recorded
from simulated import Runs, by_runs, label, row
from tailrace.lessons.sharing.run import exact_p99_s, exact_s, link
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import parse


def closed_forms(discipline: str, load: float) -> dict[str, float]:
    """Mean and, in order of arrival, p99 of the small requests in seconds."""
    known = {"mean": exact_s(discipline, load)}
    return known | ({"p99": exact_p99_s(load)} if discipline == "fcfs" else {})


def measured(runs: Runs) -> pd.DataFrame:
    loads = (0.3, 0.6) if runs.quick else (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85)
    requests = 30_000 if runs.quick else 250_000
    rows = []
    for discipline in ("fcfs", "ps"):
        for load in loads:
            found, _ = runs.figures(parse(link(discipline, load)), requests)
            known = closed_forms(discipline, load)
            rows += [
                {
                    "discipline": discipline,
                    "large_load": load,
                    "quantity": quantity,
                    "closed_form_s": known.get(quantity, np.nan),
                }
                | row(found["booking"].latency_s[quantity])
                for quantity in ("mean", "p99")
            ]
    return pd.DataFrame(rows)


def picture(frame: pd.DataFrame) -> Figure:
    figure, axes = drawn.panels(1, 2, 4.2, sharey=True)
    names = {"fcfs": "order of arrival (M/G/1)", "ps": "processor sharing (M/G/1-PS)"}
    for axis, (quantity, both) in zip(axes, frame.groupby("quantity", sort=False), strict=True):
        for place, (discipline, part) in enumerate(both.groupby("discipline", sort=False)):
            x = 100 * part.large_load
            drawn.compared(axis, x, part.closed_form_s, part, place, names[discipline], 1e6)
        drawn.title(axis, f"{label(quantity)} of the small requests")
        style.log_axis(axis.yaxis)
        axis.set_xlabel("load of the large requests on the link, %")
    axes[0].set_ylabel("latency, us")
    drawn.legend(figure, axes[:1], f"{drawn.COMPARED}; dots join marks without one\n{drawn.SHORT}")
    return figure


def main() -> None:
    recorded("sharing", __doc__.splitlines()[0], by_runs(measured), picture)


if __name__ == "__main__":
    main()
