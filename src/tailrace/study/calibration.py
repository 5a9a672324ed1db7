"""Which parameters of a drive explain what was measured? Least squares in the logarithm, and what it cannot tell."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.engine.choice import Engine
from tailrace.scenario.flash import Flash
from tailrace.scenario.spinning import Spinning
from tailrace.study.measured import Media, Point, closed_form, simulated

ROUNDS = 3
STEP = 0.05
ALIKE = 0.95
VAGUE = 0.5
UNSEEN = 1e-3
"""Change of the logarithm of all predictions, relative to a parameter's, below which no point depends on it."""

LIMIT = 3.0
"""Farthest that a parameter moves from where it starts, in the logarithm: a factor of twenty."""

SPINNING = ("seek_adjacent", "seek_average", "outer_rate", "write_settle")
FLASH = ("command_rate", "cell_read", "channel_rate", "buffer_time", "cell_program")

Model = Callable[[Media], FloatArray]


@dataclass(frozen=True)
class Parameter:
    """A fitted parameter in SI with its 95 % interval; ``start`` is where the fit began."""

    name: str
    value: float
    low: float
    high: float
    start: float


@dataclass(frozen=True)
class Residual:
    """One measured quantity beside the fitted one, in SI; ``log_difference`` is ln(fitted/measured)."""

    point: Point
    quantity: str
    measured: float
    fitted: float
    log_difference: float


@dataclass(frozen=True)
class Calibration:
    """A drive fitted to points.

    ``by`` says what predicted them ("simulation" or "closed form"), ``singular_values`` are those of the sensitivities
    (relative change of predictions over relative change of parameters); ``warnings`` name parameters that the points
    cannot tell apart or tell at all. ``spread`` is the standard deviation of the residuals of the logarithm.
    """

    media: Media
    by: str
    parameters: tuple[Parameter, ...]
    residuals: tuple[Residual, ...]
    spread: float
    singular_values: tuple[float, ...]
    warnings: tuple[str, ...]


def calibrate(
    media: Media,
    points: Sequence[Point],
    names: Sequence[str] | None = None,
    seed: int = 1,
    engine: Engine | None = "reference",
) -> Calibration:
    """Fit parameters of a drive, beginning at those of ``media``.

    By closed forms first. Then the simulation says how far these are off at the parameters found, the closed forms are
    corrected by that and fitted again (space mapping: Bandler and others, IEEE Trans. Microwave Theory Tech. 42, 1994,
    from memory), a few times; a Gauss-Newton step by sensitivities of the simulation itself comes last, and gives the
    intervals. Without ``engine`` closed forms only.

    Raises ValueError with fewer measured quantities than parameters.
    """
    names = list(names or (SPINNING if isinstance(media, Spinning) else FLASH))
    measured = np.log([value for point in points for value in point.measured.values()])
    start = np.log([_value(media, name) for name in names])
    surrogate: Model = lambda drive: closed_form(drive, points)  # noqa: E731
    told, warnings = _told(surrogate, media, names, start)
    names, start = [names[place] for place in told], start[told]
    if measured.size <= len(names):
        raise ValueError(f"{measured.size} measured quantities for {len(names)} parameters: more are needed")
    best, jacobian, predicted = _fitted(surrogate, media, names, start, measured, 0.0)
    by = "closed form"
    if engine is not None:
        by = "simulation"

        def simulation(drive: Media) -> FloatArray:
            return simulated(drive, points, seed, engine)

        for _ in range(ROUNDS):
            drive = _with(media, names, best)
            off = np.nan_to_num(simulation(drive) - surrogate(drive))
            moved, _, _ = _fitted(surrogate, media, names, best, measured, off)
            close = float(np.max(np.abs(moved - best))) < 0.003
            best = moved
            if close:
                break
        jacobian, predicted = _sensitivities(simulation, media, names, best)
        step = np.linalg.lstsq(jacobian, measured - predicted, rcond=1e-6)[0]
        best = best + np.clip(step, -0.3, 0.3)
        predicted = simulation(_with(media, names, best))
    return _answer(media, points, names, best, start, jacobian, predicted, measured, by, warnings)


def _told(model: Model, media: Media, names: list[str], start: FloatArray) -> tuple[list[int], list[str]]:
    """Places of the parameters on which the points depend, and what to say of the others."""
    jacobian, _ = _sensitivities(model, media, names, start)
    seen = np.abs(jacobian).max(axis=0) > UNSEEN
    warnings = [
        f"No point depends on {name}: it stays as it was."
        for name, here in zip(names, seen, strict=True)
        if not here
    ]
    return np.flatnonzero(seen).tolist(), warnings


