"""What does the variability of service do to the tail, the means being the same?

M/G/1 and M/G/8 at utilisation 0.7, service of 1 ms with squared coefficients of variation from 0 to 16: simulated
against Pollaczek-Khinchine (mean), numerical inversion (p99 of one server) and Allen-Cunneen (several servers).
"""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import recorded
from simulated import Runs, by_runs, off, one_station, row
from tailrace import theory
from tailrace.report.pictures import style

LOAD, SERVICE_S = 0.7, 1e-3
SERVERS = (1, 8)


def service(scv: float) -> tuple[str, theory.Law]:
    """A service law of 1 ms and a variability, as the scenario writes it and as the closed forms have it."""
    if scv == 0:
        return '{law = "constant", value = "1 ms"}', theory.Constant(SERVICE_S)
    if scv <= 1:
        return f'{{law = "gamma", mean = "1 ms", scv = {scv}}}', theory.Gamma(SERVICE_S, scv)
    return f'{{law = "hyperexponential", mean = "1 ms", scv = {scv}}}', theory.hyperexponential(
        SERVICE_S, scv
    )


def closed_form(quantity: str, servers: int, rate: float, law: theory.Law) -> tuple[float, str]:
    """Mean or p99 of the latency in seconds, and the method."""
    if servers == 1 and quantity == "mean":
        return float(theory.mg1_response_mean(rate, SERVICE_S, law.scv)), "Pollaczek-Khinchine, exact"
    if servers == 1:
        return theory.mg1_response_quantile(0.99, rate, law), "inversion, exact"
    wait = float(theory.ggc_wait_allen_cunneen(rate, SERVICE_S, 1.0, law.scv, servers))
    if quantity == "mean":
        return wait + SERVICE_S, "Allen-Cunneen"
    probability = float(theory.mmc_wait_probability(rate, 1 / SERVICE_S, servers))
    return theory.sum_quantile(
        0.99, [theory.DelayedResponse(probability, wait, law)]
    ), "Allen-Cunneen, exponential wait"


def measured(runs: Runs) -> pd.DataFrame:
    shapes = (0.0, 1.0, 4.0) if runs.quick else (0.0, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0)
    rows = []
    for servers in SERVERS:
        for scv in shapes:
            text, law = service(scv)
            rate = LOAD * servers / SERVICE_S
            requests = 15_000 if runs.quick else int(60_000 * max(1.0, scv / 2))
            found, _ = runs.figures(one_station(servers, text, rate), requests)
            for quantity in ("mean", "p99"):
                value, method = closed_form(quantity, servers, rate, law)
                rows.append(
                    {
                        "servers": servers,
                        "service_scv": scv,
                        "quantity": quantity,
                        "closed_form_s": value,
                        "method": method,
                    }
                    | row(found["booking"].latency_s[quantity])
                )
    return pd.DataFrame(rows)


def picture(frame: pd.DataFrame) -> Figure:
    figure, axes = drawn.panels(1, 2, 4.4, sharey=True)
    places = {scv: place for place, scv in enumerate(sorted(frame.service_scv.unique()))}
    for axis, (servers, both) in zip(axes, frame.groupby("servers"), strict=True):
        for place, (quantity, part) in enumerate(both.groupby("quantity", sort=False)):
            x = [places[scv] for scv in part.service_scv]
            drawn.compared(axis, x, part.closed_form_s, part, place, quantity, 1e3)
        drawn.title(axis, f"{servers} server{'s' if servers > 1 else ''}, utilisation {LOAD}")
        style.log_axis(axis.yaxis, (1.0, 2.0, 5.0))
        axis.set_xticks(list(places.values()), [f"{scv:g}" for scv in places])
        axis.set_xlabel("squared coefficient of variation of the service")
    axes[0].set_ylabel("latency, ms (mean service 1 ms)")
    drawn.legend(figure, axes[:1], f"{drawn.COMPARED}; exact for one server, Allen-Cunneen for several")
    return figure


def main() -> None:
    frame = recorded("service_shape", __doc__.splitlines()[0], by_runs(measured), picture)
    print(off(frame.simulated, frame.closed_form_s))


if __name__ == "__main__":
    main()
