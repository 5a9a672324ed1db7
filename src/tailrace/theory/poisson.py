"""How likely is a count? The Poisson term without overflow or cancellation at large counts."""

import numpy as np
from scipy.special import gammaln, xlog1py

from tailrace.theory.domain import Floats


def poisson_term(count: Floats, mean: Floats) -> Floats:
    """exp(-mean) mean^count / count!, for counts from 1 (not necessarily whole) and means from 0; arrays.

    Saddle-point form, exp(-deviance - remainder of Stirling's formula) / sqrt(2 pi count): no difference of
    numbers as large as count log count is taken.
    Source: C. Loader, Fast and accurate computation of binomial probabilities, 2000 (from memory).
    """
    excess = (mean - count) / count
    with np.errstate(divide="ignore"):
        deviance = np.where(mean > 0, mean - count - xlog1py(count, excess), np.inf)
    return np.asarray(np.exp(-deviance - _stirling_remainder(count)) / np.sqrt(2 * np.pi * count))


def _stirling_remainder(count: Floats) -> Floats:
    """log n! - log(sqrt(2 pi n) (n/e)^n): direct for small n, the asymptotic series (1e-16) from 16."""
    large = np.maximum(count, 16.0)
    series = (
        1 / 12 - (1 / 360 - (1 / 1260 - (1 / 1680 - 1 / (1188 * large**2)) / large**2) / large**2) / large**2
    ) / large
    small = np.minimum(count, 16.0)
    direct = gammaln(small + 1) - (small + 0.5) * np.log(small) + small - 0.5 * np.log(2 * np.pi)
    return np.asarray(np.where(count < 16, direct, series))
