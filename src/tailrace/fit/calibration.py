"""Which parameters of a drive explain what was measured? Least squares in the logarithm, and what it cannot tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.engine.choice import Engine
from tailrace.fit.correction import effects, fit_through
from tailrace.fit.left_out import Refit, Residual, left_out, repeated
from tailrace.fit.measured import MeasuredPoint, Media
from tailrace.fit.predicted import REQUESTS, closed_form, simulated
from tailrace.measure.fit import Fit, Model, fit, profile_intervals
from tailrace.scenario.tables.flash import Flash
from tailrace.scenario.tables.measured import Measured
from tailrace.scenario.tables.spinning import Spinning
from tailrace.units import Dimension

ALIKE = 0.95
VAGUE = 2.5
"""Upper over lower end of an interval from which a parameter is hardly told."""

UNSEEN = 1e-3
"""Change of the logarithm of all predictions, relative to a parameter's, below which no point depends on it."""

LIMIT = 3.0
"""Farthest that a parameter moves from where it starts, in the logarithm: a factor of twenty."""

SPINNING = ("seek_adjacent", "seek_average", "outer_rate", "write_settle")
FLASH = ("command_rate", "cell_read", "channel_rate", "buffer_time", "cell_program")


@dataclass(frozen=True)
class Parameter:
    """A fitted parameter in SI with its 95 % interval; ``start`` is where the fit began.

    Where the points set no bound, ``low`` is 0 or ``high`` infinite. ``dimension`` is that of its value where no key
    of the media says it; None for a number.
    """

    name: str
    value: float
    low: float
    high: float
    start: float
    dimension: Dimension | None = None


@dataclass(frozen=True)
class Calibration:
    """A drive fitted to points.

    ``by`` says what predicted them ("simulation" or "closed form"), ``singular_values`` are those of the sensitivities
    (relative change of predictions over relative change of parameters); ``warnings`` name parameters that the points
    cannot tell apart or tell at all. ``spread`` is the standard deviation of the residuals of the logarithm.
    ``left_out`` is each condition as a fit to all others predicts it, and ``repeated`` how far measurements of one
    condition lie from their mean (`fit.left_out`).
    """

    media: Media | Measured
    by: str
    parameters: tuple[Parameter, ...]
    residuals: tuple[Residual, ...]
    spread: float
    singular_values: tuple[float, ...]
    warnings: tuple[str, ...]
    left_out: tuple[Residual, ...] = ()
    repeated: float | None = None


def calibrate(
    media: Media,
    points: Sequence[MeasuredPoint],
    names: Sequence[str] | None = None,
    seed: int = 1,
    engine: Engine | None = "reference",
    leaving_out: bool = True,
) -> Calibration:
    """Fit parameters of a drive, beginning at those of ``media``; ``leaving_out``: each condition in turn as well.

    By closed forms first; then by these as the simulation corrects them (`fit.correction`). Intervals are those of
    the sum of squares along each parameter (`measure.fit`). Without ``engine`` closed forms only.

    Raises ValueError with fewer measured quantities than parameters.
    """
    wanted = list(names or (SPINNING if isinstance(media, Spinning) else FLASH))
    measured = np.log([value for point in points for value in point.measured.values()])
    told, warnings = _told(media, points, wanted)
    if not told:
        raise ValueError("no point depends on any parameter to fit")
    start = np.log([_value(media, name) for name in told])

    def rough(theta: FloatArray) -> FloatArray:
        return closed_form(at_values(media, told, theta), points)

    def fitted(model: Model, begin: FloatArray) -> Fit:
        return fit(model, begin, start - LIMIT, start + LIMIT, measured)

    model: Model = rough
    found = fitted(rough, start)
    if engine is not None:

        def simulation(theta: FloatArray, draw: int, rough: bool = False) -> FloatArray:
            length = REQUESTS // 3 if rough else REQUESTS
            return simulated(at_values(media, told, theta), points, seed, engine, length, draw)

        model, found, apart = fit_through(rough, simulation, fitted, found)
        if apart:
            warnings.append(
                f"At the parameters found the simulation lies {100 * apart:.2g} % from what the fit takes it for: "
                "trust values and intervals less."
            )
    by = "closed form" if engine is None else "simulation"
    others = left_out(points, _refitted(points, model, found)) if leaving_out else ()
    return replace(
        _answer(media, points, told, start, model, found, by, warnings),
        left_out=others,
        repeated=repeated(points),
    )


