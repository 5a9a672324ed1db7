"""Are parameters found again? Points of a known drive with 5 % noise, fitted back: how often intervals hold the truth.

By the closed forms alone 1,000 times, and through the simulation 40 times; the intervals are those of 95 %.
"""

from __future__ import annotations

import time
from argparse import Namespace

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy.stats import binomtest

from record import Record, arguments
from tailrace.engine.choice import Engine, choose_engine
from tailrace.study.calibration import calibrate
from tailrace.study.measured import STARTS, Media, Point, media_of
from tailrace.study.predicted import closed_form, simulated
from tailrace.study.workers import Workers, available_cores

NOISE = 0.05
FITTED = {
    "spinning": ("seek_average", "outer_rate", "write_settle"),
    "flash": ("cell_read", "channel_rate", "buffer_time", "cell_program"),
}
TRUTH_SEED, TRUTH_REQUESTS = 104_729, 40_000
ENOUGH = {"closed form": (0.93, 0.97), "simulation": (34 / 40, 1.0)}
"""Share of the intervals that should hold the truth, as counted."""


def points_of(kind: str, by_simulation: bool, shallow: bool = False) -> list[Point]:
    """Reads and writes of three sizes at four depths, or two where each point is a simulation."""
    sizes, depths = ((8192, 131072, 1048576), (1, 4, 16, 32))
    if kind == "flash":
        sizes, depths = ((4096, 16384, 131072), (1, 8, 32, 128))
    if shallow:
        depths = depths[:2]
    elif by_simulation:
        depths = depths[::2]
    conditions = [(size, depth, read) for size in sizes for depth in depths for read in (True, False)]
    return [
        Point(line, depth, None, size, read, {"mean": 1.0})
        for line, (size, depth, read) in enumerate(conditions, 2)
    ]


def noisy(points: list[Point], truth: np.ndarray, seed: int) -> list[Point]:
    """The points with what would have been measured at each."""
    noise = np.random.default_rng(seed).normal(0.0, NOISE, truth.size)
    values = np.exp(truth + noise)
    return [
        Point(each.line, each.queue_depth, None, each.size_bytes, each.read, {"mean": float(value)})
        for each, value in zip(points, values, strict=True)
    ]


def fitted_back(
    kind: str, points: list[Point], truth: np.ndarray, seed: int, engine: Engine | None
) -> list[dict[str, object]]:
    """One fit, a row for each parameter."""
    begun = time.process_time()
    drive: Media = media_of(STARTS[kind], kind)
    found = calibrate(drive, noisy(points, truth, seed), FITTED[kind], seed, engine)
    return [
        {
            "kind": kind,
            "by": found.by,
            "seed": seed,
            "parameter": each.name,
            "truth": getattr(drive, each.name),
            "value": each.value,
            "low": each.low,
            "high": each.high,
            "holds": each.low <= getattr(drive, each.name) <= each.high,
            "cpu_s": time.process_time() - begun,
        }
        for each in found.parameters
    ]


def fits(
    kind: str, count: int, options: Namespace, engine: Engine | None, crew: Workers
) -> list[dict[str, object]]:
    """Fit again and again, each time to other noise."""
    drive = media_of(STARTS[kind], kind)
    points = points_of(kind, engine is not None, shallow=options.quick)
    if engine is None:
        truth = closed_form(drive, points)
    else:
        truth = simulated(drive, points, TRUTH_SEED, engine, TRUTH_REQUESTS)
    tasks = [(kind, points, truth, options.seed + number, engine) for number in range(count)]
    return [row for rows in crew.run(fitted_back, tasks) for row in rows]


def counted(frame: pd.DataFrame) -> pd.DataFrame:
    """How often the intervals of each parameter held the truth."""
    summary = frame.groupby(["kind", "by", "parameter"], sort=False).agg(
        fits=("holds", "size"),
        held=("holds", "sum"),
        truth=("truth", "first"),
        median=("value", "median"),
        cpu_s_a_fit=("cpu_s", "mean"),
    )
    summary["share"] = summary["held"] / summary["fits"]
    ends = [binomtest(int(row.held), int(row.fits)).proportion_ci(0.95) for row in summary.itertuples()]
    summary["low"], summary["high"] = [end.low for end in ends], [end.high for end in ends]
    summary = summary.reset_index()
    least, most = zip(*(ENOUGH[by] for by in summary["by"]), strict=True)
    summary["enough"] = summary["share"].between(pd.Series(least), pd.Series(most))
    return summary


def drawn(summary: pd.DataFrame) -> Figure:
    """The shares with their intervals beside the 95 % that are claimed."""
    figure = Figure(figsize=(9, 5.5), layout="constrained")
    sides = figure.subplots(2, 1, sharex=True)
    for axes, (by, part) in zip(sides, summary.groupby("by", sort=False), strict=True):
        place = np.arange(len(part))[::-1]
        share = part["share"] * 100
        reach = [share - part["low"] * 100, part["high"] * 100 - share]
        least, most = (100 * end for end in ENOUGH[str(by)])
        axes.axvspan(least, most, color="#4477aa", alpha=0.12, linewidth=0, label="should lie here")
        axes.axvline(95, color="black", linewidth=0.8, label="claimed")
        axes.errorbar(
            share, place, xerr=np.array(reach), fmt="o", capsize=3, color="#4477aa", label="counted (95 %)"
        )
        axes.set_yticks(place, [f"{row.parameter}, {row.kind}" for row in part.itertuples()])
        axes.set_ylim(-0.6, len(part) - 0.4)
        axes.set_title(f"By {by}: {part['fits'].iloc[0]:,} fits of each drive", fontsize=10, loc="left")
    sides[0].legend(loc="lower left", frameon=False, fontsize=9)
    sides[-1].set_xlabel("intervals that hold the true parameter, %")
    return figure


def main() -> None:
    options = arguments(__doc__)
    record = Record("calibration", options)
    by_form, by_run = (12, 1) if options.quick else (1000, 40)
    engine = choose_engine("auto", 10**9)
    rows = []
    with Workers(1 if options.quick else available_cores()) as crew:
        for count, by in ((by_form, None), (by_run, engine)):
            for kind in FITTED:
                rows += fits(kind, count, options, by, crew)
    summary = counted(pd.DataFrame(rows))
    record.table(summary)
    record.picture(drawn(summary))
    record.close()
    print(summary.to_string(index=False, float_format=lambda value: f"{value:.4g}"))


if __name__ == "__main__":
    main()
