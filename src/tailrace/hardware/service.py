"""Service times by distribution, from uniform draws: one draw, one time, in all designs compared."""

from __future__ import annotations

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.physics.hyperexponential import two_phase_from_uniform
from tailrace.scenario.tables.law import (
    Constant,
    Empirical,
    Exponential,
    Gamma,
    Hyperexponential,
    Law,
    Lognormal,
    Uniform,
)


def service_times(law: Law, u: FloatArray) -> FloatArray:
    """Service times in seconds from uniform draws in (0, 1), by inversion; shape of ``u``."""
    match law:
        case Constant():
            return np.full(u.shape, law.value)
        case Exponential():
            return -np.log1p(-u) * law.mean
        case Uniform():
            return law.low + u * (law.high - law.low)
        case Gamma():
            return gamma_times(law.mean, law.scv, u)
        case Lognormal():
            from scipy.special import ndtri

            variance = np.log1p(law.scv)
            times: FloatArray = law.mean * np.exp(np.sqrt(variance) * ndtri(u) - 0.5 * variance)
            return times
        case Hyperexponential():
            return two_phase_from_uniform(u, law.mean, law.scv)
        case Empirical():
            times = law.sorted_s
            return np.asarray(times[(u * times.size).astype(np.int64)])


def gamma_times(mean_s: float, scv: float, u: FloatArray) -> FloatArray:
    """Gamma times in seconds with the given mean and squared coefficient of variation, by inversion.

    0 gives the constant and 1 the exponential distribution. Shape of ``u``.
    """
    if scv == 0.0 or mean_s == 0.0:
        return np.full(u.shape, mean_s)
    if scv == 1.0:
        return -np.log1p(-u) * mean_s
    from scipy.special import gammaincinv

    times: FloatArray = np.asarray(gammaincinv(1.0 / scv, u), dtype=np.float64)
    return times * (scv * mean_s)
