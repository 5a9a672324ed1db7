"""What becomes of throughput and latency as keys vary? Every combination simulated at one seed, in one table."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Unpack

from tailrace.answer.answers import answered
from tailrace.answer.bench import Evidence
from tailrace.answer.pilot import POINT, Length, lengths
from tailrace.errors import SettingError, UnitError
from tailrace.forecast.edge import saturating_value
from tailrace.forecast.flow import deep_points
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.verdict import Verdict, combined
from tailrace.quantity import RATES, Quantity, with_quantiles
from tailrace.replicate.task import digest_of
from tailrace.scenario.reading.conditions import setting_too, states
from tailrace.scenario.reading.dial import Dial
from tailrace.scenario.reading.read import Given, named
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.scenario import Scenario
from tailrace.shown import Shown, told
from tailrace.study.budget import within_budget
from tailrace.study.knee import METHOD
from tailrace.study.lines import Point, knees
from tailrace.study.session import How, Session
from tailrace.study.vary import Axis, Setting, axes_of, combinations

if TYPE_CHECKING:
    import pandas as pd

SIZES = ".request_size"
"""How keys of sizes end: what moves differs from what is answered then."""


@dataclass(frozen=True, repr=False)
class Sweep(Shown):
    """The whole: keys in the order in which they were given, with SI units, and every point.

    ``told`` are the units in which values of keys are told, where these are not SI.
    """

    title: str
    keys: tuple[str, ...]
    units: Mapping[str, str]
    seed: int
    points: tuple[Point, ...]
    requests: int
    notes: tuple[str, ...]
    told: Mapping[str, str] = field(default_factory=dict)

    @property
    def several(self) -> bool:
        """Whether more than one scenario takes part."""
        return len({point.scenario for point in self.points}) > 1

    @property
    def class_names(self) -> tuple[str, ...]:
        """Names of all classes, in order."""
        return tuple(
            dict.fromkeys(each.name for point in self.points for each in point.evidence.scenario.workload)
        )

    @property
    def varies_sizes(self) -> bool:
        """Whether the size of requests is among what varies."""
        return any(key.endswith(SIZES) for key in self.keys)

    @property
    def verdict(self) -> Verdict:
        """The gravest of all points."""
        return combined(point.evidence.verdict for point in self.points)

    @property
    def statistics(self) -> tuple[str, ...]:
        """Those of every answer, and quantiles that some target limits."""
        classes = [each for point in self.points for each in point.evidence.scenario.workload]
        promised = [quantity for each in classes for quantity, _ in each.limits]
        return (
            *RATES,
            "mean",
            *with_quantiles([quantity for each in classes for quantity, _ in each.steering]),
            *dict.fromkeys(each.statistic for each in promised if each.seconds is not None),
        )

    def rows(self) -> list[dict[str, Any]]:
        """One row a point and class, ready for JSON; None for what is not known."""
        made = {"seed": self.seed, "version": version("tailrace")}
        return [row for point in self.points for row in _rows(point, self.keys, self.statistics, made)]

    def as_dict(self) -> dict[str, Any]:
        """What was asked, every row, and where each line bends, in SI units, ready for JSON."""
        return {
            "tailrace": version("tailrace"),
            **told(self, "title", "seed"),
            "keys": [{"key": key, "unit": self.units.get(key, "")} for key in self.keys],
            "rows": self.rows(),
            "knees": [
                {
                    "class": name,
                    "line": label,
                    **told(bend, "value", "within", "beyond"),
                    "method": METHOD,
                    "reason": bend.reason or None,
                }
                for name in self.class_names
                for label, bend in knees(self.points, name)
            ],
            **told(self, "requests", "verdict", "notes"),
        }

    @property
    def table(self) -> pd.DataFrame:
        """One row a point and class: the keys (quantities in SI), verdict, and all figures with their intervals.

        ``attrs`` has "units" and "seed", and "notes" on what was left uncertain.
        """
        import pandas as pd

        frame = pd.DataFrame(self.rows())
        for name in frame.columns:
            if name.endswith(("_s", "_low", "_high", "_share")):
                frame[name] = frame[name].astype(float)
        frame.attrs = {"units": dict(self.units), "seed": self.seed, "notes": list(self.notes)}
        return frame


IDENTITY = ("seed", "version", "digest")
"""Columns that say what gave a row: the seed, the version of tailrace, and the digest of the scenario."""


def sweep(
    scenario: Given | Sequence[Given],
    vary: Mapping[str, object] | Iterable[str],
    *,
    together: bool = False,
    budget: str | float | None = None,
    began: float | None = None,
    names: Sequence[str] | None = None,
    **how: Unpack[How],
) -> Sweep:
    """Simulate a scenario, or several, for all values of some keys.

    Args:
        scenario: what to vary; a scenario, a file, or several of them. One with conditions is taken in each of them.
        vary: keys with their values, {"workload.booking.queue_depth": [1, 2, 4]}, or KEY=LIST texts with ranges.
        together: take the lists in step instead of all combinations.
        budget: seconds, or a text such as "2 min", that the sweep should take at most, about.
        began: when the budget began to run, by `time.perf_counter`; with this call, if left out.
        names: what to call the scenarios; titles, or names of files, if left out.
        how: see `How`.

    Raises:
        ScenarioError, SettingError: what is asked for cannot be.
        StoreError: the store cannot be used.
    """
    began = time.perf_counter() if began is None else began
    seconds, whole = budget_seconds(budget), named(scenario, names)
    designs = _in_conditions(whole)
    axes = axes_of(vary)
    scenarios, places = [], []
    for name, each in designs.items():
        variants = Variants(each)
        for settings in combinations(
            axes, variants, together, partial(saturating_value, seed=how.get("seed"))
        ):
            scenarios.append(variants.with_keys([setting.override for setting in settings]))
            places.append((name, settings))
    if not scenarios:
        raise SettingError("nothing to vary; accepted: at least one --vary KEY=LIST")
    first = next(iter(designs.values()))
    asked = {
        "vary": [f"{axis.key}={axis.written}" for axis in axes],
        "together": together,
        "scenarios": list(designs),
        "digests": [each.digest for each in scenarios],
        "budget_s": seconds,
    }
    with Session("sweep", first, asked, **how) as session:
        session.part(scenarios)
        session.decide(
            "points", list(map(_kept_point, places, scenarios))
        )  # for whoever looks before it is finished
        wanted, cost = _lengths(session, scenarios, seconds, began)
        seen = answered(session.bench, scenarios, wanted)
        dials = {axis.key: Dial(Variants(first), axis.key) for axis in axes}
        found = Sweep(
            first.title if len(whole) == 1 else ", ".join(whole),
            tuple(axis.key for axis in axes),
            {key: dial.unit for key, dial in dials.items()},
            session.seed,
            tuple(Point(name, settings, each) for (name, settings), each in zip(places, seen, strict=True)),
            session.crew.tally.requests,
            (
                *_set_over(whole, axes),
                *([cost] if cost else []),
                *_uncertain(places, seen),
                *_deep(session, scenarios),
            ),
            {key: dial.told_in for key, dial in dials.items()},
        )
        session.finish(found.rows())
    return found


def _deep(session: Session, scenarios: Sequence[Scenario]) -> tuple[str, ...]:
    if not any(pool.media.kind == "measured" for each in scenarios for pool in each.server.pools):
        return ()
    loads = map(session.bench.load, scenarios)
    return deep_points([(each, load.banks, load.share) for each, load in zip(scenarios, loads, strict=True)])


def _in_conditions(whole: Mapping[str, Scenario]) -> dict[str, Scenario]:
    """Every scenario in each of its conditions, by their names: a sweep shows them as it does several scenarios."""
    found = {}
    for name, each in whole.items():
        for part in states(each):
            called = part.name if len(whole) == 1 else f"{name}: {part.name}"
            found[called if part.name else name] = part.scenario
    return found


def _set_over(whole: Mapping[str, Scenario], axes: Sequence[Axis]) -> Iterable[str]:
    """Which keys that vary have values of their own in conditions: these give way."""
    for axis in axes:
        own = {name: None for each in whole.values() for name in setting_too(each, axis.key)}
        if own:
            yield f"{axis.key} varies in condition {', '.join(own)}, too, which has a value of its own otherwise."


def _kept_point(place: tuple[str, tuple[Setting, ...]], scenario: Scenario) -> dict[str, Any]:
    return {
        "scenario": place[0],
        "values": {setting.key: setting.value for setting in place[1]},
        "classes": [each.name for each in scenario.workload],
        "task": digest_of(scenario),
        "digest": scenario.digest,
    }


def _lengths(
    session: Session, scenarios: Sequence[Scenario], seconds: float | None, began: float
) -> tuple[list[Length], str]:
    """Lengths of all points, and what a budget costs. What it decided is kept: a study that goes on must not anew."""
    bench = session.bench
    if seconds is None:
        return lengths(bench, scenarios, POINT), ""
    kept = session.decided("lengths")
    if kept is None:
        found, cost = within_budget(bench, scenarios, seconds, began)
        kept = session.decide("lengths", [cost, *(each.written() for each in found)])
    cost, *written = kept
    return [Length.read(each) for each in written], cost


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


def _rows(
    point: Point, keys: Sequence[str], statistics: Sequence[str], made: Mapping[str, Any]
) -> Iterable[dict[str, Any]]:
    evidence = point.evidence
    station = evidence.overloaded
    values = {setting.key: setting.value for setting in point.settings}
    for workload in evidence.scenario.workload:
        mine = [each.verdict for each in evidence.targets if each.class_name == workload.name]
        parts = [] if station else evidence.sample.totals(workload.name, "all")
        yield {
            "scenario": point.scenario,
            **{key: values[key] for key in keys},
            "class": workload.name,
            "verdict": "overloaded" if station else combined(mine),
            "overloaded_station": station,
            "requests": sum(part.requests for part in parts),
            "replications": len(evidence.sample),
            **figure_columns((each, evidence.estimate(workload.name, each)) for each in statistics),
            **made,
            "digest": evidence.scenario.digest,
        }


def figure_columns(figures: Iterable[tuple[str, IntervalEstimate]]) -> dict[str, Any]:
    """The part of a row that holds figures of a class, by the names of the quantities, and why some are not known."""
    row: dict[str, Any] = {}
    unknown = []
    for quantity, estimate in figures:
        row |= estimate.columns(Quantity(quantity).column)
        if estimate.value is None:
            unknown.append(f"{quantity}: {estimate.method}")
    return row | {"unknown": "; ".join(unknown) or None}


def _uncertain(places: Sequence[tuple[str, tuple[Setting, ...]]], seen: Sequence[Evidence]) -> Iterable[str]:
    """What is left uncertain: points undecided or not settled, and the widest interval of a p99."""
    undecided = sum(each.verdict == "undecided" for each in seen)
    if undecided:
        yield (
            f"{undecided} of {len(seen)} points are undecided: their intervals hold the limit, or the runs were too "
            "short for one."
        )
    doubts = [next(iter(each.sample.doubts.values())) for each in seen if each.sample.doubts]
    if doubts:
        said = f"{len(doubts)} of {len(seen)} points are not settled within their budget"
        yield f"{said}, the first of them: {doubts[0].reason}."
    widest: tuple[float, str] | None = None
    for (name, settings), evidence in zip(places, seen, strict=True):
        for workload in evidence.scenario.workload:
            width = evidence.estimate(workload.name, Quantity("p99")).relative_half_width
            if width is not None and (widest is None or width > widest[0]):
                where = ", ".join(setting.override for setting in settings)
                widest = width, f"{workload.name} at {where}" + (f" of {name}" if name else "")
    if widest is not None:
        yield f"The widest interval of a p99 is ±{100 * widest[0]:.2g} %, that of {widest[1]}."
