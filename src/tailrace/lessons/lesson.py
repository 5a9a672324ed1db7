"""What every lesson consists of: headings, reasoning, pictures with their numbers, and claims; as a page and files."""

from __future__ import annotations

import math
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from tailrace.lessons.trials import Claim, Trials
from tailrace.measure.interval import IntervalEstimate
from tailrace.report.figures import FEW_DIGITS, interval_figure, number
from tailrace.report.page.site import Drawing, page
from tailrace.report.table import Head, Table

__all__ = ["Chapter", "Drawing", "Lesson", "claims_table", "lesson_page", "told", "written"]


@dataclass(frozen=True)
class Chapter:
    """A heading, the reasoning below it, paragraph by paragraph, and its pictures."""

    heading: str
    texts: tuple[str, ...]
    drawings: tuple[Drawing, ...] = ()


@dataclass(frozen=True)
class Lesson:
    """A whole lesson: the question in a sentence or two, its chapters, and what was simulated."""

    question: str
    chapters: tuple[Chapter, ...]
    design: str

    @property
    def drawings(self) -> tuple[Drawing, ...]:
        """All pictures, in order."""
        return tuple(drawing for chapter in self.chapters for drawing in chapter.drawings)


def lesson_page(name: str, title: str, lesson: Lesson, claims: Sequence[Claim], trials: Trials) -> str:
    """The page of a lesson, which needs nothing else: no network, no script, no other file."""
    context = {
        "title": title,
        "version": version("tailrace"),
        "lesson": lesson,
        "claims": claims_table(claims),
        "notes": list(dict.fromkeys(trials.notes)),
        "command": shlex.join(
            ["tailrace", "lesson", name, "--seed", str(trials.seed)]
            + [part for each in trials.settings for part in ("--set", each)]
            + ["--out", name]
        ),
        "settings": trials.settings,
    }
    return page("lesson.html", context, Path(__file__).parent)


def claims_table(claims: Sequence[Claim]) -> Table:
    """Each claim, its figure and its range, and whether it holds."""
    rows = tuple(
        (
            each.said,
            "not known" if math.isnan(each.found) else f"{written(each.found)} {each.unit}".strip(),
            "–"
            if math.isnan(each.low)
            else f"{written(each.low)} to {written(each.high)} {each.unit}".strip(),
            "yes" if each.holds else "no",
        )
        for each in claims
    )
    return Table.of([Head("claim", "prose"), "found", "range", "holds"], rows)


def told(estimate: IntervalEstimate, factor: float = 1.0) -> str:
    """An estimate with its half-width, as the lessons write it in a sentence."""
    value, rest = interval_figure(estimate.scaled(factor))
    return f"{value}\N{NO-BREAK SPACE}{rest}".strip()


def written(value: float, digits: int = FEW_DIGITS) -> str:
    """A number as the lessons write it; one that is not known says so."""
    return "not known" if math.isnan(value) else number(value, digits)
