"""What becomes of a scenario as its load, or one key, varies? Short runs of one length, for a picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import cast

from tailrace import units
from tailrace.answer.answers import answered
from tailrace.answer.bench import bench_for
from tailrace.answer.pilot import Length
from tailrace.answer.result import Result
from tailrace.answer.run import result_of
from tailrace.crew.crew import Crew
from tailrace.crew.progress import Watch
from tailrace.errors import SettingError, UnitError
from tailrace.forecast.estimate import estimate
from tailrace.forecast.result import Saturation
from tailrace.quantity import Quantity
from tailrace.scenario.reading.dial import Dial
from tailrace.scenario.reading.path import quoted
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.scenario import Scenario

REQUESTS, REPLICATIONS = 5_000, 4
"""Length of the run behind each point, and how many there are of it: short, as a picture allows."""

SHARES = (0.1, 0.3, 0.5, 0.7, 0.85, 0.93)
"""Points of a load curve, as shares of the load at which the server saturates."""
GROWTH = 1.3
MOST_TIMES = 16.0
"""Runs grow as (1 - share)^-1.3, up to that many times: the fuller a server, the longer it takes to settle."""
SETTLED = 0.05
"""Precision to a tenth of which what is to settle has to: see `answer.answers`."""

DEPTH_FACTORS = (0.125, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0)
"""Points of a curve over the queue depth, as multiples of the scenario's own."""
MOST_DEPTH = 1_024
"""Greatest of them, unless the scenario's own is greater."""


@dataclass(frozen=True)
class CurvePoint:
    """The answer at one value of a key, in SI units; of a load curve, the multiple of the scenario's own load.

    ``settled`` is false where the backlog grew throughout a run although less is asked of every station than it can
    carry: the run was too short to say what follows, and no latency is known.
    """

    value: float
    result: Result

    @property
    def settled(self) -> bool:
        """Whether the run was long enough to tell anything."""
        overload = self.result.overload
        return overload is None or overload.found == "before the run"


@dataclass(frozen=True)
class Curve:
    """Answers in order of the key's value."""

    title: str
    key: str
    points: tuple[CurvePoint, ...]


@dataclass(frozen=True)
class DepthCurve:
    """A curve over the queue depth of the class ``name``, with what was promised to it."""

    curve: Curve
    name: str
    limits: Mapping[Quantity, float]


@dataclass(frozen=True)
class LoadCurve:
    """Answers at several multiples of the open load.

    ``rate_per_s`` is the open load of the scenario itself, all classes together; ``saturation`` the station that binds
    and the multiple at which it does; ``limits`` each class's targets, by name and quantity, in SI units.
    """

    title: str
    rate_per_s: float
    saturation: Saturation | None
    limits: Mapping[str, Mapping[Quantity, float]]
    points: tuple[CurvePoint, ...]


def load_curve(
    scenario: Scenario,
    shares: Sequence[float] = SHARES,
    *,
    requests: int = REQUESTS,
    replications: int = REPLICATIONS,
    seed: int | None = None,
    engine: str = "auto",
    workers: int | Crew | None = None,
    progress: Watch | None = None,
) -> LoadCurve:
    """Simulate a scenario at several open loads, up to the one at which it saturates, and at its own.

    Args:
        scenario: what to simulate; at least one of its classes is open.
        shares: loads, as shares of the one that saturates the server; of the scenario's own where nothing does.
        requests: length of each replication at a light load; longer where the server is fuller.
        replications: of each point.
        seed: of all points; the scenario's, or 0, if left out.
        engine: "auto", "reference" or "compiled".
        workers: number of processes, or a crew that is at work already; by default this process alone.
        progress: called as replications finish; not with a crew, which has its own.

    Raises:
        SettingError: a ValueError: no class is open, so that the load follows the server; see `key_curve`.
    """
    if not any(each.is_open for each in scenario.workload):
        raise SettingError("no class is open: the load follows the server; accepted: a scenario with a rate")
    seed = _seed(scenario, seed)
    saturation = estimate(scenario, seed).saturation
    factor = 1.0 if saturation is None else saturation.load_factor
    factors = {share * factor for share in shares}
    if saturation is None or not saturation.is_exceeded:
        factors.add(1.0)
    variants = [
        (
            each,
            scenario.model_copy(update={"load": scenario.load * each}),
            _length(requests, 0.0 if saturation is None else each / factor),
        )
        for each in sorted(factors)
    ]
    limits = {each.name: dict(each.limits) for each in scenario.workload}
    points = _points(variants, replications, seed, engine, workers, progress)
    return LoadCurve(scenario.title, scenario.open_rate_per_s, saturation, limits, points)


