"""What is one long run worth? Batch means, and how many independent observations it amounts to."""

import math

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from tailrace.arrays import FloatArray
from tailrace.measure.estimate import Estimate, student_quantile

LONGEST_PIECE = 2**20
"""Observations transformed at once; a longer series is taken in equal pieces, to bound the memory."""


def batch_means(series: FloatArray, batches: int = 20, level: float = 0.95) -> Estimate:
    """Mean of a stationary series with its interval from the spread of the means of consecutive batches.

    Half-width t(b-1) s / sqrt(b), s the standard deviation of the b batch means, which must each be long
    against the correlation: Law and Kelton, Simulation Modeling and Analysis, chapter 9 (from memory).

    Args:
        series: shape (n,), in order, warm-up left out; a remainder is dropped from its start.
        batches: number of batches b, at least 2.
        level: confidence level.

    Raises:
        ValueError: fewer than two batches, a level outside (0, 1), or a series that is not finite.
    """
    if batches < 2 or series.ndim != 1 or not np.isfinite(series).all():
        raise ValueError("a finite series of one dimension, and two batches or more")
    factor = student_quantile(level, batches - 1)
    length = series.size // batches
    if length == 0:
        return Estimate.unknown(series.size, f"{series.size} observations do not fill {batches} batches")
    used = series[series.size - length * batches :]
    means = used.reshape(batches, length).mean(axis=1)
    mean = float(means.mean())
    half_width = factor * float(means.std(ddof=1)) / math.sqrt(batches)
    method = f"batch means, {batches} batches of {length}, level {level:.4g}"
    return Estimate(mean, mean - half_width, mean + half_width, used.size, method)


def effective_sample_size(series: FloatArray) -> float | None:
    """Number of independent observations whose mean would be as certain as that of a correlated series.

    n / (1 + 2 sum of the autocorrelations), the sum ended by the initial monotone sequence of pairs: Geyer,
    Statistical Science 7(4), 1992, pp. 473-483 (from memory). For a quantile q, pass the indicator of
    `series > q`.

    Args:
        series: shape (n,), in order, warm-up left out.

    Returns:
        At most n; None for a series that does not vary, or of fewer than four observations.

    Raises:
        ValueError: the series is not finite or not of one dimension.
    """
    values = np.asarray(series, dtype=np.float64)
    if values.ndim != 1 or not np.isfinite(values).all():
        raise ValueError("a finite series of one dimension")
    n = values.size
    if n < 4 or np.ptp(values) == 0:
        return None
    covariances = _autocovariances(values)
    pairs = covariances[: covariances.size // 2 * 2].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs <= 0)
    positive = pairs[: negative[0]] if negative.size else pairs
    # asymptotic variance: -c_0 + 2 (c_0 + c_1 + c_2 + ...)
    variance = 2 * float(np.minimum.accumulate(positive).sum()) - float(covariances[0])
    return min(float(n), n * float(covariances[0]) / variance) if variance > 0 else float(n)


def _autocovariances(values: FloatArray) -> FloatArray:
    """Autocovariances at lags 0, 1, ..., up to half of the length that is transformed at once."""
    pieces = -(-values.size // LONGEST_PIECE)
    length = values.size // pieces
    centred = values[: pieces * length].reshape(pieces, length) - values.mean()
    padded = next_fast_len(2 * length, real=True)
    lags = max(2, length // 2)
    total = np.zeros(lags)
    for piece in centred:
        transform = rfft(piece, padded)
        total += irfft(np.square(np.abs(transform)), padded)[:lags]
    return np.asarray(total / (pieces * length))
