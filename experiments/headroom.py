"""Does the bracket of a headroom search hold what a brute-force search finds, and at what share of its requests?

Twenty scenarios: one to eight servers with several laws, tandems, a closed class and real drives, with targets on mean,
p95 and p99. Brute force tries 64 values up to saturation, each with the same effort, and its value is where the figure
that it found crosses the limit. Its runs have another seed.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import recorded
from studied import FLASH, SPINNING, options, text
from tailrace.answer.answers import answered
from tailrace.answer.pilot import ANSWER, lengths
from tailrace.report.pictures import style
from tailrace.scenario.reading.dial import Dial
from tailrace.scenario.reading.read import parse
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.headroom import headroom
from tailrace.study.session import How, Session

VALUES = 64
STATION = """
[server.media]
kind = "generic"
servers = SERVERS
discipline = "DISCIPLINE"
service = SERVICE
"""
TANDEM = """
[server.network]
service = {law = "exponential", mean = "0.4 ms"}
[server.controller]
service = {law = "exponential", mean = "0.8 ms"}
servers = 2
"""
OPEN = """
[[workload]]
name = "booking"
rate = "RATE /s"
request_size = "8 KiB"
ARRIVALS
[workload.target]
TARGET
[run]
requests = REQUESTS
replications = 16
"""
EXPONENTIAL = '{law = "exponential", mean = "1 ms"}'
CONSTANT = '{law = "constant", value = "1 ms"}'
GAMMA = '{law = "gamma", mean = "1 ms", scv = 0.5}'
WIDE = '{law = "hyperexponential", mean = "1 ms", scv = 4.0}'
BURSTY = 'arrivals = "bursty"\nburstiness = 4.0'

STATIONS = [
    # servers, service, target, arrivals, discipline, tandem
    (1, EXPONENTIAL, 'p99 = "12 ms"', "", "fcfs", False),
    (1, EXPONENTIAL, 'mean = "4 ms"', "", "fcfs", False),
    (2, EXPONENTIAL, 'p99 = "9 ms"', "", "fcfs", False),
    (4, EXPONENTIAL, 'p99 = "7 ms"', "", "fcfs", False),
    (8, EXPONENTIAL, 'p95 = "4 ms"', "", "fcfs", False),
    (1, CONSTANT, 'p99 = "6 ms"', "", "fcfs", False),
    (4, CONSTANT, 'mean = "1.4 ms"', "", "fcfs", False),
    (1, GAMMA, 'p95 = "6 ms"', "", "fcfs", False),
    (2, GAMMA, 'p99 = "6 ms"', "", "fcfs", False),
    (1, WIDE, 'p95 = "12 ms"', "", "fcfs", False),
    (4, WIDE, 'mean = "2 ms"', "", "fcfs", False),
    (1, EXPONENTIAL, 'p95 = "8 ms"', BURSTY, "fcfs", False),
    (4, EXPONENTIAL, 'mean = "1.8 ms"', BURSTY, "fcfs", False),
    (1, EXPONENTIAL, 'mean = "3 ms"', "", "ps", False),
    (2, WIDE, 'p95 = "8 ms"', "", "ps", False),
    (2, EXPONENTIAL, 'p99 = "12 ms"', "", "fcfs", True),
    (4, GAMMA, 'p95 = "6 ms"', "", "fcfs", True),
]
LAWS = {EXPONENTIAL: "exponential", CONSTANT: "constant", GAMMA: "gamma", WIDE: "wide"}
NAMES = [
    ", ".join(
        part
        for part in (
            f"{servers} {'server' if servers == 1 else 'servers'}",
            LAWS[service],
            "bursty" if arrivals else "",
            "shared" if discipline == "ps" else "",
            "in tandem" if has_tandem else "",
        )
        if part
    )
    for servers, service, _, arrivals, discipline, has_tandem in STATIONS
] + ["2 flash drives", "12 spinning drives", "4 flash drives"]
"""What each scenario is, in the order of `scenarios`."""
KEY = "workload.booking.rate"


def scenarios(quick: bool) -> list[Scenario]:
    """All of them; a small version for tests takes two."""
    requests = "4000" if quick else "20000"
    found = []
    for servers, service, target, arrivals, discipline, has_tandem in STATIONS[:2] if quick else STATIONS:
        station = STATION.replace("SERVERS", str(servers)).replace("SERVICE", service)
        station = (TANDEM if has_tandem else "") + station.replace("DISCIPLINE", discipline)
        workload = OPEN.replace("RATE", "200").replace("TARGET", target).replace("ARRIVALS", arrivals)
        found.append(parse(station + workload.replace("REQUESTS", requests)))
    if not quick:
        run = f"requests = {requests}\nreplications = 16"
        found.append(parse(text(FLASH, 2, 1, 5000.0, "0.8 ms", run)))
        found.append(parse(text(SPINNING, 12, 1, 300.0, "60 ms", run)))
        found.append(parse(text(FLASH, 4, 1, 5000.0, "0.5 ms", run)))
    return found


def brute_force(scenario: Scenario, edge: float, values: int, how: How) -> tuple[float | None, int]:
    """Where the figure crosses its limit, and the requests that this took."""
    dial = Dial(Variants(scenario), KEY)
    grid = np.linspace(edge / values, edge, values, endpoint=False)
    every = [dial.at(float(f"{value:.6g}")) for value in grid]
    with Session("brute force", scenario, {}, **how) as session:
        known = [each for each in every if each is not None]
        seen = answered(session.bench, known, lengths(session.bench, known, ANSWER))
        requests = session.crew.tally.requests
    target = scenario.workload[0].target
    assert target is not None
    ((quantity, limit),) = target.limits
    found = [
        None if each.overloaded else each.sample.section("booking", quantity, None).value for each in seen
    ]
    # What is overloaded is beyond.
    ratios = [np.inf if value is None else value / limit for value in found]
    beyond = next((place for place, ratio in enumerate(ratios) if ratio > 1 and place > 0), None)
    if beyond is None:
        return None, requests
    if not np.isfinite(ratios[beyond]):
        return float(grid[beyond - 1]), requests
    share = (1 - ratios[beyond - 1]) / (ratios[beyond] - ratios[beyond - 1])
    return float(grid[beyond - 1] + share * (grid[beyond] - grid[beyond - 1])), requests


def measured(seed: int, quick: bool) -> pd.DataFrame:
    rows = []
    for number, scenario in enumerate(scenarios(quick)):
        found = headroom(scenario, KEY, **options(seed, quick))
        assert found.saturating is not None
        values = 12 if quick else VALUES
        crossing, requests = brute_force(scenario, found.saturating, values, options(seed + 1, quick))
        target = scenario.workload[0].target
        assert target is not None
        holds = None
        if crossing is not None and found.met is not None and found.missed is not None:
            holds = found.met <= crossing <= found.missed
        rows.append(
            {
                "scenario": number,
                "target": target.limits[0][0],
                "met": found.met,
                "brute_force": crossing,
                "missed": found.missed,
                "saturating": found.saturating,
                "holds": holds,
                "requests": found.requests,
                "brute_force_requests": requests,
                "share_of_requests": found.requests / requests,
            }
        )
    return pd.DataFrame(rows)


def picture(frame: pd.DataFrame) -> Figure:
    figure, (axis,) = drawn.panels(1, 1, 0.25 * len(frame) + 1.6)
    bracket, found = style.line(0), style.line(1)
    places = range(len(frame))
    axis.hlines(
        places,
        frame.met / frame.saturating,
        frame.missed / frame.saturating,
        color=bracket.colour,
        linewidth=6,
        alpha=0.55,
        label="from surely met to surely missed",
    )
    share = frame.brute_force.astype(float) / frame.saturating
    axis.plot(share, places, found.marker, color=found.colour, markersize=5, label="brute force")
    axis.set_yticks(places, [f"{NAMES[row.scenario]}: {row.target}" for row in frame.itertuples()])
    axis.grid(axis="y", visible=False)
    axis.set_xlabel("rate, as a share of the one that saturates the server")
    axis.set_ylabel("scenario and its target")
    axis.margins(y=0.04)
    drawn.legend(figure, [axis], "")
    return figure


def main() -> None:
    frame = recorded(
        "headroom", __doc__.splitlines()[0], lambda chosen: measured(chosen.seed, chosen.quick), picture
    )
    share = frame.requests.sum() / frame.brute_force_requests.sum()
    print(
        f"{int(frame.holds.fillna(False).sum())} of {len(frame)} brackets hold; {share:.0%} of the requests"
    )


if __name__ == "__main__":
    main()
