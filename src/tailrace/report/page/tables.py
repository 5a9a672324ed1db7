"""Tables that only a page has: the points behind each picture, answers side by side, the inputs."""

from __future__ import annotations

from collections.abc import Sequence

from tailrace.answer.result import Result
from tailrace.measure.interval import IntervalEstimate
from tailrace.quantity import Quantity
from tailrace.report.columns.answer import statistics
from tailrace.report.figures import number, unit_of
from tailrace.report.table import Cell, Footnotes, Head, Table, known, noted, unknown
from tailrace.scenario.reading.inputs import inputs
from tailrace.scenario.tables.cost import cost
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.curve import Curve, LoadCurve

POINTS = (Quantity("mean"), Quantity("p99"))
"""What is told of each point of a curve, and of answers side by side."""
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


def all_inputs(scenario: Scenario) -> Table:
    """Every key as it was used."""
    return Table.of(
        [Head("key", "name"), Head("value", "name"), Head("from", "name"), Head("meaning", "prose")],
        [
            (each.path, each.value, "given" if each.is_given else "default", each.description)
            for each in inputs(scenario)
        ],
    )


def differing(designs: Sequence[tuple[str, Scenario]]) -> Table:
    """Keys that a design gives and that are not the same in all, with what each has; a dash for what is not there."""
    found = [{each.path: each for each in inputs(scenario)} for _, scenario in designs]
    paths = dict.fromkeys(path for mine in found for path, each in mine.items() if each.is_given)
    rows = [[mine[path].value if path in mine else "–" for mine in found] for path in paths]
    differ = [
        (path, *row) for path, row in zip(paths, rows, strict=True) if len(set(row)) > 1 and path != "title"
    ]
    return Table.of([Head("key", "name"), *(Head(name, "name") for name, _ in designs)], differ)


def costs(designs: Sequence[tuple[str, Scenario]]) -> Table:
    """What one of each design costs and draws; no rows where nothing is known of any."""
    found = [(name, cost(scenario.server)) for name, scenario in designs]

    def figure(value: float | None, lacking: Sequence[str]) -> Cell:
        reason = f"without {', '.join(lacking)}" if lacking else ""
        return unknown(reason) if value is None else noted(f"{value:,.0f}", reason)

    rows = [
        (name, figure(each.price, each.lacking_price), figure(each.power_w, each.lacking_power))
        for name, each in found
    ]
    known_at_all = any(each.price is not None or each.power_w is not None for _, each in found)
    return Table.of([Head("design", "name"), "price", "power, W"], rows if known_at_all else [])


def _latencies(result: Result, name: str, reason: str = "") -> list[Cell]:
    """The figures of a class, each in its own unit; dashes where it was not measured, and why."""
    if not any(each.name == name for each in result.classes):
        return [unknown(reason)] * len(POINTS)
    return [_with_unit(result.class_named(name).all.latency_s[quantity]) for quantity in POINTS]


def _with_unit(estimate: IntervalEstimate) -> Cell:
    unit = unit_of("time", [estimate.value])

    def write(digits: int, notes: Footnotes) -> tuple[str, str]:
        value, half = notes.figure(unit.of(estimate), digits)
        return value, f"{half} {unit.name}".strip() if estimate.value is not None else ""

    return write
