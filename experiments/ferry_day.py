"""What does a day of the ferry company do to its bookings on spinning drives, and on flash?

Night, morning, the opening of sales, noon with a spare rebuilt, afternoon: the ready scenarios, answered in every
condition.
"""

from __future__ import annotations

from argparse import Namespace
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import SCENARIOS, recorded
from tailrace.crew.executors import available_cores
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import load
from tailrace.study.conditions import ConditionResult, conditions

DESIGNS = {"spinning drives": "ferry-day", "flash drives": "ferry-day-flash"}
QUANTITIES = ("mean", "p99")


def measured(options: Namespace) -> pd.DataFrame:
    short = ["run.requests=1000", "run.replications=2"] if options.quick else []
    rows = []
    for design, name in DESIGNS.items():
        scenario = load(SCENARIOS / f"{name}.toml", short)
        found = conditions(scenario, options.seed, workers=1 if options.quick else available_cores())
        work = {each.class_name: each.time for each in found.work}["manifests"]
        for each in found.conditions:
            row = {"design": design, "condition": each.name, "hours": each.hours, **_load(each)}
            spells = [spell for spell in found.spells if spell.condition == each.name]
            row["backlog"] = spells[0].backlog if spells else np.nan
            row["gone_after_s"] = spells[0].drain_s if spells else np.nan
            row |= {"manifests_s": work.value, "manifests_low_s": work.low, "manifests_high_s": work.high}
            rows.append(row)
    return pd.DataFrame(rows)


def _load(each: ConditionResult) -> dict[str, Any]:
    """What a condition asks, and what the bookings see in it."""
    overload, saturation = each.result.overload, each.result.theory.saturation
    factor = overload.largest_load_factor if overload is not None else saturation and saturation.load_factor
    row: dict[str, Any] = {"verdict": each.result.verdict, "load": 1 / factor if factor else np.nan}
    mine = [one for one in each.result.classes if one.name == "booking"]
    for name in QUANTITIES:
        estimate = mine[0].all.latency_s[name] if mine else None
        for end in ("value", "low", "high"):
            row[f"{name}_{end}_s"] = np.nan if estimate is None else getattr(estimate, end)
    return row


def picture(frame: pd.DataFrame) -> Figure:
    figure, (above, below) = drawn.panels(2, 1, 6.0)
    names = list(dict.fromkeys(frame.condition))
    for place, (design, mine) in enumerate(frame.groupby("design", sort=False)):
        at = np.array([names.index(each) for each in mine.condition]) + 0.24 * (place - 0.5)
        for number, quantity in enumerate(QUANTITIES):
            value, low, high = (1e3 * mine[f"{quantity}_{end}_s"] for end in ("value", "low", "high"))
            look = style.line(2 * place + number)
            above.vlines(at, low, high, color=look.colour, linewidth=2)
            above.plot(
                at,
                value,
                color=look.colour,
                marker=look.marker,
                linestyle="none",
                label=f"{quantity}, {design}",
            )
        below.bar(at, 100 * mine.load, width=0.22, **style.bar(place), label=design)
        for there in np.flatnonzero(mine.verdict == "overloaded"):
            above.text(at[there], 20, "overloaded", rotation=90, ha="center", va="center", color=style.FAINT)
    style.log_axis(above.yaxis)
    above.set_ylabel("booking latency, ms")
    below.axhline(100, color=style.INK, linewidth=1, linestyle=style.DASHES[1])
    below.set_ylabel("load, % of saturation")
    for axis in (above, below):
        axis.set_xticks(range(len(names)), [each.replace(", ", ",\n") for each in names])
    drawn.legend(
        figure, [above, below], "bars through marks: 95 % intervals; dashed: all that can be carried"
    )
    return figure


def main() -> None:
    recorded("ferry_day", __doc__.splitlines()[0], measured, picture)


if __name__ == "__main__":
    main()
