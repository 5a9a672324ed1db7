"""Are parameters found again? Points of a known drive with 5 % noise, fitted back: how often intervals hold the truth.

By the closed forms alone 1,000 times, and through the simulation 40 times; the intervals are those of 95 %. Beside it
stands how often the exact intervals of linear theory hold the truth under the same noise: what is chance of the noise
shows there as well.
"""

from __future__ import annotations

import time
from argparse import Namespace

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy.stats import binomtest, t

import drawn
from parallel import Parallel
from record import Record, arguments
from tailrace.engine.choice import Engine, choose_engine
from tailrace.fit.calibration import at_values, calibrate
from tailrace.fit.correction import slopes
from tailrace.fit.measured import STARTS, MeasuredPoint, Media, media_of
from tailrace.fit.predicted import closed_form, simulated
from tailrace.report.pictures import style

NOISE = 0.05
FITTED = {
    "spinning": ("seek_average", "outer_rate", "write_settle"),
    "flash": ("cell_read", "channel_rate", "buffer_time", "cell_program"),
}
TRUTH_SEED, TRUTH_REQUESTS = 104_729, 40_000
ENOUGH = {"closed form": (0.93, 0.97), "simulation": (34 / 40, 1.0)}
"""Share of the intervals that should hold the truth, as counted."""


def points_of(kind: str, by_simulation: bool, shallow: bool = False) -> list[MeasuredPoint]:
    """Reads and writes of three sizes at four depths, or two where each point is a simulation."""
    sizes, depths = ((8192, 131072, 1048576), (1, 4, 16, 32))
    if kind == "flash":
        sizes, depths = ((4096, 16384, 131072), (1, 8, 32, 128))
    if shallow:
        sizes, depths = sizes[::2], depths[:2]
    elif by_simulation:
        depths = depths[::2]
    conditions = [(size, depth, read) for size in sizes for depth in depths for read in (True, False)]
    return [
        MeasuredPoint(line, depth, None, size, read, {"mean": 1.0})
        for line, (size, depth, read) in enumerate(conditions, 2)
    ]


def noisy(points: list[MeasuredPoint], truth: np.ndarray, noise: np.ndarray) -> list[MeasuredPoint]:
    """The points with what would have been measured at each."""
    return [
        MeasuredPoint(each.line, each.queue_depth, None, each.size_bytes, each.read, {"mean": float(value)})
        for each, value in zip(points, np.exp(truth + noise), strict=True)
    ]


def held_by_linear_theory(kind: str, points: list[MeasuredPoint], noise: np.ndarray) -> np.ndarray:
    """Whether each interval would hold the truth if the closed forms were linear: value and error by projection."""
    drive = media_of(STARTS[kind], kind)
    at = np.log([getattr(drive, name) for name in FITTED[kind]])
    jacobian = slopes(
        lambda theta: closed_form(at_values(drive, FITTED[kind], theta), points), at, np.full(at.size, 1e-3)
    )
    projection = np.linalg.pinv(jacobian)
    off = projection @ noise
    freedom = noise.size - at.size
    spread = np.sqrt(np.sum((noise - jacobian @ off) ** 2) / freedom)
    return np.abs(off) <= t.ppf(0.975, freedom) * spread * np.sqrt(np.diag(projection @ projection.T))


def fitted_back(
    kind: str, points: list[MeasuredPoint], truth: np.ndarray, key: tuple[int, int], engine: Engine | None
) -> list[dict[str, object]]:
    """One fit, a row for each parameter. ``key`` is the seed of the experiment and the number of the fit."""
    begun = time.process_time()
    drive: Media = media_of(STARTS[kind], kind)
    noise = np.random.default_rng(key).normal(0.0, NOISE, truth.size)
    found = calibrate(drive, noisy(points, truth, noise), FITTED[kind], sum(key), engine, leaving_out=False)
    seconds = time.process_time() - begun
    return [
        {
            "kind": kind,
            "by": found.by,
            "parameter": each.name,
            "truth": getattr(drive, each.name),
            "value": each.value,
            "holds": each.low <= getattr(drive, each.name) <= each.high,
            "holds_linear": holds,
            "cpu_s": seconds,
        }
        for each, holds in zip(found.parameters, held_by_linear_theory(kind, points, noise), strict=True)
    ]


def fits(
    kind: str, count: int, options: Namespace, engine: Engine | None, crew: Parallel
) -> list[dict[str, object]]:
    """Fit again and again, each time to other noise."""
    drive = media_of(STARTS[kind], kind)
    points = points_of(kind, engine is not None, shallow=options.quick)
    if engine is None:
        truth = closed_form(drive, points)
    else:
        length = TRUTH_REQUESTS // 4 if options.quick else TRUTH_REQUESTS
        truth = simulated(drive, points, TRUTH_SEED, engine, length)
    tasks = [(kind, points, truth, (options.seed, number), engine) for number in range(count)]
    return [row for rows in crew.run(fitted_back, tasks) for row in rows]


def counted(frame: pd.DataFrame) -> pd.DataFrame:
    """How often the intervals of each parameter held the truth."""
    summary = frame.groupby(["kind", "by", "parameter"], sort=False).agg(
        fits=("holds", "size"),
        held=("holds", "sum"),
        held_by_linear_theory=("holds_linear", "sum"),
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


def picture(summary: pd.DataFrame) -> Figure:
    """The shares with their intervals beside the 95 % that are claimed."""
    figure, axes = drawn.panels(2, 1, 5.4, sharex=True)
    look = style.line(0)
    for axis, (by, part) in zip(axes, summary.groupby("by", sort=False), strict=True):
        place = np.arange(len(part))[::-1]
        share = 100 * part["share"]
        reach = np.array([share - 100 * part["low"], 100 * part["high"] - share])
        least, most = (100 * end for end in ENOUGH[str(by)])
        axis.axvspan(least, most, color=style.GRID, label="should lie here")
        axis.axvline(95, color=style.INK, linewidth=0.8, label="claimed")
        said = "counted (bars: 95 % intervals)"
        axis.errorbar(share, place, xerr=reach, fmt=look.marker, capsize=3, color=look.colour, label=said)
        control = 100 * part["held_by_linear_theory"] / part["fits"]
        axis.plot(control, place, "x", color=style.INK, label="linear theory, same noise")
        axis.set_yticks(place, [f"{row.parameter}, {row.kind}" for row in part.itertuples()])
        axis.set_ylim(-0.6, len(part) - 0.4)
        axis.grid(axis="y", visible=False)
        drawn.title(axis, f"By {by}: {part['fits'].iloc[0]:,} fits of each drive")
    axes[-1].set_xlabel("intervals that hold the true parameter, %")
    drawn.legend(figure, axes[:1], "")
    return figure


def main() -> None:
    options = arguments(__doc__)
    record = Record("calibration", options)
    by_form, by_run = (12, 1) if options.quick else (1000, 40)
    engine = choose_engine("auto", 10**9)
    rows = []
    with Parallel(options.quick) as crew:
        for count, by in ((by_form, None), (by_run, engine)):
            for kind in FITTED:
                rows += fits(kind, count, options, by, crew)
    summary = counted(pd.DataFrame(rows))
    record.table(summary)
    record.picture(picture(summary))
    record.close()
    print(summary.to_string(index=False, float_format=lambda value: f"{value:.4g}"))


if __name__ == "__main__":
    main()
