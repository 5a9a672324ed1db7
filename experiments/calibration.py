"""Are parameters found again? Points of a known drive with 5 % noise, fitted back: how often intervals hold the truth.

By the closed forms alone 1,000 times, and through the simulation 40 times; the intervals are those of 95 %.
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy.stats import binomtest

from record import Record, arguments
from tailrace.engine.choice import choose_engine
from tailrace.study.calibration import calibrate
from tailrace.study.measured import STARTS, Media, Point, closed_form, media_of, simulated

NOISE = 0.05
FITTED = {
    "spinning": ("seek_average", "outer_rate", "write_settle"),
    "flash": ("cell_read", "channel_rate", "buffer_time", "cell_program"),
}
TRUTH_SEED = 104_729


def points_of(kind: str, simulated: bool) -> list[Point]:
    """Reads and writes of three sizes at four depths, or two where each point is a simulation."""
    sizes, depths = ((8192, 131072, 1048576), (1, 4, 16, 32))
    if kind == "flash":
        sizes, depths = ((4096, 16384, 131072), (1, 8, 32, 128))
    depths = depths[::2] if simulated else depths
    conditions = [(size, depth, read) for size in sizes for depth in depths for read in (True, False)]
    return [
        Point(line, depth, None, size, read, {"mean": 1.0})
        for line, (size, depth, read) in enumerate(conditions, 2)
    ]


def noisy(points: list[Point], truth: np.ndarray, seed: int) -> list[Point]:
    noise = np.random.default_rng(seed).normal(0.0, NOISE, truth.size)
    values = np.exp(truth + noise)
    return [
        Point(each.line, each.queue_depth, None, each.size_bytes, each.read, {"mean": float(value)})
        for each, value in zip(points, values, strict=True)
    ]


def held(kind: str, fits: int, seed: int, engine: str | None) -> list[dict[str, object]]:
    """Fit again and again; one row a fit and parameter."""
    drive: Media = media_of(STARTS[kind], kind)
    points = points_of(kind, simulated=engine is not None)
    truth = (
        closed_form(drive, points) if engine is None else simulated(drive, points, TRUTH_SEED, engine, 40_000)
    )
    rows = []
    for number in range(fits):
        found = calibrate(drive, noisy(points, truth, seed + number), FITTED[kind], seed + number, engine)
        rows += [
            {
                "kind": kind,
                "by": found.by,
                "fit": number,
                "parameter": each.name,
                "truth": getattr(drive, each.name),
                "value": each.value,
                "low": each.low,
                "high": each.high,
                "holds": each.low <= getattr(drive, each.name) <= each.high,
            }
            for each in found.parameters
        ]
    return rows


def main() -> None:
    options = arguments(__doc__)
    record = Record("calibration", options)
    by_form, by_run = (60, 3) if options.quick else (1000, 40)
    engine = choose_engine("auto", 10**9)
    rows, seconds = [], {}
    for kind in FITTED:
        rows += held(kind, by_form, options.seed, None)
        begun = time.process_time()
        rows += held(kind, by_run, options.seed, engine)
        seconds[kind] = (time.process_time() - begun) / by_run
    frame = pd.DataFrame(rows)
    record.table(frame, "fits")
    summary = frame.groupby(["kind", "by", "parameter"]).agg(
        fits=("fit", "size"), held=("holds", "sum"), truth=("truth", "first")
    )
    summary["median"] = frame.groupby(["kind", "by", "parameter"])["value"].median()
    summary["share"] = summary["held"] / summary["fits"]
    ends = [binomtest(int(row.held), int(row.fits)).proportion_ci(0.95) for row in summary.itertuples()]
    summary["low"], summary["high"] = [end.low for end in ends], [end.high for end in ends]
    summary["cpu_s_a_fit"] = [
        seconds[kind] if by == "simulation" else np.nan for kind, by, _ in summary.index
    ]
    summary = summary.reset_index()
    record.table(summary)
    record.picture(drawn(summary))
    record.close()
    print(summary.to_string(index=False))


def drawn(summary: pd.DataFrame) -> Figure:
    figure = Figure(figsize=(8, 4.5), layout="constrained")
    axes = figure.add_subplot()
    place = np.arange(len(summary))
    share = summary["share"] * 100
    reach = [share - summary["low"] * 100, summary["high"] * 100 - share]
    axes.errorbar(share, place, xerr=np.array(reach), fmt="o", capsize=3)
    axes.axvline(95, color="black", linewidth=0.8)
    axes.set_yticks(
        place, [f"{row.parameter}, {row.kind}, {row.by} ({row.fits})" for row in summary.itertuples()]
    )
    axes.set_xlabel("intervals of 95 % that hold the true parameter, %")
    return figure


if __name__ == "__main__":
    main()
