"""Samples of a single queue for the tests of the statistics, made without the package: Lindley's recursion.

W_{i+1} = max(0, W_i + S_i - A_{i+1}); unfolded, W is the walk of S - A less its least value so far.
Lindley, Mathematical Proceedings of the Cambridge Philosophical Society 48(2), 1952, pp. 277-289 (from memory).
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def mm1(
    utilisation: float, replications: int, requests: int, rng: np.random.Generator, first_wait: float = 0.0
) -> tuple[Floats, Floats, Floats]:
    """Arrival, wait and service times of M/M/1 with mean service time 1, each (replications, requests)."""
    between = rng.exponential(1 / utilisation, (replications, requests))
    service = rng.exponential(1.0, (replications, requests))
    walk = np.empty_like(between)
    walk[:, 0] = first_wait
    np.subtract(service[:, :-1], between[:, 1:], out=walk[:, 1:])
    np.cumsum(walk, axis=1, out=walk)
    least = np.minimum(np.minimum.accumulate(walk, axis=1), 0.0)
    return np.cumsum(between, axis=1), walk - least, service


def mm1_responses(
    utilisation: float, replications: int, requests: int, rng: np.random.Generator, first_wait: float = 0.0
) -> Floats:
    """Response times of M/M/1 with mean service time 1, in order of arrival."""
    _, wait, service = mm1(utilisation, replications, requests, rng, first_wait)
    return wait + service


def mm1_backlog(
    utilisation: float, replications: int, requests: int, rng: np.random.Generator, marks: int = 11
) -> tuple[list[Floats], list[Floats]]:
    """Arrivals so far and requests present at marks equally spaced from a tenth of the run on."""
    arrival, wait, service = mm1(utilisation, replications, requests, rng)
    departure = arrival + wait + service
    arrived, present = [], []
    for came, left in zip(arrival, departure, strict=True):
        times = np.linspace(came[requests // 10], came[-1], marks)
        so_far = np.searchsorted(came, times, side="right")
        arrived.append(so_far.astype(np.float64))
        present.append((so_far - np.searchsorted(left, times, side="right")).astype(np.float64))
    return arrived, present
