"""Between which limits must throughput and response of a closed network lie? Without solving it.

One class of clients. demands_s: seconds of service per request at each station, shape (stations,); clients:
a whole number; think_s: mean seconds between an answer and the next request. Rates per second, times in
seconds. All functions raise OutsideValidityError (a ValueError) for negative demands or think times, demands
that are all 0, and clients or servers that are not whole or below 1.
Source: E. D. Lazowska, J. Zahorjan, G. S. Graham and K. C. Sevcik, Quantitative System Performance, 1984,
chapter 5 (from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tailrace.theory.demands import demand_table, server_counts
from tailrace.theory.domain import Floats, OutsideValidityError, non_negative, positive, whole


@dataclass(frozen=True)
class ClosedBounds:
    """Limits of a closed network's throughput (per second) and mean response (seconds, thinking excluded)."""

    throughput_low: float
    throughput_high: float
    response_low_s: float
    response_high_s: float


def asymptotic_bounds(
    demands_s: ArrayLike, clients: int, think_s: float = 0.0, servers: ArrayLike = 1
) -> ClosedBounds:
    """Bounds that hold whatever the distributions: N / (N D + Z) <= X <= min(c_k / D_k, N / (D + Z)).

    servers as in `demands`, `inf` for a delay. Valid for every work-conserving discipline at single servers;
    with several servers the upper limit of the response takes it that the others all wait in front of one
    server.
    """
    demands, n, think = _inputs(demands_s, clients, think_s)
    slowest = float(np.max(demands / server_counts(servers, demands.size)))
    total = float(demands.sum())
    high = n / (total + think) if slowest == 0 else min(1 / slowest, n / (total + think))
    return _bounds(n / (n * total + think), high, n, think)


def knee(demands_s: ArrayLike, think_s: float = 0.0) -> float:
    """Number of clients at which the asymptotes cross, (D + Z) / D_max: beyond it requests must queue."""
    demands, _, think = _inputs(demands_s, 1, think_s)
    return (float(demands.sum()) + think) / float(demands.max())


def balanced_job_bounds(demands_s: ArrayLike, clients: int, think_s: float = 0.0) -> ClosedBounds:
    """Bounds by the networks with equal demands that lie on either side; single servers, product form.

    X >= N / (Z + D + (N - 1) D_max N D / (N D + Z)), X <= 1 / D_max and
    X <= N / (Z + D + (N - 1) D_mean D / (D + Z)): tighter than the asymptotic ones.
    """
    demands, n, think = _inputs(demands_s, clients, think_s)
    total, largest, mean = float(demands.sum()), float(demands.max()), float(demands.mean())
    crowded = (n - 1) * largest * n * total / (n * total + think)
    relaxed = (n - 1) * mean * total / (total + think)
    low = n / (think + total + crowded)
    return _bounds(low, min(1 / largest, n / (think + total + relaxed)), n, think)


def _bounds(low: float, high: float, clients: int, think: float) -> ClosedBounds:
    return ClosedBounds(low, high, max(0.0, clients / high - think), clients / low - think)


def _inputs(demands_s: ArrayLike, clients: int, think_s: float) -> tuple[Floats, int, float]:
    table = demand_table(demands_s)
    if table.shape[0] != 1:
        raise OutsideValidityError(f"demands_s of shape {table.shape}: accepted is a single class")
    positive("the largest of demands_s", table.max())
    return table[0], int(whole("clients", clients)), float(non_negative("think_s", think_s))
