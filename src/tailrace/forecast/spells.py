"""What becomes of conditions in which more is asked than can be carried? By the fluid limit, over the whole cycle."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from tailrace.forecast.saturation import Load
from tailrace.quantity import Quantity
from tailrace.scenario.reading.conditions import State
from tailrace.scenario.tables.scenario import Scenario
from tailrace.shown import told
from tailrace.theory import FluidCycle, fluid_cycle

SETTLED = 0.01
"""Share of a condition that the server may take to settle for the figures of its steady state to hold in it."""


@dataclass(frozen=True)
class Spell:
    """An overloaded condition of given hours: what waits at its end, and what becomes of it.

    ``backlog`` are requests at its end, ``longest_wait_s`` of what comes in it, ``drain_s`` how long after its end
    nothing of it waits any more, in the condition ``drained_in``; None where the cycle cannot drain.
    ``broken_s`` is, by class and promised latency, for how long what comes in it or while it drains waits longer than
    the limit.
    """

    condition: str
    station: str
    backlog: float
    longest_wait_s: float
    drain_s: float | None
    drained_in: str | None
    broken_s: Mapping[tuple[str, Quantity], float] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        return {
            **told(self, "condition", "station", "backlog"),
            "longest_wait_s": _finite(self.longest_wait_s),
            **told(self, "drain_s", "drained_in"),
            "broken": [
                {"class": name, "quantity": quantity, "broken_s": _finite(seconds)}
                for (name, quantity), seconds in self.broken_s.items()
            ],
        }


def _finite(seconds: float) -> float | None:
    """A time for JSON, which knows no infinite numbers."""
    return seconds if math.isfinite(seconds) else None


def spells(
    states: Sequence[State],
    loads: Sequence[Load],
    overloaded: Mapping[int, tuple[str, float]],
    load_of: Callable[[Scenario], Load],
) -> tuple[Spell, ...]:
    """A spell for each overloaded condition; none where nothing says how long conditions last.

    Args:
        states: the scenario in each condition, in the order of the cycle.
        loads: what is asked of the stations in each.
        overloaded: by the place of each condition that is, the station that cannot keep up, and what share of the load
            of the classes it can carry.
        load_of: gives the load of any scenario.
    """
    if any(each.hours is None for each in states):
        return ()
    found = []
    for place, (station, _) in overloaded.items():
        cycle = station_cycle(states, loads, overloaded, station, load_of)
        found.append(_spell(states, loads[place], place, station, cycle))
    return tuple(found)


def station_cycle(
    states: Sequence[State],
    loads: Sequence[Load],
    overloaded: Mapping[int, tuple[str, float]],
    station: str,
    load_of: Callable[[Scenario], Load],
    scale: float = 1.0,
) -> FluidCycle:
    """The work that waits at a station over the cycle, in seconds of what it can do for the classes.

    ``scale`` is how much is asked of the one that is meant, over that of which the loads tell.
    """
    asked = []
    for place, load in enumerate(loads):
        seen, factor = overloaded.get(place, ("", 0.0))
        asked.append(scale * _inverse(factor if seen == station else load.factor_at(station)))
    conversions = []
    for place, state in enumerate(states):
        following = states[(place + 1) % len(states)].scenario
        same = state.scenario.server == following.server or not asked[place]
        taken = 1.0
        if not same:
            there = following.model_copy(
                update={"workload": state.scenario.workload, "load": state.scenario.load}
            )
            share = loads[place].factor_at(station)
            taken = load_of(there).factor_at(station)
            taken = share / taken if taken > 0.0 and math.isfinite(share) else 1.0
        conversions.append(taken)
    return fluid_cycle([each.lasts_s for each in states], asked, conversions)


def _inverse(factor: float) -> float:
    return 1.0 / max(factor, 1e-9)


def _spell(states: Sequence[State], load: Load, place: int, station: str, cycle: FluidCycle) -> Spell:
    scenario = states[place].scenario
    bank = [each.name for each in load.banks].index(station)
    asking = {
        each.name: each.rate_at(scenario.load)
        for each in scenario.workload
        if each.is_open and load.per_request_s[each.name][bank] > 0.0
    }
    carried_per_s = sum(asking.values()) / cycle.loads[place]
    broken = {}
    for each in scenario.workload:
        for quantity, promised in each.limits:
            limit = promised if quantity.seconds is None else quantity.seconds
            if each.name in asking and (quantity.is_latency or quantity.seconds is not None):
                late = sum(cycle.beyond_s(spell, limit) for spell in _until_drained(cycle, place))
                broken[each.name, quantity] = math.inf if cycle.grows else late
    drain = cycle.drain_s(place)
    return Spell(
        states[place].name,
        station,
        cycle.end[place] * carried_per_s,
        math.inf if cycle.grows else cycle.longest_wait_s(place),
        drain,
        None if drain is None else _drained_in(states, cycle, place),
        broken,
    )


def _until_drained(cycle: FluidCycle, place: int) -> list[int]:
    """A spell and those behind it, up to the one in which nothing waits any more, or to the next that adds to it."""
    found = [place]
    for ahead in range(1, len(cycle.loads)):
        following = (place + ahead) % len(cycle.loads)
        if cycle.loads[following] > 1.0:
            break
        found.append(following)
        if cycle.empty_s[following] is not None:
            break
    return found


def _drained_in(states: Sequence[State], cycle: FluidCycle, place: int) -> str:
    following = ((place + ahead) % len(states) for ahead in range(1, len(states) + 1))
    return next(states[each].name for each in following if cycle.empty_s[each] is not None)


def settling_s(scenario: Scenario, load: Load) -> float:
    """How long the server takes to settle in a condition, at most: until what came before does not matter any more.

    Of each station the relaxation time of M/M/c, s / (c (1 - sqrt(r))^2) with the mean service s and the load r (Cohen,
    *The Single Server Queue* (1982), section II.2.1, for one server; from memory), s being all that a request asks of
    the bank; and of classes with surges the time from one to the next.
    """
    rate = scenario.open_rate_per_s
    longest = [
        each.surge.length / each.surge.share
        for each in scenario.workload
        if each.surge is not None and each.is_open
    ]
    for place, bank in enumerate(load.banks):
        share = float(load.share[place])
        if rate and 0.0 < share < 1.0:
            mean_s = share * bank.servers * bank.loaded / rate
            longest.append(mean_s / (bank.servers * (1.0 - math.sqrt(share)) ** 2))
    return max(longest, default=0.0)