def _fitted(
    model: Model,
    media: Media,
    names: list[str],
    start: FloatArray,
    measured: FloatArray,
    off: FloatArray | float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    from scipy.optimize import least_squares

    def misses(theta: FloatArray) -> FloatArray:
        return np.asarray(model(_with(media, names, theta)) + off - measured)

    found = least_squares(
        misses, start, bounds=(start - LIMIT, start + LIMIT), diff_step=np.full(start.size, 1e-4)
    )
    return found.x, np.asarray(found.jac), found.fun + measured


def _sensitivities(
    model: Model, media: Media, names: list[str], at: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Derivatives of the logarithms of the predictions by those of the parameters, and the predictions."""
    here = model(_with(media, names, at))
    columns = []
    for place in range(len(names)):
        moved = at.copy()
        moved[place] += STEP
        columns.append((model(_with(media, names, moved)) - here) / STEP)
    return np.nan_to_num(np.array(columns).T), here


def _answer(
    media: Media,
    points: Sequence[Point],
    names: list[str],
    best: FloatArray,
    start: FloatArray,
    jacobian: FloatArray,
    predicted: FloatArray,
    measured: FloatArray,
    by: str,
    warnings: list[str],
) -> Calibration:
    from scipy.stats import t

    misses = np.nan_to_num(predicted - measured)
    freedom = measured.size - len(names)
    spread = float(np.sqrt(misses @ misses / freedom))
    covariance: FloatArray = np.asarray(np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-10)) * spread**2
    errors: FloatArray = np.sqrt(np.diag(covariance))
    half = float(t.ppf(0.975, freedom)) * errors
    parameters = tuple(
        Parameter(name, float(np.exp(b)), float(np.exp(b - h)), float(np.exp(b + h)), float(np.exp(s)))
        for name, b, h, s in zip(names, best, half, start, strict=True)
    )
    quantities = [(point, name) for point in points for name in point.measured]
    residuals = tuple(
        Residual(point, name, point.measured[name], float(np.exp(fitted)), float(miss))
        for (point, name), fitted, miss in zip(quantities, predicted, misses, strict=True)
    )
    return Calibration(
        _with(media, names, best),
        by,
        parameters,
        residuals,
        spread,
        tuple(float(each) for each in np.linalg.svd(jacobian, compute_uv=False)),
        (*warnings, *_vague(names, covariance, errors)),
    )


def _vague(names: list[str], covariance: FloatArray, errors: FloatArray) -> list[str]:
    """Parameters that the points cannot tell apart, or tell only roughly."""
    said = []
    for one in range(len(names)):
        for two in range(one):
            scale = errors[one] * errors[two]
            alike = covariance[one, two] / scale if scale > 0 else 0.0
            if abs(alike) > ALIKE:
                said.append(
                    f"The points can hardly tell {names[two]} and {names[one]} apart (correlation {alike:+.2f}): "
                    "trust their joint effect only."
                )
    said += [
        f"The points hardly tell {name}: its interval spans a factor of {_factor(error)}."
        for name, error in zip(names, errors, strict=True)
        if error > VAGUE / 1.96
    ]
    return said


def _factor(error: float) -> str:
    return f"{np.exp(2 * 1.96 * error):.3g}" if error < 1.7 else "more than 1,000"


def _value(media: Media, name: str) -> float:
    value = getattr(media, name)
    return float(value) if value else 1e-4  # a time that starts at none has to start somewhere


def _with(media: Media, names: Sequence[str], theta: FloatArray) -> Media:
    """The drive with other values. Seeks keep their shape: full moves with the average, inner with the outer rate."""
    changes = {name: float(np.exp(each)) for name, each in zip(names, theta, strict=True)}
    if isinstance(media, Spinning):
        adjacent, average, full = (
            media.seek_adjacent or 0.0,
            media.seek_average or 0.0,
            media.seek_full or 0.0,
        )
        stretch = (full - adjacent) / (average - adjacent)
        average = changes.get("seek_average", average)
        adjacent = min(changes.get("seek_adjacent", adjacent), 0.95 * average)
        full = adjacent + stretch * (average - adjacent)
        changes |= {"seek_adjacent": adjacent, "seek_average": average, "seek_full": full}
        if "outer_rate" in changes:
            changes["inner_rate"] = media.inner_rate / media.outer_rate * changes["outer_rate"]
        return media.model_copy(update=changes)
    assert isinstance(media, Flash)
    return media.model_copy(update=changes)
