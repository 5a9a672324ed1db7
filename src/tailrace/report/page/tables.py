"""Tables that only a page has: the points behind each picture, answers side by side, the inputs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tailrace.answer.result import Result
from tailrace.measure.interval import IntervalEstimate
from tailrace.quantity import Quantity
from tailrace.report.columns.answer import statistics
from tailrace.report.columns.studies import class_differences, differences
from tailrace.report.figures import number, unit_of
from tailrace.report.table import Cell, Footnotes, Head, Table, known, unknown
from tailrace.scenario.reading.inputs import inputs
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.compare import Comparison
from tailrace.study.curve import Curve, LoadCurve

POINTS = (Quantity("mean"), Quantity("p99"))
"""What is told of each point of a curve, and of answers side by side."""
SEEN = tuple(map(Quantity, ("rate", "throughput", "mean", "p50", "p99")))
"""What is told of each class beside its targets."""
MOST_COMPARED = 4
"""Classes of which answers are told side by side."""


def distribution(result: Result, names: Sequence[str]) -> Table:
    """The points of the lines of the distribution."""
    classes = [result.class_named(name).all for name in names]
    unit = unit_of("time", [e.value for each in classes for e in each.latency_s.values()])
    levels = sorted({p for each in classes for p in each.distribution_s})
    rows = []
    for p in levels:
        found = (each.distribution_s.get(p) for each in classes)
        rows.append([f"{100 * (1 - p):.4g}", *(unknown() if e is None else unit.of(e) for e in found)])
    return Table.of(["requests that take longer, %", *(f"{name}, {unit.name}" for name in names)], rows)


def load_points(curve: LoadCurve) -> Table:
    """The points of a load curve."""
    names = list(dict.fromkeys(each.name for point in curve.points for each in point.result.classes))[:3]
    rows = []
    for point in curve.points:
        today = " (today)" if point.value == 1.0 else ""
        load = f"{number(point.value * curve.rate_per_s, 4)}{today}"
        cells = [_latencies(point.result, name, "the run was too short to settle") for name in names]
        rows.append([load, *(cell for mine in cells for cell in mine)])
    heads = [f"{name}: {quantity.shown}" for name in names for quantity in POINTS]
    return Table.of(["open load, requests/s", *heads], rows)


def depth_points(curve: Curve, name: str) -> Table:
    """The points of a curve over the queue depth."""
    rows: list[list[Cell]] = []
    for point in curve.points:
        if point.result.classes:
            figures = point.result.class_named(name).all
            rates = [
                unit_of(quantity.dimension).of(estimate)
                for quantity, estimate in statistics(figures)
                if not quantity.is_latency
            ]
            rows.append([f"{point.value:,.0f}", *rates, *_latencies(point.result, name)])
    return Table.of(["queue depth", "requests/s", "MB/s", *(each.shown for each in POINTS)], rows)


def compared(results: Sequence[tuple[str, Result]]) -> Table:
    """Several answers side by side: verdict, what binds, and the latencies of each class."""
    names = list(dict.fromkeys(each.name for _, result in results for each in result.classes))
    names = names[:MOST_COMPARED]
    rows: list[list[Cell]] = []
    for label, result in results:
        saturation = result.theory.saturation
        factor = known(None if saturation is None else saturation.load_factor, number)
        cells = (cell for name in names for cell in _latencies(result, name))
        rows.append([label, result.verdict, factor, *cells])
    heads = [f"{name}: {quantity.shown}" for name in names for quantity in POINTS]
    return Table.of(["scenario", Head("verdict", "verdict"), "saturates at, times this load", *heads], rows)


def seen(result: Result) -> Table:
    """What all requests of each class see, each figure in its own unit."""
    rows: list[list[Cell]] = []
    for each in result.classes:
        whole = "requests" if each.requests_per_transaction is None else "transactions"
        found = dict(statistics(each.all))
        names = {Quantity("rate"): f"{whole}/s"}
        rows.append([each.name, *(_with_unit(q, found[q], names.get(q, "")) for q in SEEN)])
    return Table.of([Head("class", "name"), *(each.shown for each in SEEN)], rows)


def differences_apart(comparison: Comparison) -> Iterator[tuple[str, Table, Table | None]]:
    """What `class_differences` says: of all requests of a class, and of its reads and writes where it has both."""
    for said, design, mine in class_differences(comparison):
        whole = [each for each in mine if each.kind == "all"]
        kinds = [each for each in mine if each.kind != "all"]
        both = len({each.kind for each in kinds}) > 1
        yield (
            said,
            differences(comparison, design, whole),
            differences(comparison, design, kinds) if both else None,
        )


def differing(named: Sequence[tuple[str, Scenario]]) -> Table:
    """Keys that a design gives and that are not the same in all, with what each has; a dash for what is not there."""
    found = [{each.path: each for each in inputs(scenario)} for _, scenario in named]
    paths = dict.fromkeys(path for mine in found for path, each in mine.items() if each.is_given)
    rows = {
        path: [mine[path].value if path in mine else "–" for mine in found]
        for path in paths
        if path != "title"
    }
    return Table.of(
        [Head("key", "name"), *(Head(name, "name") for name, _ in named)],
        [(path, *row) for path, row in rows.items() if len(set(row)) > 1],
    )


def all_inputs(scenario: Scenario) -> Table:
    """Every key as it was used."""
    return Table.of(
        [Head("key", "name"), Head("value", "name"), Head("from", "name"), Head("meaning", "prose")],
        [
            (each.path, each.value, "given" if each.is_given else "default", each.description)
            for each in inputs(scenario)
        ],
    )


def _latencies(result: Result, name: str, reason: str = "") -> list[Cell]:
    """The figures of a class, each in its own unit; dashes where it was not measured, and why."""
    if not any(each.name == name for each in result.classes):
        return [unknown(reason)] * len(POINTS)
    return [_with_unit(each, result.class_named(name).all.latency_s[each]) for each in POINTS]


def _with_unit(quantity: Quantity, estimate: IntervalEstimate, name: str = "") -> Cell:
    """A figure with its unit behind it, or another name of that unit."""
    unit = unit_of(quantity.dimension, [estimate.value])

    def write(digits: int, notes: Footnotes) -> tuple[str, str]:
        value, half = notes.figure(unit.of(estimate), digits)
        return value, f"{half} {name or unit.name}".strip() if estimate.value is not None else ""

    return write
