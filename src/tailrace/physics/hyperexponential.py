"""The balanced two-phase hyperexponential distribution: bursty gaps and highly variable service times."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def two_phase_from_uniform(u: NDArray[np.float64], mean: float, scv: float) -> NDArray[np.float64]:
    """Draws with the given mean and squared coefficient of variation, one uniform in (0, 1) each.

    Balanced means: each phase carries half of the mean, so the quicker one has the probability
    p = (1 + sqrt((scv - 1) / (scv + 1))) / 2 and the phases have the means mean / 2p and mean / 2(1 - p)
    (Whitt, Approximating a point process by a renewal process, Operations Research 30, 1982; from memory).
    One uniform picks the phase and, rescaled within it, the time. Raises ValueError unless scv > 1.
    """
    if not scv > 1.0:
        raise ValueError(f"squared coefficient of variation is {scv}; accepted: above 1")
    share = 0.5 * (1.0 + np.sqrt((scv - 1.0) / (scv + 1.0)))
    quick = u < share
    within = np.where(quick, u / share, (u - share) / (1.0 - share))
    phase_mean = np.where(quick, 0.5 * mean / share, 0.5 * mean / (1.0 - share))
    draws: NDArray[np.float64] = -np.log1p(-within) * phase_mean
    return draws
