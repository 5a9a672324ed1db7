"""What becomes of throughput and latency as keys vary? Every combination simulated at one seed, in one table."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tailrace.answer.budget import within_budget
from tailrace.answer.points import Length, Points
from tailrace.answer.readings import Reading
from tailrace.crew.bench import StudyWatch
from tailrace.errors import SettingError, UnitError
from tailrace.forecast.edge import saturating_value
from tailrace.measure.estimate import Estimate
from tailrace.measure.verdict import Verdict, combined
from tailrace.quantity import QUANTILES
from tailrace.scenario.reading.read import load
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.scenario import Scenario
from tailrace.shown import Shown
from tailrace.study.session import PLAIN, Options, Session
from tailrace.study.vary import Axis, Setting, axes_of, combinations

if TYPE_CHECKING:
    import pandas as pd

FIGURES = {
    "rate": "rate_per_s",
    "throughput": "throughput_bytes_per_s",
    "mean": "mean_s",
    **{name: f"{name}_s" for name in QUANTILES},
}
"""Figures of a row, by the names of quantities, as columns."""


@dataclass(frozen=True)
class Point:
    """One combination: the name of its scenario, the settings, and what was found."""

    scenario: str
    settings: tuple[Setting, ...]
    reading: Reading


@dataclass(frozen=True)
class Sweep(Shown):
    """The whole: keys in the order in which they were given, with units, and every point."""

    title: str
    keys: tuple[str, ...]
    units: Mapping[str, str]
    seed: int
    points: tuple[Point, ...]
    requests: int
    notes: tuple[str, ...]

    @property
    def several(self) -> bool:
        """Whether more than one scenario takes part."""
        return len({point.scenario for point in self.points}) > 1

    @property
    def class_names(self) -> tuple[str, ...]:
        """Names of all classes, in order."""
        return tuple(
            dict.fromkeys(each.name for point in self.points for each in point.reading.scenario.workload)
        )

    @property
    def verdict(self) -> Verdict:
        """The gravest of all points."""
        return combined(point.reading.verdict for point in self.points)

    def rows(self) -> list[dict[str, Any]]:
        """One row a point and class, ready for JSON; None for what is not known."""
        return [row for point in self.points for row in _rows(point, self.keys)]

    def frame(self) -> pd.DataFrame:
        """The rows as a table."""
        import pandas as pd

        frame = pd.DataFrame(self.rows(), columns=columns(self.keys))
        for name in frame.columns:
            if name.endswith(("_s", "_low", "_high", "_share")):
                frame[name] = frame[name].astype(float)
        return frame


def columns(keys: Sequence[str]) -> list[str]:
    """Columns of a sweep's table."""
    figures = [f"{column}{end}" for column in FIGURES.values() for end in ("", "_low", "_high")]
    return [
        "scenario",
        *keys,
        "class",
        "verdict",
        "overloaded_station",
        "requests",
        "replications",
        *figures,
        "unknown",
    ]


def sweep(
    scenario: Scenario | str | os.PathLike[str] | Sequence[Scenario | str | os.PathLike[str]],
    vary: Mapping[str, object] | Iterable[str],
    *,
    together: bool = False,
    seed: int | None = None,
    store: str | os.PathLike[str] | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    budget: str | float | None = None,
    engine: str = "auto",
    progress: StudyWatch | None = None,
) -> pd.DataFrame:
    """Simulate a scenario, or several, for all values of some keys.

    Args:
        scenario: what to vary; a scenario, a file, or several of them.
        vary: keys with their values, {"workload.booking.queue_depth": [1, 2, 4]}, or KEY=LIST texts with ranges.
        together: take the lists in step instead of all combinations.
        seed: seed of all random streams, over the scenario's.
        store: file that keeps every finished replication; the study goes on from it.
        workers: processes; the table is the same. By default this process alone.
        scheduler: address of a Dask scheduler, instead of processes.
        budget: seconds, or a text such as "2 min", that the sweep should not exceed.
        engine: "auto", "reference" or "compiled".
        progress: called as replications finish.

    Returns:
        One row a point and class: the keys (quantities in SI), verdict, and rate, throughput, mean and quantiles with
        their intervals. ``attrs`` has "units" and "seed", and "notes" on what was left uncertain.

    Raises:
        ScenarioError, SettingError: what is asked for cannot be.
        StoreError: the store cannot be used.
    """
    options = Options(seed, store, workers or 1, scheduler, engine)
    found = run_sweep(_named(scenario), vary, together, budget, options, progress)
    frame = found.frame()
    frame.attrs = {"units": dict(found.units), "seed": found.seed, "notes": list(found.notes)}
    return frame


