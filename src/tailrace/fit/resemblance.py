"""A workload that resembles a trace, as a scenario would write it, and how much it differs when both are simulated."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tailrace import units
from tailrace.answer.result import Result
from tailrace.answer.run import simulate
from tailrace.engine.choice import choose_engine
from tailrace.errors import Problem, ScenarioError
from tailrace.fit.latencies import REPLICATIONS, Distance, distance, latencies
from tailrace.scenario.reading.complaint import sound
from tailrace.scenario.reading.written import tables
from tailrace.scenario.tables.scenario import Scenario
from tailrace.trace.compilation import few_sizes
from tailrace.trace.profile import Profile
from tailrace.trace.segments import Segment

MOST_SIZES = 16
POISSON_LIKE = (0.8, 1.25)
"""Squared coefficients of variation of gaps that pass for Poisson arrivals."""

REGULAR = 0.2
CORRELATED = 2.0
"""Index of dispersion over long windows, as a multiple of what the gaps alone would give, from which it surges."""

SPAN_UNIT = 2**20
"""Long spans are written in whole ones of these."""

LARGEST_SHARE = 0.2
ALIGNED = 0.9
ALIKE_REQUESTS = 50_000
"""Most requests in a replication from which the distance is taken."""


def resembling(profile: Profile, name: str) -> dict[str, Any]:
    """The table of a class that resembles a trace: what its file does not tell is left to the defaults.

    Needs times and sizes; raises ValueError without them.
    """
    facts, rate, sizes = profile.facts, profile.rate_per_s, profile.facts.sizes
    if rate is None or sizes is None:
        raise ValueError("a class that resembles a trace needs its times and its sizes")
    clients = facts.clients or 1
    table: dict[str, Any] = {"name": name, "clients": clients}
    table["rate"] = units.write(float(f"{rate / clients:.6g}"), "request rate")
    table |= _arrivals(profile)
    size, rows = (np.array(column, dtype=np.int64) for column in zip(*sizes, strict=True))
    few = few_sizes(size, rows, MOST_SIZES)
    total = sum(count for _, count in few)
    table["request_size"] = [
        {"size": units.write(size, "size"), "share": count / total} for size, count in few
    ]
    if profile.read_share is not None:
        table["read_share"] = profile.read_share
    if profile.span is not None:
        span = -(-profile.span // SPAN_UNIT) * SPAN_UNIT if profile.span > 64 * SPAN_UNIT else profile.span
        sequential = (profile.sequential_share or 0.0) >= 0.5
        largest = max(size for size, _ in few)
        if sequential and span // clients >= largest:
            table["pattern"] = "sequential"
        elif profile.popularity is not None and profile.popularity.low > 0.0:
            table["popularity"] = float(f"{profile.popularity.exponent:.4g}")
        if (profile.aligned_share or 0.0) < ALIGNED:
            table["aligned"] = False
        table["span"] = units.write(max(span, largest), "size")
    return table


def resembling_day(profile: Profile, spells: Sequence[Segment], name: str) -> dict[str, Any]:
    """A class that resembles a trace, and a condition for each of its spells, as tables of a scenario.

    What the rate does from spell to spell is a matter of the conditions; arrivals are as regular as they are within
    them. Raises ValueError as `resembling`.
    """
    table = resembling(profile, name)
    for key in ("arrivals", "burstiness", "surge"):
        table.pop(key, None)
    known = [(each.gap_scv, each.requests) for each in spells if each.gap_scv is not None]
    whole = sum(requests for _, requests in known)
    table |= _by_gaps(sum(scv * requests for scv, requests in known) / whole if whole else 1.0)
    return {"workload": [table], "condition": [_condition(each, table, name) for each in spells]}


def _condition(spell: Segment, table: Mapping[str, Any], name: str) -> dict[str, Any]:
    rate = max(spell.rate_per_s / table["clients"], 1e-9)
    keys: dict[str, Any] = {"rate": units.write(float(f"{rate:.6g}"), "request rate")}
    if spell.read_share is not None:
        keys["read_share"] = float(f"{spell.read_share:.4g}")
    return {
        "name": f"{_clock(spell.begin_s)} to {_clock(spell.end_s)}",
        "hours": float(f"{(spell.end_s - spell.begin_s) / 3600:.6g}"),
        "set": {"workload": {name: keys}},
    }


def _clock(seconds: float) -> str:
    """Hours and minutes since the trace began; with seconds where it is short."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _arrivals(profile: Profile) -> dict[str, Any]:
    surge = _surge(profile)
    return _by_gaps(profile.gap_scv or 1.0) if surge is None else {"surge": surge}


