"""Least squares, and how far each parameter may move before the fit is clearly worse: profile intervals."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np

from tailrace.arrays import FloatArray

Model = Callable[[FloatArray], FloatArray]
"""Predictions of shape (n,) from parameters of shape (p,)."""

_STEP = 1e-4
"""Relative step of derivatives: models are smooth, or made so before they come here."""

_CLOSE = 0.002
"""Accuracy of the ends of intervals, as a share of their distance from the best."""

_FARTHER = 1.3


@dataclass(frozen=True)
class Fit:
    """Parameters of shape (p,) at the least sum of squares between ``low`` and ``high``, and what came of it.

    ``jacobian`` (n, p), ``predicted`` and ``measured`` (n,) are at these parameters.
    """

    theta: FloatArray
    low: FloatArray
    high: FloatArray
    jacobian: FloatArray
    predicted: FloatArray
    measured: FloatArray

    @property
    def freedom(self) -> int:
        """Degrees of freedom that are left."""
        return self.measured.size - self.theta.size

    @property
    def squares(self) -> float:
        """Sum of squares of the residuals."""
        return float(np.sum((self.predicted - self.measured) ** 2))

    @property
    def spread(self) -> float:
        """Standard deviation of the residuals, by their degrees of freedom."""
        return float(np.sqrt(self.squares / self.freedom))

    @property
    def covariance(self) -> FloatArray:
        """Of the parameters, as if the model were linear; shape (p, p)."""
        unscaled = np.linalg.pinv(self.jacobian.T @ self.jacobian, rcond=1e-10)
        return np.asarray(unscaled * self.spread**2)


def fit(model: Model, start: FloatArray, low: FloatArray, high: FloatArray, measured: FloatArray) -> Fit:
    """Least squares from ``start`` within bounds. Raises ValueError unless there are more values than parameters."""
    if measured.size <= start.size:
        raise ValueError(f"{measured.size} measured quantities for {start.size} parameters: more are needed")
    from scipy.optimize import least_squares

    def misses(theta: FloatArray) -> FloatArray:
        return model(theta) - measured

    steps = np.full(start.size, _STEP)
    least = least_squares(misses, np.clip(start, low, high), bounds=(low, high), diff_step=steps)
    return Fit(least.x, low, high, np.asarray(least.jac), np.asarray(least.fun) + measured, measured)


def profile_intervals(model: Model, found: Fit, level: float = 0.95) -> FloatArray:
    """Intervals of each parameter, shape (p, 2); an end that the values leave open within the bounds is infinite.

    A parameter is moved away and held, all others are fitted again: in the interval is where the sum of squares stays
    below S (1 + t²/ν), t the quantile of Student's law with ν degrees of freedom. For linear models this is the usual
    interval; for others it takes their curvature in as far as it bends the sum of squares (Bates and Watts, Nonlinear
    Regression Analysis and Its Applications, Wiley 1988, section 6.1; from memory).
    """
    from scipy.stats import t

    quantile = float(t.ppf(0.5 + level / 2, found.freedom))
    ends = [[_end(model, found, k, sign, quantile) for sign in (-1, 1)] for k in range(found.theta.size)]
    return np.array(ends)


def _end(model: Model, found: Fit, place: int, sign: int, quantile: float) -> float:
    """Where the fit is as far from the best as the quantile says, on one side of a parameter."""
    from scipy.optimize import brentq

    along = found.covariance[place]
    error = float(np.sqrt(along[place]))  # 0 where nothing near the best depends on the parameter
    tilt = along / along[place] if error > 0 else np.zeros_like(along)
    most = abs(float((found.low, found.high)[sign > 0][place] - found.theta[place]))
    if not found.spread > 0:
        return float(found.theta[place])
    if most == 0:
        return sign * np.inf

    @cache
    def beyond(away: float) -> float:
        """Distance from the best with the parameter held there, in units of the spread, over the quantile."""
        if away == 0:
            return -quantile
        near = found.theta + tilt * sign * away
        squares = _held(model, found, place, float(found.theta[place]) + sign * away, near)
        return float(np.sqrt(max(squares - found.squares, 0.0))) / found.spread - quantile

    away = min(quantile * error, most) if error > 0 else most
    while beyond(away) < 0:
        if away == most:
            return sign * np.inf
        away = min(_FARTHER * away, most)
    return float(found.theta[place]) + sign * float(brentq(beyond, 0.0, away, xtol=_CLOSE * away))


def _held(model: Model, found: Fit, place: int, value: float, near: FloatArray) -> float:
    """Least sum of squares with one parameter held at a value, the others found from where they are ``near``."""
    from scipy.optimize import leastsq

    low, high, others = (np.delete(each, place) for each in (found.low, found.high, near))

    def misses(theta: FloatArray) -> FloatArray:
        return model(np.insert(np.clip(theta, low, high), place, value)) - found.measured

    if others.size:  # a tenth of what the other routine takes, which knows bounds
        others, _ = leastsq(misses, np.clip(others, low, high), epsfcn=_STEP**2, ftol=1e-6, xtol=1e-5)
    return float(np.sum(misses(others) ** 2))
