"""Which points of a sweep make a line, and where does each line bend?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tailrace.answer.bench import Evidence
from tailrace.scenario.reading.dial import Dial
from tailrace.scenario.reading.variant import Variants
from tailrace.study.knee import Knee, knee
from tailrace.study.vary import Setting


@dataclass(frozen=True)
class Point:
    """One combination: the name of its scenario, the settings, and what was found."""

    scenario: str
    settings: tuple[Setting, ...]
    evidence: Evidence


def lines(points: Sequence[Point], class_name: str) -> Iterator[tuple[str, list[Point]]]:
    """The lines of a picture: points with all but the first key alike, by what they have in common, easiest first."""
    found: dict[tuple[object, ...], list[Point]] = {}
    several = len({point.scenario for point in points}) > 1
    for point in points:
        if any(each.name == class_name for each in point.evidence.scenario.workload):
            rest = tuple(setting.override for setting in point.settings[1:])
            found.setdefault((point.scenario, *rest), []).append(point)
    for line in found.values():
        yield _label(line[0], several), line


def knees(points: Sequence[Point], class_name: str) -> list[tuple[str, Knee]]:
    """The knee of each line along the first key, if that is a number."""
    found = []
    for label, line in lines(points, class_name):
        known = [
            (float(value), point.evidence.estimate(class_name, "p99").value)
            for point in line
            if not isinstance(value := point.settings[0].value, str)
        ]
        if len(known) > 1:
            rises = Dial(Variants(line[0].evidence.scenario), line[0].settings[0].key).worse_upwards
            known.sort(key=lambda each: each[0], reverse=not rises)
            found.append((label, knee([value for value, _ in known], [each for _, each in known])))
    return found


def short_key(key: str) -> str:
    """The last part of a key, or two where one alone says little."""
    parts = key.split(".")
    two = parts[-1] in ("count", "rate", "size", "price") and len(parts) > 1
    return ".".join(parts[-2:]) if two else parts[-1]


def _label(point: Point, several: bool) -> str:
    said = [f"{short_key(each.key)} {each.text}" for each in point.settings[1:]]
    return ", ".join(([point.scenario] if several else []) + said) or point.scenario
