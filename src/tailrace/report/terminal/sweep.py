"""A sweep on a terminal: a row a point, and where each line bends."""

from __future__ import annotations

from rich.console import RenderableType
from rich.text import Text

from tailrace.report.columns.studies import swept
from tailrace.report.figures import key_text
from tailrace.report.sentences import CAUTION
from tailrace.report.terminal.layout import listed, under
from tailrace.study.knee import METHOD, Knee
from tailrace.study.lines import knees
from tailrace.study.sweep import Sweep


def parts(sweep: Sweep, width: int) -> list[RenderableType]:
    """The whole sweep for a terminal of that many columns."""
    found: list[RenderableType] = [Text(sweep.title, style="bold")]
    unit = sweep.told.get(sweep.keys[0], "")
    for name in sweep.class_names:
        found += under(f"Class {name}", swept(sweep, name), width)
        bends = [f"{label}: {_bend(each, unit)}" for label, each in knees(sweep.points, name)]
        found += listed(f"Knee ({METHOD}: where it exceeds twice that of the easiest value)", bends)
    found += listed("What is uncertain", sweep.notes)
    method = (
        f"{len(sweep.points)} points at seed {sweep.seed}, {sweep.requests:,} requests in all. ± is half of the 95 % "
        "confidence interval. All points see the same random numbers."
    )
    return [*found, Text(), Text(method), Text(CAUTION)]


def _bend(found: Knee, unit: str) -> str:
    """Where a line bends, in words; the key's values are in ``unit``."""
    if found.value is not None and found.within is not None and found.beyond is not None:
        return (
            f"{key_text(float(f'{found.value:.3g}'), unit)}, between {key_text(found.within, unit)} and "
            f"{key_text(found.beyond, unit)}"
        )
    beyond = f" beyond {key_text(found.within, unit)}" if found.within is not None else ""
    return f"none found{beyond}: {found.reason}"
