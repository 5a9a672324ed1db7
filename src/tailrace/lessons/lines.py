"""Lines over one axis as pictures of a lesson, with their numbers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

from tailrace.answer.result import Result
from tailrace.lessons.lesson import Drawing
from tailrace.lessons.trials import figures
from tailrace.report.pictures.lines import Panel, Series, lines, table

__all__ = ["Panel", "Series", "drawing", "latencies"]

_Place = TypeVar("_Place", int, float)


def latencies(
    label: str,
    quantity: str,
    answers: Mapping[_Place, Result],
    places: Sequence[_Place],
    exact: Callable[[_Place], float] | None = None,
    *,
    name: str | None = None,
    factor: float = 1.0,
) -> Series:
    """Mean or quantile of a class, the first without a name, at places of which ``factor`` times the value is shown."""
    return Series(
        label,
        tuple(factor * place for place in places),
        tuple(figures(answers[place], name).latency_s[quantity] for place in places),
        None if exact is None else tuple(exact(place) for place in places),
    )


def drawing(
    name: str,
    panels: Sequence[Panel],
    x_label: str,
    alternative: str,
    caption: str,
    written: Callable[[float], str] | None = None,
    logarithmic: bool = False,
) -> Drawing:
    """Panels one above the other as a picture of a lesson, with their numbers.

    The common axis has a label at each place where ``written`` makes one, or is ``logarithmic``, or linear.
    """
    several = sum(len(panel.series) for panel in panels) > 1
    numbers = (f"Points of the line{'s' if several else ''}", table(panels, x_label))
    return Drawing(name, lines(panels, x_label, written, logarithmic), alternative, caption, (numbers,))
