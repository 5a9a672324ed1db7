"""How often is a server called overloaded that keeps up, and how often is one missed that does not?

The rule judges by the growth of the backlog over the replications of one answer. Here it is put to stations whose
saturation is known from elsewhere, at 0.90 to 1.10 of it, without any look at what the requests ask of them: M/M/1, the
arm of spinning drives (saturation by a run with all queue slots taken), and a flash drive with a single queue slot,
which demands cannot see (saturation by a closed run). Beside it the verbs: what `run`, `sweep`, `relief` (half of twice
the drives) and `headroom` (every value that it tried near saturation) say of the same stations, and `run` and `sweep`
of closed classes, which overload nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

import drawn
from parallel import Parallel
from record import SCENARIOS, recorded
from simulated import one_station
from tailrace.answer.bench import Evidence
from tailrace.answer.run import simulate
from tailrace.engine.choice import choose_engine
from tailrace.forecast.saturation import offered_load
from tailrace.measure.backlog import backlog_growth
from tailrace.replicate.boiled import replicate
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import load, parse
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.headroom import headroom
from tailrace.study.relief import relief
from tailrace.study.sweep import sweep

REPLICATIONS = 16
LOADS = (0.90, 0.95, 0.98, 1.00, 1.02, 1.05, 1.10)
BACKLOG = "the backlog alone"
VERB_RUNS, VERB_REQUESTS = 4, 20_000
FEW, FEWEST = (0.90, 0.98, 1.02, 1.10), (0.95, 1.05)
"""Shares of saturation at which the verbs are asked, and `relief`, which runs many designs each time."""
LARGEST = math.inf
DEPTHS = (8, 64)
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
CLOSED = {
    "closed: M/M/1": """
[server.media]
kind = "generic"
service = {law = "exponential", mean = "1 ms"}
[[workload]]
name = "booking"
queue_depth = 64
request_size = "8 KiB"
""",
    "closed: writes on flash": """
[server]
media = {part = "flash-two-lanes", count = 1}
lanes = "flash-two-lanes"
[[workload]]
name = "booking"
queue_depth = 16
request_size = "4 KiB"
read_share = 0.0
""",
    "closed: a spinning drive": """
