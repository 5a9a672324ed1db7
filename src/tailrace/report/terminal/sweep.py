"""A sweep on a terminal: a row a point, and where each line bends."""

from __future__ import annotations

from rich.console import RenderableType
from rich.text import Text

from tailrace.report.columns.studies import swept
from tailrace.report.lines import bend_sentence, knees
from tailrace.report.sentences import CAUTION
from tailrace.report.terminal.layout import listed, under
from tailrace.study.knee import METHOD
from tailrace.study.sweep import Sweep


def parts(sweep: Sweep, width: int) -> list[RenderableType]:
    """The whole sweep for a terminal of that many columns."""
    found: list[RenderableType] = [Text(sweep.title, style="bold")]
    unit = sweep.units.get(sweep.keys[0], "")
    for name in sweep.class_names:
        found += under(f"Class {name}", swept(sweep, name), width)
        bends = [f"{label}: {bend_sentence(each, unit)}" for label, each in knees(sweep, name)]
        found += listed(f"Knee ({METHOD}: where it exceeds twice that of the easiest value)", bends)
    found += listed("What is uncertain", sweep.notes)
    method = (
        f"{len(sweep.points)} points at seed {sweep.seed}, {sweep.requests:,} requests in all. ± is half of the 95 % "
        "confidence interval. All points see the same random numbers."
    )
    return [*found, Text(), Text(method), Text(CAUTION)]