def key_curve(
    scenario: Scenario,
    key: str,
    values: Sequence[float | int | str],
    *,
    requests: int = REQUESTS,
    replications: int = REPLICATIONS,
    seed: int | None = None,
    engine: str = "auto",
    workers: int | Crew | None = None,
    progress: Watch | None = None,
    longest: int = 1,
) -> Curve:
    """Simulate a scenario at several values of one key, such as `workload.booking.queue_depth`.

    Args:
        scenario: what to simulate.
        key: as `--set` takes it.
        values: numbers in SI units, or quantities as a scenario file writes them, such as "8 KiB".
        requests, replications, seed, engine, workers, progress: as for `load_curve`.
        longest: how many times its length a run may take to settle.

    Raises:
        ScenarioError: no such key, or a value that it does not accept.
        SettingError: a ValueError: a text that is no quantity, and so has no place on an axis.
    """
    dial = Dial(Variants(scenario), key)
    changed: list[tuple[float, Scenario, int]] = []
    for value in values:
        setting = f'{key}="{value}"' if isinstance(value, str) else dial.setting(value)
        changed.append((_number(key, value), dial.variants.with_keys([setting]), requests))
    changed.sort(key=lambda each: each[0])
    seed = _seed(scenario, seed)
    points = _points(changed, replications, seed, engine, workers, progress, longest)
    return Curve(scenario.title, key, points)


def _points(
    variants: Sequence[tuple[float, Scenario, int]],
    replications: int,
    seed: int,
    engine: str,
    workers: int | Crew | None,
    progress: Watch | None,
    longest: int = 1,
) -> tuple[CurvePoint, ...]:
    """The answer of each, by replications of the lengths given, all in one bag."""
    scenarios = []
    for _, scenario, requests in variants:
        precision = None if longest == 1 else SETTLED
        length = {"requests": longest * requests, "replications": replications, "precision": precision}
        run = scenario.run.model_copy(update=length)
        scenarios.append(scenario.model_copy(update={"run": run}))
    total = replications * sum(requests for *_, requests in variants)
    with bench_for(scenarios[0], seed, engine, workers, progress, total) as bench:
        wanted = [
            Length(requests, replications, overload=bench.asked_too_much(scenario))
            for scenario, (*_, requests) in zip(scenarios, variants, strict=True)
        ]
        answers = [result_of(bench, each) for each in answered(bench, scenarios, wanted)]
    points = (CurvePoint(value, answer) for (value, *_), answer in zip(variants, answers, strict=True))
    return tuple(sorted(points, key=lambda point: point.value))


def _number(key: str, value: float | int | str) -> float:
    if not isinstance(value, str):
        return float(value)
    for dimension in units.SI_UNIT:
        try:
            return units.parse(value, cast(units.Dimension, dimension))
        except UnitError:
            continue
    raise SettingError(f"{key} is {value!r}; accepted: a number or a quantity, for the axis of a picture")


def _length(requests: int, share: float) -> int:
    return int(requests * min(max(1.0 - share, 1e-9) ** -GROWTH, MOST_TIMES))


def _seed(scenario: Scenario, seed: int | None) -> int:
    return seed if seed is not None else scenario.run.seed or 0


def depth_curve(
    scenario: Scenario,
    *,
    requests: int = REQUESTS,
    seed: int | None = None,
    engine: str = "auto",
    workers: int | Crew | None = None,
) -> DepthCurve:
    """Simulate a scenario of which no class is open at several queue depths of its first class.

    The arguments and what is raised are as for `key_curve`.
    """
    first = scenario.workload[0]
    own = first.queue_depth or 1
    values = {max(round(own * factor), 1) for factor in DEPTH_FACTORS}
    values = {each for each in values if each <= max(MOST_DEPTH, own)}
    key = f"workload.{quoted(first.name)}.queue_depth"
    found = key_curve(
        scenario, key, sorted(values), requests=requests, seed=seed, engine=engine, workers=workers
    )
    return DepthCurve(found, first.name, dict(first.limits))