[server]
media = {part = "spinning-7200", count = 1}
[[workload]]
name = "booking"
queue_depth = 64
request_size = "8 KiB"
""",
}
"""Servers that only closed classes use."""


@dataclass(frozen=True)
class Station:
    """A server, its saturation known: ``at(u)`` is the scenario that asks a share u of what it can carry."""

    name: str
    at: Callable[[float], Scenario]
    requests: tuple[int, ...]


def stations(seed: int, quick: bool) -> list[Station]:
    law = '{law = "exponential", mean = "1 ms"}'
    one_server = Station("M/M/1", lambda u: one_station(1, law, u * 1000.0), (10_000, 50_000))
    if quick:
        return [replace(one_server, requests=one_server.requests[:1])]
    closed = parse(ONE_SLOT + "clients = 16\nqueue_depth = 1\n[run]\nrequests = 20000\n")
    capacity = simulate(closed, seed=seed).classes[0].all.rate_per_s.value
    assert capacity is not None
    one_slot = parse(f'{ONE_SLOT}rate = "{capacity} /s"')
    slot = Station("one queue slot", lambda u: one_slot.model_copy(update={"load": u}), (10_000, 50_000))
    spinning = load(SCENARIOS / "booking-spinning.toml")
    saturated = offered_load(spinning, seed).binding
    assert saturated is not None
    arms = Station(
        "arms of 24 spinning drives",
        lambda u: spinning.model_copy(update={"load": u * saturated.load_factor}),
        (20_000, 100_000),
    )
    return [one_server, slot, arms]


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


Seen = list[tuple[float, str]]
"""Shares of saturation, and what was said at each."""


def short(scenario: Scenario, requests: int) -> Scenario:
    """The scenario with runs of eight replications and at most so many requests each."""
    run = scenario.run.model_copy(update={"requests": requests, "replications": 8, "precision": 0.1})
    return scenario.model_copy(update={"run": run})


def by_run(scenario: Scenario, share: float, seed: int) -> Seen:
    """What `run` says."""
    found = simulate(scenario, seed=seed)
    unsettled = any("not settled" in note for note in found.notes)
    return [(share, "overloaded" if found.overload else "unclear" if unsettled else "stable")]


def by_sweep(
    scenario: Scenario, shares: Sequence[float], key: str, values: Sequence[float], seed: int
) -> Seen:
    """What `sweep` says at several values of a key."""
    points = sweep(scenario, {key: list(values)}, seed=seed).points
    return [(share, stated(point.evidence)) for share, point in zip(shares, points, strict=True)]


def stated(evidence: Evidence) -> str:
    return "overloaded" if evidence.overload else "unclear" if evidence.sample.doubts else "stable"


def by_relief(scenario: Scenario, share: float, seed: int) -> Seen:
    """What `relief` says of half of twice the drives."""
    count = scenario.server.pools[0].media.count
    twice = Variants(scenario).with_keys([f"server.media.count={2 * count}"])
    halved = next(each for each in relief(twice, seed=seed).halved if each.resource == "drives")
    unclear = halved.value is None or halved.value.value is None
    return [(share, "overloaded" if halved.verdict == "overloaded" else "unclear" if unclear else "stable")]


def by_headroom(scenario: Scenario, share: float, seed: int) -> Seen:
    """What `headroom` says of the loads that it tries, each taken for the nearest of those of this experiment."""
    name = scenario.workload[0].name
    promised = Variants(scenario).with_keys([f'workload.{name}.target.p99="1000 s"'])
    states = {"met": "stable", "overloaded": "overloaded"}
    tried = [
        (share * each.value / scenario.load, states.get(each.verdict, "unclear"))
        for each in headroom(promised, "load", seed=seed).tried
    ]
    near = [each for each in tried if LOADS[0] - 0.02 < each[0] < LOADS[-1] + 0.02]
    return [(min(LOADS, key=lambda load: abs(load - at)), state) for at, state in near]


def verb_tasks(
    stations: Sequence[Station], seed: int, quick: bool
) -> list[tuple[str, str, Any, tuple[Any, ...]]]:
    """Station, verb, function and arguments of whatever the verbs are asked."""
    requests = 2500 if quick else VERB_REQUESTS
    tasks: list[tuple[str, str, Any, tuple[Any, ...]]] = []
    for run in range(1 if quick else VERB_RUNS):
        own = 1000 * seed + run
        for station in stations[:1] if quick else stations:
            at = {share: short(station.at(share), requests) for share in (*FEW, *FEWEST, 1.0)}
            values = [at[1.0].load * share for share in FEW]
            tasks += [(station.name, "run", by_run, (at[share], share, own)) for share in FEW]
            tasks.append((station.name, "sweep", by_sweep, (at[1.0], FEW, "load", values, own)))
            tasks += [(station.name, "relief", by_relief, (at[share], share, own)) for share in FEWEST]
            tasks.append((station.name, "headroom", by_headroom, (at[FEW[0]], FEW[0], own)))
        for name, text in list(CLOSED.items())[: 1 if quick else None]:
            closed, nowhere = short(parse(text), requests), (math.nan,) * len(DEPTHS)
            tasks.append((name, "run", by_run, (closed, math.nan, own)))
            arguments = (closed, nowhere, "workload.booking.queue_depth", DEPTHS, own)
            tasks.append((name, "sweep", by_sweep, arguments))
    return tasks


def measured(seed: int, quick: bool) -> pd.DataFrame:
    loads = (0.95, 1.10) if quick else LOADS
    runs = 4 if quick else 24
    known = stations(seed, quick)
    cells = [
        (station, requests, share) for station in known for requests in station.requests for share in loads
    ]
    tasks = [
        (station.at(share), 1000 * seed + run, requests)
        for station, requests, share in cells
        for run in range(runs)
    ]
    asked = verb_tasks(known, seed, quick)
    said: dict[tuple[str, str, float], list[str]] = {}
    with Parallel(quick) as crew:
        states = iter(list(crew.run(judged, tasks)))
        for (name, verb, *_), seen in zip(asked, crew.run(called, [each[2:] for each in asked]), strict=True):
            for share, state in seen:
                said.setdefault((name, verb, LARGEST if math.isnan(share) else share), []).append(state)
    rows = []
    for station, requests, share in cells:
        found = [next(states) for _ in range(runs)]
        rows.append(row(station.name, BACKLOG, requests, share, found))
    for (name, verb, share), found in sorted(said.items()):
        rows.append(row(name, verb, VERB_REQUESTS, math.nan if share == LARGEST else share, found))
    return pd.DataFrame(rows)


def called(function: Callable[..., Seen], arguments: tuple[Any, ...]) -> Seen:
    """One task of `verb_tasks`."""
    return function(*arguments)


def row(station: str, verb: str, requests: int, share: float, found: Sequence[str]) -> dict[str, object]:
    """What was said at one load, counted."""
    return {
        "station": station,
        "verb": verb,
        "requests": requests,
        "share_of_saturation": share,
        "runs": len(found),
    } | {state: found.count(state) for state in STATES}


COLUMNS = 3


def picture(frame: pd.DataFrame) -> Figure:
    alone = frame[frame.verb == BACKLOG]
    groups = list(alone.groupby(["station", "requests"], sort=False))
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
    for verb, part in frame.groupby("verb", sort=False):
        closed = part[part.share_of_saturation.isna()]
        under, over = part[part.share_of_saturation < 1], part[part.share_of_saturation > 1]
        for where, seen in (("below saturation", under), ("above it", over), ("closed", closed)):
            if len(seen):
                counts = ", ".join(f"{int(seen[state].sum())} {state}" for state in STATES)
                print(f"{verb}, {where}: {counts} of {int(seen.runs.sum())}.")


if __name__ == "__main__":
    main()
