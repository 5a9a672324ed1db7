"""Times from end to end through M/M/c stations, by the phases they pass: a second way to `theory.sum_quantile`.

M. F. Neuts, Matrix-Geometric Solutions in Stochastic Models, 1981, chapter 2 (from memory). Each visit is drawn anew
and independently; the stations' arrival rates are their own, all visits included.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import expm
from scipy.optimize import brentq

from tailrace.theory import MmcResponse


def visits_of_routing(entry: ArrayLike, routing: ArrayLike) -> np.ndarray:
    """Mean visits to each station, solving v = entry + v P: where requests enter, and P[i, j] from i to j."""
    return np.linalg.solve(np.eye(np.size(entry)) - np.asarray(routing).T, np.asarray(entry))


def routed_response_tail(
    t_s: float, stations: Sequence[MmcResponse], entry: ArrayLike, routing: ArrayLike
) -> float:
    """P(time in the network > t_s) where requests move between M/M/c stations by chance."""
    start, generator = _phases(stations, entry, routing)
    return float(start @ expm(generator * t_s).sum(axis=1))


def routed_response_quantile(
    p: float, stations: Sequence[MmcResponse], entry: ArrayLike, routing: ArrayLike
) -> float:
    """The time in seconds in the network that a share p of the requests do not exceed."""
    high = float(visits_of_routing(entry, routing) @ [station.mean_s for station in stations])
    while routed_response_tail(high, stations, entry, routing) > 1 - p:
        high *= 2
    found = brentq(
        lambda t: np.log(routed_response_tail(t, stations, entry, routing) / (1 - p)), 0.0, high, rtol=1e-13
    )
    return float(found)


def tandem_response_tail(t_s: float, stations: Sequence[MmcResponse]) -> float:
    """P(time through all stations > t_s), stations in series, each visited once."""
    return routed_response_tail(t_s, stations, *_in_series(len(stations)))


def tandem_response_quantile(p: float, stations: Sequence[MmcResponse]) -> float:
    return routed_response_quantile(p, stations, *_in_series(len(stations)))


def _in_series(stations: int) -> tuple[np.ndarray, np.ndarray]:
    return np.eye(1, stations)[0], np.eye(stations, k=1)


def _phases(
    stations: Sequence[MmcResponse], entry: ArrayLike, routing: ArrayLike
) -> tuple[np.ndarray, np.ndarray]:
    """Initial distribution and generator of the phases: each station's service, then perhaps its wait."""
    # The order of wait and service within a station does not change the sum; so every visit starts with service.
    moves = np.asarray(routing, dtype=float)
    mu = np.array([station.service_rate for station in stations])
    drain = np.array([station.drain_rate for station in stations])
    waits = np.array([station.wait_probability for station in stations])
    generator = np.block(
        [
            [((1 - waits) * mu)[:, None] * moves - np.diag(mu), np.diag(waits * mu)],
            [drain[:, None] * moves, -np.diag(drain)],
        ]
    )
    return np.concatenate([np.asarray(entry, dtype=float), np.zeros(mu.size)]), generator
