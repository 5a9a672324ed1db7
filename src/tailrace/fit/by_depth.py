"""Which measured drive, known by nothing but its rates, goes with the points? A calibration without parts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.engine.choice import Engine
from tailrace.fit.calibration import VAGUE, Calibration, Parameter
from tailrace.fit.left_out import Residual, left_out, repeated
from tailrace.fit.predicted import simulated
from tailrace.hardware.measured_fit import (
    LEAST_SCV,
    LEVELS,
    LIMIT,
    MOST_SCV,
    KindFit,
    fit_kind,
    fitted_scv,
    log_quantile,
    log_ratios,
    stalled_share,
)
from tailrace.measure.fit import fit, profile_intervals
from tailrace.scenario.tables.measured import Measured
from tailrace.scenario.tables.points import MeasuredPoint
from tailrace.units import Dimension

DIMENSIONS: dict[str, Dimension] = {"overhead": "size", "byte_rate": "data rate"}
"""Of parameters other than rates at a depth."""

STALLED = 0.05
"""Share of the mean in rare stalls from which on it is said."""

Beyond = dict[tuple[int, str], float]


def calibrate_measured(
    points: Sequence[MeasuredPoint], seed: int = 1, engine: Engine | None = "reference"
) -> Calibration:
    """Fit rates by queue depth to points of reads, writes or both.

    By closed forms, exact but for quantiles under an open load: these are corrected once by a simulation with
    ``engine``; without it they are taken as if the number present never varied. Raises ValueError where no point of a
    kind tells a mean latency.
    """
    fits = _fits(points)
    beyond: Beyond = {}
    if engine is not None and any(each.queue_depth is None for each in points):
        beyond = _beyond(points, fits, seed, engine)
        fits = {
            read: replace(each, variability=fitted_scv(_of(points, read), each.form, each.theta, beyond))
            for read, each in fits.items()
        }
    parameters, singular = _parameters(points, fits, beyond)
    predicted = _predicted(points, fits, beyond)
    residuals = tuple(
        Residual(point, name, point.measured[name], math.exp(told), told - math.log(point.measured[name]))
        for point, each in zip(points, predicted, strict=True)
        for name, told in each.items()
    )

    def refit(kept: Sequence[int]) -> list[dict[str, float]] | None:
        try:
            others = _fits([points[place] for place in kept], fits)
        except ValueError:
            return None
        return _predicted(points, others, beyond)

    freedom = max(len(residuals) - len(parameters), 1)
    return Calibration(
        _media(fits),
        "closed form"
        if engine is None or not beyond
        else "closed form, quantiles of open loads by simulation",
        parameters,
        residuals,
        math.sqrt(sum(each.log_difference**2 for each in residuals) / freedom),
        singular,
        tuple(_warnings(points, fits, parameters, beyond)),
        left_out(points, refit),
        repeated(points),
    )


def _of(points: Sequence[MeasuredPoint], read: bool) -> list[MeasuredPoint]:
    return [each for each in points if each.read == read]


def _fits(points: Sequence[MeasuredPoint], near: dict[bool, KindFit] | None = None) -> dict[bool, KindFit]:
    """The fit of reads and that of writes, as far as there are any, from those ``near``."""
    known = near or {}
    return {read: fit_kind(mine, known.get(read)) for read in (True, False) if (mine := _of(points, read))}


def _media(fits: dict[bool, KindFit]) -> Measured:
    reads, writes = (fits[read].kind if read in fits else None for read in (True, False))
    return Measured(reads=reads, writes=writes)


def _predicted(
    points: Sequence[MeasuredPoint], fits: dict[bool, KindFit], beyond: Beyond
) -> list[dict[str, float]]:
    """Logarithms of all quantities; of a kind without a fit those of nothing at all."""
    found = []
    for point in points:
        if point.read not in fits:
            found.append(dict.fromkeys(point.measured, math.nan))
            continue
        told = fits[point.read].predicted([point])[0]
        found.append({name: value + beyond.get((point.line, name), 0.0) for name, value in told.items()})
    return found


def _beyond(points: Sequence[MeasuredPoint], fits: dict[bool, KindFit], seed: int, engine: Engine) -> Beyond:
    """What the simulation says of quantiles under open loads beyond the law of the work alone, in the logarithm."""
    opened = [each for each in points if each.queue_depth is None]
    values = iter(simulated(_media(fits), opened, seed, engine))
    found = {}
    for point, closed in zip(opened, _predicted(opened, fits, {}), strict=True):
        for name in point.measured:
            value = next(values)
            if name in LEVELS:
                found[point.line, name] = float(value) - closed[name]
    return found


def _parameters(
    points: Sequence[MeasuredPoint], fits: dict[bool, KindFit], beyond: Beyond
) -> tuple[tuple[Parameter, ...], tuple[float, ...]]:
    """All parameters with their intervals, and the singular values of what predictions of means change by them."""
    found, singular = [], []
    for read, each in fits.items():
        prefix = ("reads: " if read else "writes: ") if len(fits) > 1 else ""
        ends = np.tile([-np.inf, np.inf], (each.theta.size, 1))
        measured = np.array([point.log_mean for point in each.points], dtype=np.float64)
        if measured.size > each.theta.size:

            def model(theta: FloatArray, each: KindFit = each) -> FloatArray:
                return each.form.log_means(theta, each.points)

            best = fit(model, each.theta, each.theta - LIMIT, each.theta + LIMIT, measured)
            ends = profile_intervals(model, best)
            singular += np.linalg.svd(best.jacobian, compute_uv=False).tolist()
        columns = np.exp(np.column_stack([each.theta, ends, each.start]))
        for name, row in zip(each.form.names, columns.tolist(), strict=True):
            value, low, high, start = row
            low, high = min(low, value), max(high, value)  # rates that do not fall hold each other
            dimension = DIMENSIONS.get(name, "request rate")
            found.append(Parameter(prefix + name, value, low, high, start, dimension))
        low, high = _scv_interval(_of(points, read), each, beyond)
        found.append(Parameter(f"{prefix}variability", each.variability, low, high, 1.0))
    return tuple(found), tuple(sorted(singular, reverse=True))


def _scv_interval(points: Sequence[MeasuredPoint], each: KindFit, beyond: Beyond) -> tuple[float, float]:
    told = log_ratios(points, each.form, each.theta, beyond)
    if len(told) < 2:
        return 0.0, math.inf

    def model(theta: FloatArray) -> FloatArray:
        return np.array([log_quantile(p, float(np.exp(theta[0]))) for p, _ in told])

    low, high = (np.array([math.log(end)]) for end in (LEAST_SCV, MOST_SCV))
    best = fit(model, np.log([each.variability]), low, high, np.array([ratio for _, ratio in told]))
    ends = profile_intervals(model, best)[0]
    return float(np.exp(ends[0])), float(np.exp(ends[1]))


def _warnings(
    points: Sequence[MeasuredPoint],
    fits: dict[bool, KindFit],
    parameters: Sequence[Parameter],
    beyond: Beyond,
) -> list[str]:
    """What the points do not tell."""
    said = []
    for read, each in fits.items():
        kind, depths = "reads" if read else "writes", each.form.depths
        if len(each.points) <= each.theta.size:
            said.append(
                f"As many figures of {kind} are fitted as were measured: nothing is left that tells how sure they are. "
                "Measure each point twice."
            )
        if len(depths) == 1:
            said.append(
                f"All {kind} were measured at queue depth {depths[0]}: at every other the rate is taken as the same."
            )
        else:
            said.append(
                f"Beyond queue depth {depths[-1]} the rate of {kind} is taken as flat: nothing was measured there."
            )
        if len({point.size_bytes for point in each.points}) == 1:
            said.append(
                f"All {kind} were of one size: those of every other size are taken to be done at the same rate."
            )
        stalled = stalled_share(log_ratios(_of(points, read), each.form, each.theta, beyond))
        if stalled > STALLED:
            said.append(
                f"Some {100 * stalled:.0f} % of the mean latency of {kind} lies in rare long stalls, as their "
                "quantiles show. The description has none: its medians are too long by about as much, and what lies "
                "beyond its p99 too short."
            )
        if not any(name in point.measured for point in _of(points, read) for name in LEVELS):
            said.append(f"No quantile of {kind} was measured: their work is taken as exponential.")
    missing = {True: "reads", False: "writes"}.keys() - fits.keys()
    said += [
        f"No {'reads' if read else 'writes'} were measured: the drive cannot be asked for any."
        for read in missing
    ]
    for told in parameters:
        if np.isfinite(told.high) and told.low > 0 and told.high / told.low > VAGUE:
            said.append(
                f"The points hardly tell {told.name}: its interval spans a factor of {told.high / told.low:.3g}."
            )
    return said
