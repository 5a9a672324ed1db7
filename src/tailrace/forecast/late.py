"""How many of a class wait too long over all conditions, at least, where the server is overloaded in some of them?"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tailrace.forecast.saturation import Load
from tailrace.forecast.spells import station_cycle
from tailrace.plan.build import sample_demands, sample_requests
from tailrace.plan.columns import READ, WRITE
from tailrace.plan.demand import chunk_visits
from tailrace.plan.stations import Bank, Discipline
from tailrace.quantity import Kind
from tailrace.scenario.reading.conditions import State
from tailrace.scenario.tables.scenario import Scenario

SURE = 0.95
"""What of the fluid limit is relied on, and of how many requests too many: its error is some percent of 1,000 and more
(see `theory.fluid`)."""
ENOUGH = 1000

IN_TURN = (Discipline.FCFS, Discipline.ARM, Discipline.TOKEN)
"""Where who comes later waits longer; an arm chooses among those in the drive's queue slots alone."""

KIND = {"read": READ, "write": WRITE}


@dataclass(frozen=True)
class Coming:
    """How much of a class and kind comes in each condition, in requests a second; weighed by how long these last."""

    name: str
    kind: Kind
    rates_per_s: tuple[float, ...]

    def share(self, states: Sequence[State], places: Sequence[int]) -> float:
        """The share that comes in some of the conditions."""
        weighed = [rate * state.weight for rate, state in zip(self.rates_per_s, states, strict=True)]
        whole = sum(weighed)
        return sum(weighed[place] for place in places) / whole if whole else 0.0


def late_share(
    states: Sequence[State],
    loads: Sequence[Load],
    overloaded: Mapping[int, tuple[str, float]],
    load_of: Callable[[Scenario], Load],
    seed: int,
    coming: Coming,
    limit_s: float,
) -> float:
    """The share that waits longer than a limit by the fluid limit alone, at least; 0 where nothing is sure.

    Only what waits itself for a station that cannot keep up counts, as if all stations of its bank were asked for as
    little as the one that is asked for least, and only where no class at them goes behind this one. Without hours what
    comes in an overloaded condition waits without end. Arguments as of `spells`; the limit in seconds.
    """
    whole = coming.share(states, range(len(states)))
    if not whole:
        return 0.0
    timed = all(each.hours is not None for each in states)
    found = []
    for place, (station, factor) in overloaded.items():
        evenly = _evenness(states[place].scenario, seed, _bank(loads[place], station))
        asked = evenly / max(factor, 1e-9)
        late = np.zeros(len(states))
        if not timed:
            late[place] = float(asked > 1.0)
        elif asked > 1.0:
            too_many = (1.0 - 1.0 / asked) * states[place].scenario.open_rate_per_s * states[place].lasts_s
            if too_many >= ENOUGH:
                cycle = station_cycle(states, loads, overloaded, station, load_of, evenly)
                late[:] = [cycle.beyond_s(at, limit_s) / each.lasts_s for at, each in enumerate(states)]
        waiting = [
            share * _waiting(states[each].scenario, seed, coming, _bank(loads[each], station))
            if share
            else 0.0
            for each, share in enumerate(late)
        ]
        found.append(sum(share * coming.share(states, [each]) for each, share in enumerate(waiting) if share))
    return SURE * max(found, default=0.0)


def _bank(load: Load, station: str) -> Bank:
    return next(each for each in load.banks if each.name == station)


def _evenness(scenario: Scenario, seed: int, bank: Bank) -> float:
    """How much is asked of the station of a bank that is asked for least, over that which is for most."""
    stations, demands = sample_demands(scenario, seed)
    visits = np.zeros(len(stations))
    for each in scenario.workload:
        visits += each.rate_at(scenario.load) * demands[each.name].visits
    mine = visits[bank.first : bank.first + bank.count]
    asked = mine[mine > 0.0]
    return float(asked.min() / asked.max()) if asked.size else 0.0


def _waiting(scenario: Scenario, seed: int, coming: Coming, bank: Bank) -> float:
    """The share of requests that wait for a station of a bank themselves, in turn and with nobody behind them."""
    if scenario.cluster is not None or bank.discipline not in IN_TURN:
        return 0.0  # of several servers not all need be overloaded; what is shared lets short requests pass
    stations, chunks = sample_requests(scenario, seed)
    priority = scenario.workload_named(coming.name).priority
    reached = 0.0
    for each in scenario.workload:
        chunk = chunks[each.name]
        visits = chunk_visits(chunk, stations)
        here = (visits.station >= bank.first) & (visits.station < bank.first + bank.count)
        if each.priority > priority and here.any():
            return 0.0
        if each.name == coming.name:
            mine = np.ones(len(chunk), bool) if coming.kind == "all" else chunk.kind == KIND[coming.kind]
            waits = np.bincount(visits.row[here & visits.awaited], minlength=len(chunk)) > 0
            reached = float(waits[mine].mean()) if mine.any() else 0.0
    return reached
