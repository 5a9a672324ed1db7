"""What every lesson consists of: headings, reasoning, pictures with their numbers, and claims; as a page and files."""

from __future__ import annotations

import math
import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tailrace.lessons.trials import Claim
from tailrace.report.figures import FEW_DIGITS, number
from tailrace.report.page import figures
from tailrace.report.page.page import VARIABLES
from tailrace.report.page.tables import Table
from tailrace.report.pictures.style import Width

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Drawing:
    """A picture of a lesson: the name of its files, how it is drawn, what it shows in words, and its numbers."""

    name: str
    figure: Callable[[Width], Figure]
    alternative: str
    caption: str
    numbers: tuple[tuple[str, Table], ...]


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


def lesson_page(name: str, title: str, lesson: Lesson, claims: Sequence[Claim], seed: int) -> str:
    """The page of a lesson, which needs nothing else: no network, no script, no other file."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    here = Path(__file__).parent
    environment = Environment(
        loader=FileSystemLoader([here, here.parent / "report" / "page"]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    chapters = [
        {
            "heading": chapter.heading,
            "texts": chapter.texts,
            "pictures": [
                figures.draw(each.name, each.figure, each.alternative, each.caption, *each.numbers)
                for each in chapter.drawings
            ],
        }
        for chapter in lesson.chapters
    ]
    context: dict[str, Any] = {
        "title": title,
        "version": version("tailrace"),
        "variables": VARIABLES,
        "lesson": {"question": lesson.question, "chapters": chapters, "design": lesson.design},
        "claims": claims_table(claims),
        "command": shlex.join(["tailrace", "lesson", name, "--seed", str(seed), "--out", name]),
    }
    return environment.get_template("lesson.html").render(context)


def claims_table(claims: Sequence[Claim]) -> Table:
    """Each claim, its figure and its range, and whether it holds."""
    rows = tuple(
        (
            each.said,
            f"{written(each.found)} {each.unit}".strip(),
            f"{written(each.low)} to {written(each.high)} {each.unit}".strip(),
            "yes" if each.holds else "no",
        )
        for each in claims
    )
    return Table(("claim", "found", "range", "holds"), rows, prose=(0,))


def written(value: float, digits: int = FEW_DIGITS) -> str:
    """A number as the lessons write it; one that is not known says so."""
    return "not known" if math.isnan(value) else number(value, digits)