def _refitted(points: Sequence[MeasuredPoint], model: Model, found: Fit) -> Refit:
    """Fits to some of the points by the model as it was corrected for the fit to all."""
    names = [(place, name) for place, point in enumerate(points) for name in point.measured]
    of_point = np.array([place for place, _ in names])

    def refit(kept: Sequence[int]) -> list[dict[str, float]] | None:
        mine = np.isin(of_point, kept)
        try:
            best = fit(
                lambda theta: model(theta)[mine], found.theta, found.low, found.high, found.measured[mine]
            )
        except ValueError:
            return None
        told: list[dict[str, float]] = [{} for _ in points]
        for (place, name), value in zip(names, model(best.theta), strict=True):
            told[place][name] = float(value)
        return told

    return refit


def _told(media: Media, points: Sequence[MeasuredPoint], names: Sequence[str]) -> tuple[list[str], list[str]]:
    """The parameters on which the points depend, and what to say of the others."""
    at = np.log([_value(media, name) for name in names])

    def rough(theta: FloatArray) -> FloatArray:
        return closed_form(at_values(media, names, theta), points)

    told = [name for name, effect in zip(names, effects(rough, at), strict=True) if effect > UNSEEN]
    return told, [f"No point depends on {name}: it stays as it was." for name in names if name not in told]


def _answer(
    media: Media,
    points: Sequence[MeasuredPoint],
    names: list[str],
    start: FloatArray,
    model: Model,
    found: Fit,
    by: str,
    warnings: list[str],
) -> Calibration:
    ends = profile_intervals(model, found)
    parameters = tuple(
        Parameter(name, float(np.exp(best)), float(np.exp(low)), float(np.exp(high)), float(np.exp(began)))
        for name, best, (low, high), began in zip(names, found.theta, ends, start, strict=True)
    )
    quantities = [(point, name) for point in points for name in point.measured]
    misses = found.predicted - found.measured
    residuals = tuple(
        Residual(point, name, point.measured[name], float(np.exp(fitted)), float(miss))
        for (point, name), fitted, miss in zip(quantities, found.predicted, misses, strict=True)
    )
    return Calibration(
        at_values(media, names, found.theta),
        by,
        parameters,
        residuals,
        found.spread,
        tuple(float(each) for each in np.linalg.svd(found.jacobian, compute_uv=False)),
        (*warnings, *_vague(parameters, found.covariance)),
    )


def _vague(parameters: Sequence[Parameter], covariance: FloatArray) -> list[str]:
    """Parameters that the points cannot tell apart, or tell only roughly."""
    said = []
    errors = np.sqrt(np.diag(covariance))
    for one in range(len(parameters)):
        for two in range(one):
            scale = errors[one] * errors[two]
            alike = covariance[one, two] / scale if scale > 0 else 0.0
            if abs(alike) > ALIKE:
                said.append(
                    f"The points can hardly tell {parameters[two].name} and {parameters[one].name} apart "
                    f"(correlation {alike:+.2f}): trust their joint effect only."
                )
    for each in parameters:
        if not each.low > 0 or not np.isfinite(each.high):
            side = "above" if each.low > 0 else "below" if np.isfinite(each.high) else "on either side"
            said.append(f"The points set no bound to {each.name} {side}.")
        elif each.high / each.low > VAGUE:
            said.append(
                f"The points hardly tell {each.name}: its interval spans a factor of {each.high / each.low:.3g}."
            )
    return said


def _value(media: Media, name: str) -> float:
    value = getattr(media, name)
    return float(value) if value else 1e-4  # a time that starts at none has to start somewhere


def at_values(media: Media, names: Sequence[str], theta: FloatArray) -> Media:
    """The drive with other values, of which ``theta`` are the logarithms.

    Seeks keep their shape: full moves with the average, and the inner with the outer rate.
    """
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
