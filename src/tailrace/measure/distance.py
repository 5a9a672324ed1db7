"""How far apart are two distributions of latency?"""

from __future__ import annotations

import numpy as np

from tailrace.arrays import FloatArray

QUANTILES = 1000


def relative_distance(predicted: FloatArray, measured: FloatArray, quantiles: int = QUANTILES) -> float:
    """Root mean square of the differences between quantiles, as a share of the measured mean.

    The horizontal distance between the two distribution functions, averaged over all levels: 0 where they are the
    same, 0.1 where they lie a tenth of the mean apart. Samples of any length, shape (n,) and (m,).
    Source: C. Ruemmler and J. Wilkes, An introduction to disk drive modeling, IEEE Computer 27(3), 1994 (from memory).
    Raises ValueError for empty samples, and where the measured mean is not above 0.
    """
    if not predicted.size or not measured.size:
        raise ValueError("a distance needs values on both sides")
    mean = float(np.mean(measured))
    if not mean > 0.0:
        raise ValueError("the mean of what was measured must be above 0")
    levels = (np.arange(quantiles) + 0.5) / quantiles
    apart = np.quantile(predicted, levels) - np.quantile(measured, levels)
    return float(np.sqrt(np.mean(apart**2))) / mean
