"""Which tail has this transform? Numerical inversion by an accelerated Fourier series."""

from collections.abc import Callable

import numpy as np
from scipy.special import binom

from tailrace.theory.domain import OutsideValidityError, level
from tailrace.theory.laws import Complexes

# The error from the periodic images is exp(-DAMPING); rounding is amplified by exp(DAMPING / 2).
_DAMPING = 24.0
_AVERAGED = 14

# Relative, of quantiles: finer, only the errors of the inversion would be resolved.
QUANTILE_PRECISION = 1e-10

_BINOMIAL = binom(_AVERAGED, np.arange(_AVERAGED + 1)) / 2.0**_AVERAGED


def invertible_target(p: float) -> float:
    """1 - p for the level p of a quantile that is to be found by inversion.

    Raises OutsideValidityError unless 0 <= p <= 1 - 1e-6: beyond, the errors of the inversion would show.
    """
    target = 1 - float(level("p", p))
    if target < 1e-6 * (1 - 1e-6):
        raise OutsideValidityError(
            f"p = {p!r}: accepted is up to 0.999999, where numerical inversion can tell"
        )
    return target


def invert_tail(transform: Callable[[Complexes], Complexes], t_s: float) -> float:
    """P(T > t_s) of a non-negative random time from its transform E exp(-s T).

    The Fourier series of the damped tail, its alternating partial sums averaged with binomial weights (Euler
    summation); the number of terms is doubled until two results agree to 1e-10. Absolute error below 1e-9
    where the tail is smooth around t_s; where it has a kink (a jump of its density) the series converges
    slowly, so a caller takes such parts out first; at a jump of the tail itself the method is not valid.

    transform: maps an array of complex s with positive real part to the transform; t_s: seconds, above 0.

    Source: J. Abate and W. Whitt, Numerical inversion of Laplace transforms of probability distributions,
    ORSA Journal on Computing 7(1), 36-43, 1995 (from memory).
    Raises OutsideValidityError if 65,536 terms do not settle the value to 1e-6, which tells of a jump nearby.
    """
    real = _DAMPING / (2 * t_s)
    scale = np.exp(_DAMPING / 2) / t_s
    values = np.zeros(0)
    estimate = np.inf
    for doubling in range(6, 17):
        k = np.arange(values.size, 2**doubling + _AVERAGED + 1)
        s = real + 1j * np.pi * k / t_s
        block = ((1 - transform(s)) / s).real * np.where(k % 2, -scale, scale)
        if values.size == 0:
            block[0] /= 2
        values = np.concatenate([values, block])
        previous, estimate = estimate, float(_BINOMIAL @ np.cumsum(values)[-_AVERAGED - 1 :])
        if abs(estimate - previous) < 1e-10:
            break
    if not abs(estimate - previous) < 1e-6:
        raise OutsideValidityError(
            f"the transform could not be inverted at t_s = {t_s:g}: a jump is too near"
        )
    return min(1.0, max(0.0, estimate))
