"""The slowest requests of a run, followed from station to station."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import numpy as np

from tailrace.answer.bench import seed_of
from tailrace.engine.choice import choose_engine, runner
from tailrace.errors import SettingError
from tailrace.measure.length import PILOT_REPLICATIONS
from tailrace.plan.build import build_plan
from tailrace.plan.columns import READ, STAGES
from tailrace.replicate.boiled import most_under_way
from tailrace.replicate.gather import measured_from, start_of
from tailrace.scenario.reading.conditions import alone
from tailrace.scenario.reading.read import Given, given
from tailrace.shown import Shown, told

if TYPE_CHECKING:
    import pandas as pd

REQUESTS = 100_000
"""Requests among which the slowest are looked for; the scenario's own budget, if that is less."""


@dataclass(frozen=True)
class Stop:
    """A stay at a station: ``after_s`` is the time since the request's arrival at which it got there.

    ``ahead`` is how many it found there, those in service among them; for a pool of permits, how many waited for
    them; None at a delay, where nobody waits. ``count`` stations like this one share the name.
    """

    station: str
    stage: str
    count: int
    after_s: float
    wait_s: float
    service_s: float
    ahead: int | None


@dataclass(frozen=True)
class Trip:
    """One request on its way: its stops along the path that ended last, in order."""

    order: int
    name: str
    kind: str
    client: int
    size_bytes: int
    arrival_s: float
    latency_s: float
    stops: tuple[Stop, ...]

    @property
    def stages(self) -> Mapping[str, tuple[float, float]]:
        """Seconds waited and served by stage."""
        return {
            stage: (
                sum(stop.wait_s for stop in self.stops if stop.stage == stage),
                sum(stop.service_s for stop in self.stops if stop.stage == stage),
            )
            for stage in STAGES
        }


@dataclass(frozen=True, repr=False)
class Journey(Shown):
    """The slowest of the ``requests`` measured of one replication, the slowest first."""

    version: str
    title: str
    digest: str
    seed: int
    requests: int
    trips: tuple[Trip, ...]

    @property
    def table(self) -> pd.DataFrame:
        """One row a stop, in order: the request and where it stopped, times in seconds."""
        import pandas as pd

        return pd.DataFrame(
            {
                "order": trip.order,
                "class": trip.name,
                "kind": trip.kind,
                "latency_s": trip.latency_s,
                **asdict(stop),
            }
            for trip in self.trips
            for stop in trip.stops
        )

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        return {"tailrace": self.version, **told(self, "title", "digest", "seed", "requests", "trips")}


def journey(
    scenario: Given, slowest: int = 5, seed: int | None = None, workload: str | None = None
) -> Journey:
    """Follow the slowest requests of the first replication of an answer, of all classes or of one.

    They are found in one run and followed in a second, the same to the last bit, by the reference engine.

    Raises:
        ScenarioError: the file of a scenario cannot be read.
        SettingError: a ValueError: fewer than one request, a class that is not there, or a load that piles up.
    """
    scenario = alone(given(scenario))
    if slowest < 1:
        raise SettingError(f"slowest is {slowest}; accepted: 1 or more")
    names = sorted(each.name for each in scenario.workload)
    if workload is not None and workload not in names:
        raise SettingError(f"class is {workload!r}; accepted: {', '.join(names)}")
    seed = seed_of(scenario, seed)
    requests = min(scenario.run.budget, REQUESTS)
    run = runner(choose_engine("auto", requests))
    plan = build_plan(scenario, seed, PILOT_REPLICATIONS)
    observed = run(plan, requests, 2, most_under_way(scenario, plan, requests))
    if not observed.complete:
        raise SettingError(
            "the requests pile up without end: the server is overloaded (tailrace run says where)"
        )
    begin = measured_from(requests, start_of(scenario))
    mine = np.arange(begin, requests)
    if workload is not None:
        mine = mine[observed.class_index[begin:] == plan.classes.index(workload)]
    latency_s = observed.latency_s
    chosen = mine[np.lexsort((mine, -latency_s[mine]))[:slowest]]
    if not chosen.size:
        raise SettingError(f"no request of class {workload!r} is among the {requests:,} that were looked at")
    # Here, and not at the top: SimPy is slow to import.
    from tailrace.engine.observed import observe

    visits = observe(build_plan(scenario, seed, PILOT_REPLICATIONS), chosen.tolist())
    trips = []
    for order in chosen.tolist():
        arrival_s = float(observed.arrival_s[order])
        stops = []
        for visit in visits[order]:
            bank = plan.stations.bank_of(visit.station)
            after_s = visit.arrived_s - arrival_s
            times = (after_s, visit.wait_s, visit.service_s)
            stops.append(Stop(bank.name, bank.stage.name.lower(), bank.count, *times, visit.ahead))
        trips.append(
            Trip(
                order,
                plan.classes[int(observed.class_index[order])],
                "read" if observed.kind[order] == READ else "write",
                int(observed.client[order]),
                int(observed.size_bytes[order]),
                arrival_s,
                float(latency_s[order]),
                tuple(stops),
            )
        )
    return Journey(version("tailrace"), scenario.title, scenario.digest, seed, int(mine.size), tuple(trips))
