"""How often is a server called overloaded that keeps up, and how often is one missed that does not?

The rule judges by the growth of the backlog over the replications of one answer. Here it is put to stations whose
saturation is known from elsewhere, at 0.90 to 1.10 of it, without any look at what the requests ask of them: M/M/1, the
arm of spinning drives (saturation by a run with all queue slots taken), and a flash drive with a single queue slot,
which demands cannot see (saturation by a closed run).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

import drawn
from parallel import Parallel
from record import SCENARIOS, recorded
from simulated import one_station
from tailrace.answer.run import simulate
from tailrace.engine.choice import choose_engine
from tailrace.forecast.saturation import offered_load
from tailrace.measure.backlog import backlog_growth
from tailrace.replicate.boiled import replicate
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import load, parse
from tailrace.scenario.tables.scenario import Scenario

REPLICATIONS = 16
LOADS = (0.90, 0.95, 0.98, 1.00, 1.02, 1.05, 1.10)
STATES = ("stable", "unclear", "overloaded")

ONE_SLOT = """
title = "A flash drive that takes one request at a time"
[server.media]
kind = "flash"
capacity = "1 TB"
dies = 64
channels = 8
channel_rate = "1.2 GB/s"
cell_read = "100 us"
cell_program = "700 us"
cell_erase = "5 ms"
command_rate = "500000 /s"
queue_slots = 1
[[workload]]
name = "booking"
request_size = "4 KiB"
read_share = 1.0
"""


@dataclass(frozen=True)
class Station:
    """A server, its saturation known: ``at(u)`` is the scenario that asks a share u of what it can carry."""

    name: str
    at: Callable[[float], Scenario]
    requests: tuple[int, ...]


def stations(seed: int, quick: bool) -> list[Station]:
    law = '{law = "exponential", mean = "1 ms"}'
    found = [Station("M/M/1", lambda u: one_station(1, law, u * 1000.0), (10_000, 50_000))]
    closed = parse(ONE_SLOT + "clients = 16\nqueue_depth = 1\n[run]\nrequests = 20000\n")
    capacity = simulate(closed, seed=seed).classes[0].all.rate_per_s.value
    assert capacity is not None
    one_slot = parse(f'{ONE_SLOT}rate = "{capacity} /s"')
    found.append(
        Station("one queue slot", lambda u: one_slot.model_copy(update={"load": u}), (10_000, 50_000))
    )
    spinning = load(SCENARIOS / "booking-spinning.toml")
    saturated = offered_load(spinning, seed).binding
    assert saturated is not None
    found.append(
        Station(
            "arms of 24 spinning drives",
            lambda u: spinning.model_copy(update={"load": u * saturated.load_factor}),
            (20_000, 100_000),
        )
    )
    return [Station(each.name, each.at, each.requests[:1]) for each in found] if quick else found


def judged(scenario: Scenario, seed: int, requests: int) -> str:
    """What the rule says of one answer."""
    engine = choose_engine("auto", 10**9)
    samples = []
    for number in range(REPLICATIONS):
        sample = replicate(scenario, seed, number, requests, engine)
        if not sample.complete:
            return "overloaded"
        samples.append(sample)
    return backlog_growth([each.arrived for each in samples], [each.under_way for each in samples]).state


def measured(seed: int, quick: bool) -> pd.DataFrame:
    loads = (0.95, 1.10) if quick else LOADS
    runs = 4 if quick else 24
    cells = [
        (station, requests, share)
        for station in stations(seed, quick)
        for requests in station.requests
        for share in loads
    ]
    tasks = [
        (station.at(share), 1000 * seed + run, requests)
        for station, requests, share in cells
        for run in range(runs)
    ]
    with Parallel(quick) as crew:
        states = iter(list(crew.run(judged, tasks)))
    rows = []
    for station, requests, share in cells:
        found = [next(states) for _ in range(runs)]
        rows.append(
            {"station": station.name, "requests": requests, "share_of_saturation": share, "runs": runs}
            | {state: found.count(state) for state in STATES}
        )
    return pd.DataFrame(rows)


COLUMNS = 3


def picture(frame: pd.DataFrame) -> Figure:
    groups = list(frame.groupby(["station", "requests"], sort=False))
    rows = -(-len(groups) // COLUMNS)
    figure, axes = drawn.panels(rows, min(COLUMNS, len(groups)), 2.4 * rows + 0.8, sharey=True, sharex=True)
    for axis, ((station, requests), part) in zip(axes, groups, strict=False):
        below = np.zeros(len(part))
        names = [f"{share:.2f}" for share in part.share_of_saturation]
        for place, state in enumerate(STATES):
            share = 100 * part[state] / part.runs
            axis.bar(names, share, bottom=below, label=state, **style.bar(place))
            below += share.to_numpy()
        said = f"{station}\n{requests:,} requests"
        axis.set_title(said, loc="left", fontsize=style.SMALL_PT["wide"], color=style.INK)
        axis.grid(axis="x", visible=False)
        axis.tick_params(axis="x", rotation=90)
    for axis in axes[len(groups) :]:
        axis.set_visible(False)
    for axis in axes[:: min(COLUMNS, len(groups))]:
        axis.set_ylabel("answers, %")
    axes[(rows - 1) * COLUMNS].set_xlabel("share of saturation")
    drawn.legend(figure, axes[:1], "")
    return figure


def main() -> None:
    frame = recorded(
        "overload", __doc__.splitlines()[0], lambda chosen: measured(chosen.seed, chosen.quick), picture, None
    )
    under, over = frame[frame.share_of_saturation < 1], frame[frame.share_of_saturation > 1]
    print(f"\nFalse alarms below saturation: {under.overloaded.sum()} of {under.runs.sum()} answers.")
    for share, part in over.groupby("share_of_saturation"):
        missed, calm = part.runs.sum() - part.overloaded.sum(), part.stable.sum()
        print(f"Missed at {share:.2f}: {missed} of {part.runs.sum()}, of which called stable: {calm}.")


if __name__ == "__main__":
    main()
