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
from tailrace import theory
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import parse
from tailrace.scenario.tables.scenario import Scenario

RATE_BYTES_PER_S = 10e9 / 8
SMALL_BYTES, LARGE_BYTES = 8 * 1024, 1024 * 1024
SMALL_LOAD = 0.05

THEORY = {"fcfs": "M/G/1", "ps": "M/G/1-PS"}

LINK = """
[server.network]
rate = "10 Gbit/s"
frame_overhead = "0 B"
message_payload = "1 B"
discipline = "DISCIPLINE"
transfer_piece = "1 MiB"
[server.media]
kind = "generic"
discipline = "delay"
service = {law = "constant", value = "1 us"}
[[workload]]
name = "booking"
rate = "SMALL /s"
request_size = "8 KiB"
[[workload]]
name = "manifests"
rate = "LARGE /s"
request_size = "1 MiB"
pattern = "sequential"
[server.layout]
stripe_unit = "1 MiB"
"""


def scenario(discipline: str, rates: tuple[float, float]) -> Scenario:
    text = LINK.replace("DISCIPLINE", discipline)
    return parse(text.replace("SMALL", repr(rates[0])).replace("LARGE", repr(rates[1])))


def closed_forms(discipline: str, rates: tuple[float, float]) -> dict[str, float]:
    """Mean and, in order of arrival, p99 of the small requests in seconds; the rest of the path is a constant."""
    own, other = SMALL_BYTES / RATE_BYTES_PER_S, LARGE_BYTES / RATE_BYTES_PER_S
    both = sum(rates)
    weights = (rates[0] / both, rates[1] / both)
    law = theory.Mixture(weights, (theory.Constant(own), theory.Constant(other)))
    rest = 1e-6 + 1 / RATE_BYTES_PER_S  # the medium, and the request's header of 1 byte
    if discipline == "ps":
        return {"mean": rest + float(theory.sharing_response_mean_of_size(own, both, law.mean_s))}
    wait = float(theory.mg1_wait_mean(both, law.mean_s, law.scv))
    return {"mean": rest + own + wait, "p99": rest + own + theory.mg1_wait_quantile(0.99, both, law)}


def measured(runs: Runs) -> pd.DataFrame:
    loads = (0.3, 0.6) if runs.quick else (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85)
    requests = 30_000 if runs.quick else 250_000
    rows = []
    for discipline in ("fcfs", "ps"):
        for load in loads:
            rates = (
                SMALL_LOAD * RATE_BYTES_PER_S / SMALL_BYTES,
                load * RATE_BYTES_PER_S / LARGE_BYTES,
            )
            found, _ = runs.figures(scenario(discipline, rates), requests)
            known = closed_forms(discipline, rates)
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
