"""Which points of a sweep make a line, and where does each line bend?"""

from __future__ import annotations

from collections.abc import Iterator

from tailrace.forecast.edge import more_is_worse
from tailrace.report.columns.studies import short_key
from tailrace.report.figures import key_text
from tailrace.scenario.reading.variant import Variants
from tailrace.study.knee import Knee, knee
from tailrace.study.sweep import Point, Sweep


def lines(sweep: Sweep, class_name: str) -> Iterator[tuple[str, list[Point]]]:
    """The lines of a picture: points with all but the first key alike, by what they have in common, easiest first."""
    found: dict[tuple[object, ...], list[Point]] = {}
    for point in sweep.points:
        if any(each.name == class_name for each in point.reading.scenario.workload):
            rest = tuple(setting.override for setting in point.settings[1:])
            found.setdefault((point.scenario, *rest), []).append(point)
    for points in found.values():
        yield _label(sweep, points[0]), points


def knees(sweep: Sweep, class_name: str) -> list[tuple[str, Knee]]:
    """The knee of each line along the first key, if that is a number."""
    found = []
    for label, points in lines(sweep, class_name):
        known = [
            (float(value), point.reading.estimate(class_name, "p99").value)
            for point in points
            if not isinstance(value := point.settings[0].value, str)
        ]
        if len(known) > 1:
            rises = more_is_worse(Variants(points[0].reading.scenario), points[0].settings[0].key)
            known.sort(key=lambda each: each[0], reverse=not rises)
            found.append((label, knee([value for value, _ in known], [each for _, each in known])))
    return found


def bend_sentence(found: Knee, unit: str) -> str:
    """Where a line bends, in words; the key's values are in ``unit``."""
    if found.value is not None and found.within is not None and found.beyond is not None:
        return (
            f"{key_text(float(f'{found.value:.3g}'), unit)}, between {key_text(found.within, unit)} and "
            f"{key_text(found.beyond, unit)}"
        )
    beyond = f" beyond {key_text(found.within, unit)}" if found.within is not None else ""
    return f"none found{beyond}: {found.reason}"


def _label(sweep: Sweep, point: Point) -> str:
    said = [
        f"{short_key(each.key)} {key_text(each.value, sweep.units.get(each.key, ''))}"
        for each in point.settings[1:]
    ]
    return ", ".join(([point.scenario] if sweep.several else []) + said) or point.scenario
