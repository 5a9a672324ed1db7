"""A sweep on a terminal: a row a point, and where each line bends."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from tailrace.measure.estimate import Estimate
from tailrace.report.figures import TIME_UNITS, aligned, number, time_unit
from tailrace.report.sentences import CAUTION
from tailrace.report.terminal.answer import STYLES
from tailrace.report.terminal.layout import Footnotes, as_text, fitted, hanging, heading, plain_table
from tailrace.scenario.reading.dial import Value
from tailrace.study.knee import METHOD, Knee, knee
from tailrace.study.sweep import Point, Sweep
from tailrace.study.vary import Setting


def sweep_text(sweep: Sweep, console: Console | None = None) -> str:
    """The whole sweep as text: for a console of 80 columns without colours if none is given."""
    return as_text(lambda width: _parts(sweep, width), console)


def lines(sweep: Sweep, class_name: str) -> Iterator[tuple[str, list[Point]]]:
    """The lines of a picture: points with all but the first key alike, by what they have in common, easiest first."""
    found: dict[tuple[object, ...], list[Point]] = {}
    for point in sweep.points:
        if any(each.name == class_name for each in point.evidence.scenario.workload):
            rest = tuple(setting.override for setting in point.settings[1:])
            found.setdefault((point.scenario, *rest), []).append(point)
    for points in found.values():
        yield _label(sweep, points[0]), points


def knees(sweep: Sweep, class_name: str) -> list[tuple[str, Knee]]:
    """The knee of each line along the first key, if that is a number."""
    found = []
    for label, points in lines(sweep, class_name):
        values = [_number(point.settings[0].value) for point in points]
        p99 = [point.evidence.estimate(class_name, "p99").value for point in points]
        known = [(value, each) for value, each in zip(values, p99, strict=True) if value is not None]
        if len(known) > 1:
            known.sort(key=lambda each: each[0], reverse=not _rises(points[0]))
            found.append((label, knee([value for value, _ in known], [each for _, each in known])))
    return found


def shown_value(value: Value, unit: str) -> str:
    """A value of a key with its unit, times in one that suits them."""
    if isinstance(value, str):
        return value
    if unit == "s" and value > 0:
        best = time_unit([value])
        return f"{number(value / TIME_UNITS[best], 4)} {best}"
    if unit in ("B", "B/s") and value >= 1024 and float(value).is_integer() and value % 1024 == 0:
        power = min(int(math.log2(value)) // 10, 4)
        return f"{number(value / 1024**power, 4)} {('', 'Ki', 'Mi', 'Gi', 'Ti')[power]}{unit}"
    if unit in ("B", "B/s") and value >= 1000:
        power = min(int(math.log10(value) + 1e-9) // 3, 4)
        return f"{number(value / 1000**power, 4)} {('', 'k', 'M', 'G', 'T')[power]}{unit}"
    return f"{number(value, 6)} {unit}".rstrip()


def _parts(sweep: Sweep, width: int) -> list[RenderableType]:
    parts: list[RenderableType] = [Text(sweep.title, style="bold")]
    names = list(
        dict.fromkeys(each.name for point in sweep.points for each in point.evidence.scenario.workload)
    )
    for name in names:
        parts += [*heading(f"Class {name}"), *_class_table(sweep, name, width)]
        bends = knees(sweep, name)
        if bends:
            parts += [*heading(f"Knee ({METHOD}: where it exceeds twice that of the easiest value)")]
            unit = sweep.units.get(sweep.keys[0], "")
            parts += [hanging("-", f"{label}: {_bend(each, unit)}") for label, each in bends]
    if sweep.notes:
        parts += [*heading("What is uncertain"), *(hanging("-", note) for note in sweep.notes)]
    parts += [
        Text(),
        Text(
            f"{len(sweep.points)} points at seed {sweep.seed}, {sweep.requests:,} requests in all. ± is half of the "
            "95 % confidence interval. All points see the same random numbers."
        ),
        Text(CAUTION),
    ]
    return parts


def _class_table(sweep: Sweep, name: str, width: int) -> Sequence[RenderableType]:
    points = [each for each in sweep.points if any(w.name == name for w in each.evidence.scenario.workload)]
    p99 = [each.evidence.estimate(name, "p99") for each in points]
    mean = [each.evidence.estimate(name, "mean") for each in points]
    unit = time_unit([each.value for each in (*p99, *mean) if each.value is not None])
    with_verdict = any(each.evidence.targets or each.evidence.overloaded for each in points)

    def build(digits: int) -> tuple[Table, Footnotes]:
        notes = Footnotes()
        keys = [_short(key) for key in sweep.keys]
        heads = ["scenario", *keys] if sweep.several else keys
        table = plain_table(heads[0], *heads[1:], "rate, /s", f"mean, {unit}", f"p99, {unit}")
        figures = [
            aligned([_figure(notes, each, digits) for each in column])
            for column in (
                [each.evidence.estimate(name, "rate") for each in points],
                [each.scaled(1 / TIME_UNITS[unit]) for each in mean],
                [each.scaled(1 / TIME_UNITS[unit]) for each in p99],
            )
        ]
        if with_verdict:
            table.add_column("verdict", justify="left")
        for point, *cells in zip(points, *figures, strict=True):
            values = [
                Text(shown_value(setting.value, sweep.units.get(setting.key, "")))
                for setting in point.settings
            ]
            verdict = point.evidence.verdict
            last = [Text("" if verdict == "none" else verdict, style=STYLES.get(verdict, ""))]
            table.add_row(
                *([Text(point.scenario)] if sweep.several else []),
                *values,
                *cells,
                *(last if with_verdict else []),
            )
        return table, notes

    return fitted(build, width)


def _figure(notes: Footnotes, estimate: Estimate, digits: int) -> tuple[str, str]:
    """A dash alone for what is overloaded: the verdict says so."""
    if estimate.value is None and estimate.method.startswith("overloaded"):
        return "–", ""
    return notes.figure(estimate, digits)


def _short(key: str) -> str:
    """The last part of a key, or two where one alone says little."""
    parts = key.split(".")
    return (
        ".".join(parts[-2:])
        if parts[-1] in ("count", "rate", "size", "price") and len(parts) > 1
        else parts[-1]
    )


def _label(sweep: Sweep, point: Point) -> str:
    said = [
        f"{_short(each.key)} {shown_value(each.value, sweep.units.get(each.key, ''))}"
        for each in point.settings[1:]
    ]
    return ", ".join(([point.scenario] if sweep.several else []) + said) or point.scenario


def _bend(found: Knee, unit: str) -> str:
    if found.value is not None and found.within is not None and found.beyond is not None:
        return (
            f"{shown_value(float(f'{found.value:.3g}'), unit)}, between {shown_value(found.within, unit)} and "
            f"{shown_value(found.beyond, unit)}"
        )
    beyond = f" beyond {shown_value(found.within, unit)}" if found.within is not None else ""
    return f"none found{beyond}: {found.reason}"


def _rises(point: Point) -> bool:
    from tailrace.scenario.reading.dial import Dial
    from tailrace.scenario.reading.variant import Variants

    setting: Setting = point.settings[0]
    return Dial(Variants(point.evidence.scenario), setting.key).worse_upwards


def _number(value: Value) -> float | None:
    return None if isinstance(value, str) else float(value)
