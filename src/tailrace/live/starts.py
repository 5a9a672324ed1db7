"""Where does a page start? At the file that was given, or at one of the lessons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tailrace.lessons import LESSONS
from tailrace.lessons.starts import STARTS
from tailrace.scenario.reading.read import load, parse
from tailrace.scenario.tables.scenario import Scenario


@dataclass(frozen=True)
class Start:
    """A scenario to begin with. ``name`` is "" for the file; ``keys`` are the controls in front, () for the usual ones.

    ``beside`` is the directory in which parts are looked for first.
    """

    name: str
    title: str
    question: str
    scenario: Scenario
    beside: Path | None = None
    keys: tuple[str, ...] = ()


def starts(file: Path | None, settings: Sequence[str] = (), condition: str | None = None) -> dict[str, Start]:
    """The file first, if there is one, then the lessons, by name. Raises as `tailrace.load`."""
    found: dict[str, Start] = {}
    if file is not None:
        scenario = load(file, settings, condition)
        found[""] = Start("", scenario.title, "", scenario, file.absolute().parent)
    for name, title in LESSONS.items():
        lesson = STARTS[name]
        scenario = parse(lesson.text, source=f"lesson {name}").model_copy(update={"title": title})
        found[name] = Start(name, title, lesson.question, scenario, None, lesson.keys)
    return found
