"""A drive known by measurements: a station whose rate depends on how many requests it holds, and a byte rate.

Flow equivalence: in a product-form network any part may be replaced by one station that serves, with n present, at the
rate at which the part lets n pass; K. M. Chandy, U. Herzog and L. Woo, Parametric analysis of queuing networks, IBM J.
Res. Dev. 19(1), 1975 (from memory). Those present share that rate equally, so that means do not depend on the law of
the work (processor sharing is insensitive).

What a request asks beyond the first depends on its size: a request of s bytes is ``overhead + s`` bytes of work. Where
the bytes of those present would flow faster than the byte rate, all are slowed down alike until they do not. With one
size the station then serves ``min(rate(n), byte rate / s)`` requests a second.

Two other models were tried on real points of a virtual disk (4, 8 and 64 KiB at five depths). A second station for the
bytes, behind the first, adds its time even to one request alone: left out, points were missed by 10 % in the median and
17 % at worst. A byte rate alone, without the overhead: 13 and 20 %. This one: 6 and 16 % (`tests/test_measured.py`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

STEPS = 2.0**20
"""What a request draws of the byte rate is rounded up to so many steps: sums of such shares are exact in any order."""


def curve(depths: FloatArray, rates: FloatArray, most: int) -> FloatArray:
    """Rates with 1, 2 ... ``most`` requests present, shape (most,), from those at ``depths``, both ascending.

    Straight between the points in the logarithms of both; flat beyond the greatest depth. Below the least it goes on as
    between the first two points; with a single point the rate is the same everywhere. It never falls, and never grows
    faster than the number present.
    """
    x, y = np.log(np.asarray(depths, dtype=np.float64)), np.log(np.asarray(rates, dtype=np.float64))
    at = np.log(np.arange(1.0, most + 1))
    found = np.interp(at, x, y)
    if x.size > 1:
        slope = min(max((y[1] - y[0]) / (x[1] - x[0]), 0.0), 1.0)
        found = np.where(at < x[0], y[0] + slope * (at - x[0]), found)
    return np.asarray(np.exp(found))


def monotone(depths: FloatArray, logs: FloatArray) -> FloatArray:
    """The nearest logarithms of rates, from the first on, that do not fall nor grow faster than the depth."""
    found = [float(logs[0])]
    for k in range(1, logs.size):
        most = found[-1] + float(np.log(depths[k] / depths[k - 1]))
        found.append(min(max(float(logs[k]), found[-1]), most))
    return np.array(found)


def work_s(
    size_bytes: FloatArray,
    at_bytes: float,
    alone_per_s: float,
    overhead: float | None,
    byte_rate: float | None,
    exact: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """Mean seconds of a request alone, and the share of the byte rate that it draws at that pace (0: it has none).

    ``alone_per_s`` is the rate with one request of ``at_bytes`` at a time. Shapes as ``size_bytes``.
    The share is rounded up to `STEPS`, unless ``exact``.
    """
    size = np.asarray(size_bytes, dtype=np.float64)
    weight = np.ones(size.shape) if overhead is None else (overhead + size) / (overhead + at_bytes)
    alone = weight / alone_per_s
    if byte_rate is None:
        return alone, np.zeros(size.shape)
    alone = np.maximum(alone, size / byte_rate)
    share = size / (alone * byte_rate)
    return alone, np.minimum(share if exact else np.ceil(share * STEPS) / STEPS, 1.0)


def pace(present: int, writing: int, drawn: float, reads: FloatArray, writes: FloatArray, last: int) -> float:
    """Seconds of work that each of ``present`` requests is given a second, ``writing`` of them writes.

    ``reads`` and ``writes``: work that all together are given a second if all are of that kind, for 1, 2 ... ``last``
    present; with both kinds the mean of the two. ``drawn`` is the sum of the shares of the byte rate. Run as it is by
    the reference engine, compiled by the other.
    """
    at = min(present, last) - 1
    total = reads[at]
    if writing > 0:
        total = (reads[at] * (present - writing) + writes[at] * writing) / present
    each: float = total / present
    if drawn * each > 1.0:
        each = 1.0 / drawn
    return each


def in_use(
    present: int, writing: int, drawn: float, each: float, reads: FloatArray, writes: FloatArray, last: int
) -> float:
    """The share in use of the most that such a mix can be given, or of the byte rate if that is more."""
    most = reads[last - 1]
    if writing > 0:
        most = (reads[last - 1] * (present - writing) + writes[last - 1] * writing) / present
    used: float = present * each / most
    if drawn * each > used:
        used = drawn * each
    return used


def capped(totals: FloatArray, drawn: float) -> FloatArray:
    """What all present are given together, 1, 2 ... of them, if each draws such a share of the byte rate."""
    return totals if drawn <= 0.0 else np.minimum(totals, 1.0 / drawn)


def open_mean_number(offered: float, totals: FloatArray) -> float:
    """Mean number present where work comes in at random: ``offered`` seconds of it a second, on average.

    ``totals`` of shape (n,): what 1, 2 ... n present are given together, the last by any more. Birth and death:
    p(n) = p(0) offered^n / prod totals; the same for any law of the work (F. Baskett, K. M. Chandy, R. R. Muntz and
    F. G. Palacios, JACM 22, 1975, from memory). Infinite where more is offered than is ever given.
    """
    last = float(totals[-1])
    if offered <= 0.0:
        return 0.0
    if offered >= last:
        return float("inf")
    logs = np.concatenate([[0.0], np.cumsum(np.log(offered / totals))])
    weights = np.exp(logs - logs.max())
    n = np.arange(weights.size)
    ratio = offered / last
    # Beyond the table a geometric series: sum r^k = r/(1-r), sum k r^k = r/(1-r)^2.
    beyond = weights[-1] * ratio / (1 - ratio)
    total = weights.sum() + beyond
    number = n @ weights + beyond * n[-1] + weights[-1] * ratio / (1 - ratio) ** 2
    return float(number / total)
