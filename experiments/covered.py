"""How often do intervals hold the truth? Counting, the table of it, and its picture."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy import stats

import drawn
from parallel import Parallel
from simulated import label
from tailrace.measure.interval import IntervalEstimate
from tailrace.report.pictures import style

DOUBT = 0.999
"""Level of the binomial interval of a cell."""
LEAST, MOST = 0.93, 0.97
"""What no cell may lie beyond."""

QUANTITIES = ("rate", "mean", "p50", "p95", "p99", "p999")

Hits = dict[str, tuple[int, int]]
"""By quantity: intervals given, and how many of them held the truth."""
Found = dict[tuple[str, str], list[tuple[int, Hits]]]
"""By cell and rule: of each task, the number of runs and what they hit."""


def counted(hits: Hits, estimates: dict[str, IntervalEstimate], known: dict[str, float]) -> Hits:
    found = {}
    for name, (given, held) in hits.items():
        low, high = estimates[name].low, estimates[name].high
        is_known = low is not None and high is not None
        found[name] = (given + is_known, held + int(is_known and low <= known[name] <= high))
    return found


@dataclass(frozen=True)
class Task:
    """Some runs of a cell under a rule, and how they are made."""

    cell: str
    rule: str
    runs: int
    made: Callable[..., Hits]
    arguments: tuple[object, ...]


def table(
    tasks: Sequence[Task],
    crew: Parallel,
    truths: Mapping[str, Mapping[str, IntervalEstimate]] | None = None,
) -> pd.DataFrame:
    """A row for each cell, rule and quantity; ``truths`` by cell, where they are not exact.

    Each task is reported on standard error, and Ctrl-C leaves what is finished.
    """
    found: Found = {}
    try:
        results = crew.run(_done, [(each.made, each.arguments) for each in tasks])
        for task, hits in zip(tasks, results, strict=True):
            found.setdefault((task.cell, task.rule), []).append((task.runs, hits))
            print(f"{task.cell}, {task.rule}: {hits}", file=sys.stderr, flush=True)
    except KeyboardInterrupt:
        print("Stopped: the table holds what was finished.", file=sys.stderr)
    return rows_of(found, truths)


def rows_of(found: Found, truths: Mapping[str, Mapping[str, IntervalEstimate]] | None) -> pd.DataFrame:
    """The table of what was found."""
    rows = []
    for (name, rule), parts in found.items():
        for quantity in parts[0][1]:
            given = sum(hits[quantity][0] for _, hits in parts)
            held = sum(hits[quantity][1] for _, hits in parts)
            row = {
                "cell": name,
                "rule": rule,
                "quantity": quantity,
                "runs": sum(count for count, _ in parts),
                "given": given,
                "held": held,
                "coverage": held / given if given else np.nan,
                **binomial(held, given),
            }
            if truths is not None:
                truth = truths[name][quantity]
                row |= {"truth": truth.value, "truth_half_width": truth.half_width}
            rows.append(row)
    return pd.DataFrame(rows).sort_values(["rule", "cell"], kind="stable", ignore_index=True)


def _done(task: Callable[..., Hits], arguments: tuple[object, ...]) -> Hits:
    return task(*arguments)


def binomial(held: int, given: int) -> dict[str, float]:
    """The exact interval of a share: Clopper and Pearson, Biometrika 26, 1934 (from memory)."""
    tail = (1 - DOUBT) / 2
    low = stats.beta.ppf(tail, held, given - held + 1) if held else 0.0
    high = stats.beta.ppf(1 - tail, held + 1, given - held) if held < given else 1.0
    return {"low": float(low), "high": float(high)}


def picture(frame: pd.DataFrame) -> Figure:
    lines = list(frame[["cell", "rule"]].drop_duplicates().itertuples(index=False, name=None))
    figure, (axis,) = drawn.panels(1, 1, 0.36 * len(lines) + 1.6)
    axis.axvspan(100 * LEAST, 100 * MOST, color=style.GRID, zorder=0)
    axis.axvline(95, color=style.INK, linewidth=1)
    kinds = frame.quantity.str.split().str[-1]
    for place, quantity in enumerate(QUANTITIES):
        part = frame[(kinds == quantity) & (frame.given > 0)]
        if part.empty:
            continue
        look = style.line(place)
        at = [lines.index(line) for line in zip(part.cell, part.rule, strict=True)]
        axis.errorbar(
            100 * part.coverage,
            np.array(at) + 0.14 * (place - 2.5),
            xerr=[100 * (part.coverage - part.low), 100 * (part.high - part.coverage)],
            fmt=look.marker,
            markersize=4,
            capsize=2,
            linewidth=1,
            color=look.colour,
            label=label(quantity),
        )
    names = [", ".join(line) for line in lines]
    axis.set_yticks(range(len(names)), names)
    axis.grid(axis="y", visible=False)
    axis.invert_yaxis()
    axis.set_xlabel("share of 95 % intervals that hold the exact value, %")
    drawn.legend(figure, [axis], "bars: 99.9 % intervals of the share (binomial); grey: 93 to 97 %")
    return figure


def summed_up(frame: pd.DataFrame) -> None:
    """Print what the table says in all."""
    pooled = frame.held.sum() / frame.given.sum()
    beyond = frame[(frame.low > MOST) | (frame.high < LEAST)]
    print(
        f"\nPooled coverage {pooled:.2%} of {frame.given.sum():,} intervals ({frame.runs.sum():,} asked for)."
    )
    print(f"Cells wholly beyond {LEAST:.0%} to {MOST:.0%}: {len(beyond)}.")