def run_sweep(
    named: Sequence[tuple[str, Scenario]],
    vary: Mapping[str, object] | Iterable[str],
    together: bool = False,
    budget: str | float | None = None,
    options: Options = PLAIN,
    progress: StudyWatch | None = None,
) -> Sweep:
    """The same as `sweep`, for scenarios with their names, and with all that was found."""
    seconds, seed = budget_seconds(budget), options.seed
    axes = axes_of(vary)
    scenarios, places = [], []
    for name, each in named:
        variants = Variants(each)
        for settings in combinations(axes, variants, together, _saturating(seed)):
            scenarios.append(variants.with_keys([setting.override for setting in settings]))
            places.append((name, settings))
    if not scenarios:
        raise SettingError("nothing to vary; accepted: at least one --vary KEY=LIST")
    first = named[0][1]
    asked = {
        "vary": [f"{axis.key}={axis.written}" for axis in axes],
        "together": together,
        "scenarios": [name for name, _ in named],
        "digests": [each.digest for each in scenarios],
        "budget_s": seconds,
    }
    with Session("sweep", first, asked, options, progress) as session:
        points = session.points
        session.part(scenarios)
        lengths, notes = _lengths(session, points, scenarios, seconds)
        readings = points.answers(scenarios, lengths, "Answer")
        found = Sweep(
            first.title if len(named) == 1 else ", ".join(name for name, _ in named),
            tuple(axis.key for axis in axes),
            _units(named[0][1], axes),
            session.seed,
            tuple(
                Point(name, settings, each) for (name, settings), each in zip(places, readings, strict=True)
            ),
            session.bench.tally.requests,
            (*notes, *_uncertain(places, readings)),
        )
        session.finish(found.rows())
    return found


def _lengths(
    session: Session, points: Points, scenarios: Sequence[Scenario], seconds: float | None
) -> tuple[list[Length | None], tuple[str, ...]]:
    """Lengths of all points. What a budget decided is kept: a study that goes on must not decide anew."""
    if seconds is None:
        return points.lengths(scenarios), ()
    kept = session.decided("lengths")
    if kept is None:
        wanted = points.lengths(scenarios)
        lengths = within_budget(points, scenarios, wanted, seconds)
        kept = session.decide(
            "lengths",
            [each and [each.requests, each.replications, each.supported] for each in lengths],
        )
    lengths = [
        None if each is None else Length(each[0], each[1], tuple((name, what) for name, what in each[2]))
        for each in kept
    ]
    return lengths, ()


def budget_seconds(budget: str | float | None) -> float | None:
    """A budget in seconds. Raises SettingError."""
    from tailrace import units

    if budget is None or isinstance(budget, int | float):
        if budget is not None and not budget > 0:
            raise SettingError(f"budget is {budget}; accepted: a time above 0")
        return None if budget is None else float(budget)
    try:
        seconds = units.parse(budget, "time")
    except UnitError as error:
        raise SettingError(f"budget is {budget!r}: {error}") from None
    return budget_seconds(seconds)


def _saturating(seed: int | None) -> Any:
    return lambda variants, key: saturating_value(variants, key, seed=seed)


def _named(
    scenario: Scenario | str | os.PathLike[str] | Sequence[Scenario | str | os.PathLike[str]],
) -> list[tuple[str, Scenario]]:
    every = [scenario] if isinstance(scenario, Scenario | str | os.PathLike) else list(scenario)
    named = [
        (each.title, each) if isinstance(each, Scenario) else (Path(each).stem, load(each)) for each in every
    ]
    names = [name for name, _ in named]
    return [
        (name if names.count(name) == 1 else f"{name} ({place + 1})", each)
        for place, (name, each) in enumerate(named)
    ]


def _units(scenario: Scenario, axes: Sequence[Axis]) -> dict[str, str]:
    from tailrace import units

    variants = Variants(scenario)
    found = {}
    for axis in axes:
        quantity = variants.shape(axis.key).quantity
        found[axis.key] = units.SI_UNIT[quantity] if quantity else ""
    return found


def _rows(point: Point, keys: Sequence[str]) -> Iterable[dict[str, Any]]:
    reading = point.reading
    values = {setting.key: setting.value for setting in point.settings}
    for workload in reading.scenario.workload:
        row: dict[str, Any] = {"scenario": point.scenario, **{key: values[key] for key in keys}}
        mine = [each.verdict for each in reading.targets if each.class_name == workload.name]
        row |= {
            "class": workload.name,
            "verdict": "overloaded" if reading.overloaded else combined(mine),
            "overloaded_station": reading.overloaded,
            "requests": sum(each.kinds[workload.name]["all"].requests for each in reading.outcomes)
            if not reading.overloaded
            else 0,
            "replications": len(reading.outcomes),
        }
        unknown = []
        for quantity, column in FIGURES.items():
            estimate = reading.estimate(workload.name, quantity)
            row |= {column: estimate.value, f"{column}_low": estimate.low, f"{column}_high": estimate.high}
            if estimate.value is None:
                unknown.append(f"{quantity}: {estimate.method}")
        row["unknown"] = "; ".join(unknown) or None
        yield row


def _uncertain(places: Sequence[tuple[str, tuple[Setting, ...]]], readings: Sequence[Reading]) -> list[str]:
    """What is left uncertain: undecided points, and the widest interval of a p99."""
    undecided = sum(each.verdict == "undecided" for each in readings)
    notes = []
    if undecided:
        notes.append(
            f"{undecided} of {len(readings)} points are undecided: their intervals hold the limit, or the runs were "
            "too short for one."
        )
    widest: tuple[float, str] | None = None
    for (name, settings), reading in zip(places, readings, strict=True):
        for workload in reading.scenario.workload:
            estimate: Estimate = reading.estimate(workload.name, "p99")
            width = estimate.relative_half_width
            if width is not None and (widest is None or width > widest[0]):
                where = ", ".join(setting.override for setting in settings)
                widest = width, f"{workload.name} at {where}" + (f" of {name}" if name else "")
    if widest is not None:
        notes.append(f"The widest interval of a p99 is ±{100 * widest[0]:.2g} %, that of {widest[1]}.")
    return notes