def _by_gaps(scv: float) -> dict[str, Any]:
    """The law of arrivals by the squared coefficient of variation of the times between them."""
    if scv > POISSON_LIKE[1]:
        return {"arrivals": "bursty", "burstiness": float(f"{scv:.4g}")}
    if scv < REGULAR:
        return {"arrivals": "regular"}
    return {}


def _surge(profile: Profile) -> dict[str, Any] | None:
    """A surge whose index of dispersion grows as that of the trace; None where the gaps alone explain it.

    Of arrivals whose rate is r (1 + d) in surges of mean length L, a share p of the time, and lower between, the index
    over windows of length t is 1 + 2 K r a (1 − (1 − e^(−t/a))/(t/a)) with K = p (1 − p) d², a = L (1 − p) the time
    over which the rate is remembered (derived; Fischer and Meier-Hellstern, The Markov-modulated Poisson process
    cookbook, Performance Evaluation 18, 1993, from memory). K and a are fitted in the logarithm; p is as large as K
    allows, at most a fifth.
    """
    rate, scv = profile.rate_per_s, profile.gap_scv
    seen = [each for each in profile.dispersion if each.windows >= 50]
    if rate is None or scv is None or len(seen) < 3 or seen[-1].index < CORRELATED * max(scv, 1.0):
        return None
    from scipy.optimize import least_squares

    window = np.array([each.window_s for each in seen])
    index = np.log([max(each.index, 1e-3) for each in seen])

    def misses(parameters: Any) -> Any:
        strength, memory = np.exp(parameters)
        x = window / memory
        return np.log(1 + 2 * strength * rate * memory * (1 + np.expm1(-x) / x)) - index

    start = [0.0, math.log(window[len(window) // 2])]
    fitted = least_squares(misses, start, bounds=([-12, math.log(window[0])], [6, math.log(window[-1] * 10)]))
    strength, memory = (float(each) for each in np.exp(fitted.x))
    share = min(LARGEST_SHARE, 0.81 / (strength + 0.81))
    above = math.sqrt(strength / (share * (1 - share)))
    factor = (1 + above * (1 - share)) / (1 - share * above)
    length = units.write(float(f"{memory / (1 - share):.4g}"), "time")
    return {"factor": float(f"{max(factor, 1.01):.4g}"), "share": float(f"{share:.4g}"), "length": length}


@dataclass(frozen=True)
class Likeness:
    """A server's answer to a trace and to the class that resembles it, and how far the latencies lie apart."""

    trace: Result
    resembling: Result
    distance: Distance | None


def likeness(
    scenario: Scenario,
    trace: dict[str, Any],
    table: dict[str, Any],
    seed: int,
    engine: str = "auto",
    pool: str | None = None,
) -> Likeness:
    """Simulate a server with a trace and with what resembles it, instead of the scenario's own classes.

    ``trace`` and ``table`` are the tables of the two classes, ``pool`` names that on which they run where there are
    several. What reaches beyond its capacity is wrapped around. Raises ScenarioError if the server cannot hold them.
    """
    names = {each.name: each for each in scenario.server.pools}
    if pool is None and len(names) > 1:
        accepted = f"one of {', '.join(str(name) for name in names)}"
        wrong = f"missing, and the server has several pools; accepted: {accepted}"
        raise ScenarioError([Problem("--pool", "", None, wrong)])
    if pool is not None:
        trace, table = ({**each, "pool": pool} for each in (trace, table))
    usable = next(
        (each for name, each in names.items() if name == pool), scenario.server.pools[0]
    ).usable_capacity
    if "span" in table and units.parse_bytes(table["span"]) > usable:
        table = {key: value for key, value in table.items() if key != "span"}
    both = [_with_class(scenario, each) for each in (trace, table)]
    answers = [simulate(each, seed, engine) for each in both]
    apart = None
    if all(answer.classes for answer in answers):
        length = min(max(answer.requests // answer.replications for answer in answers), ALIKE_REQUESTS)
        by = choose_engine(engine, length * REPLICATIONS)
        recorded, drawn = (latencies(each, seed, length, engine=by) for each in both)
        apart = distance(drawn, np.concatenate(recorded))
    return Likeness(answers[0], answers[1], apart)


def _with_class(scenario: Scenario, table: dict[str, Any]) -> Scenario:
    data = tables(scenario) | {"workload": [table]}
    return sound(data, str(table["name"]), Path.cwd())
