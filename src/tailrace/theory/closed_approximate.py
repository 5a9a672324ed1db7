"""How does a closed network respond, nearly, when the exact recursion is too large?

A station with c servers is replaced by one server c times as fast and a delay of the rest of the service time
(Seidmann, Schweitzer and Shalev-Oren 1987, from memory): too pessimistic at medium load, right at both ends.
"""

from collections.abc import Callable

import numpy as np

from tailrace.theory.closed_solution import ClosedSolution, closed_solution
from tailrace.theory.domain import Floats, OutsideValidityError

_ITERATIONS = 100_000
_PRECISION = 1e-12


def schweitzer_bard(demands: Floats, clients: Floats, think: Floats, servers: Floats) -> ClosedSolution:
    """Approximate means for demands (C, K), clients (C,), think (C,), servers (K,); all checked before.

    An arriving request of class c finds Q_jk of the other classes and (N_c - 1) / N_c Q_ck of its own. Exact
    for a single client; errors of 5 to 15 % are common between a few clients and saturation, none far
    beyond.
    Source: P. Schweitzer, Approximate analysis of multiclass closed networks of queues, 1979; Y. Bard, Some
    extensions to multiclass queueing network analysis, 1979 (from memory).
    Raises OutsideValidityError if the fixed point is not reached.
    """
    none = np.zeros((clients.size, demands.shape[1], clients.size))
    return _solution(demands, clients, think, servers, none, "Schweitzer-Bard")


def linearised(demands: Floats, clients: Floats, think: Floats, servers: Floats) -> ClosedSolution:
    """As `schweitzer_bard`, with the shares that a class holds of each station corrected to first order.

    The networks with one client less of each class are solved too, and the differences of the shares F_ck =
    Q_ck / N_c between them and the whole carried over; three rounds. Errors are usually below 1 %.
    Source: K. M. Chandy and D. Neuse, Linearizer: a heuristic algorithm for queueing network models of
    computing systems, CACM 25(2), 1982 (from memory).
    Raises OutsideValidityError if a fixed point is not reached.
    """
    classes = clients.size
    drift = np.zeros((classes, demands.shape[1], classes))
    queueing, delay, queues = _without_pools(demands, think, servers)
    for _ in range(3):
        whole = _shares(_core(queueing, clients, delay, queues, drift), clients)
        for j in np.flatnonzero(clients > 0):
            less = clients - (np.arange(classes) == j)
            drift[:, :, j] = _shares(_core(queueing, less, delay, queues, drift), less) - whole
    return _solution(demands, clients, think, servers, drift, "linearised")


def _without_pools(demands: Floats, think: Floats, servers: Floats) -> tuple[Floats, Floats, Floats]:
    """Demands at single servers (C, K), the delay of each class (C,), and which stations queue (K,)."""
    queues = np.isfinite(servers)
    queueing = np.where(queues, demands / servers, 0.0)
    return queueing, think + (demands - queueing).sum(axis=1), queues.astype(np.float64)


def _shares(number: Floats, clients: Floats) -> Floats:
    """Share of the clients of each class at each station; 0 for a class without clients."""
    return np.asarray(number / np.where(clients > 0, clients, 1.0)[:, None])


def _core(queueing: Floats, clients: Floats, delay: Floats, queues: Floats, drift: Floats) -> Floats:
    """Numbers at single servers (C, K): the fixed point, with drift[i, k, c] = F_ik(N - 1_c) - F_ik(N)."""
    others = np.maximum(clients[:, None] - np.eye(clients.size), 0.0)

    def step(number: Floats) -> Floats:
        share = _shares(number, clients)
        found = np.einsum("ic,ikc->ck", others, np.maximum(share[:, :, None] + drift, 0.0))
        residence = queueing * (1 + found)
        cycle = delay + residence.sum(axis=1)
        rate = np.divide(clients, cycle, out=np.zeros_like(clients), where=cycle > 0)
        return np.asarray(rate[:, None] * residence)

    start = clients[:, None] * queues / max(1.0, float(queues.sum()))
    return _fixed_point(step, start, float(clients.sum()))


def _fixed_point(step: Callable[[Floats], Floats], start: Floats, size: float) -> Floats:
    values = start
    for _ in range(_ITERATIONS):
        before, values = values, step(values)
        if np.max(np.abs(values - before), initial=0.0) <= _PRECISION * max(1.0, size):
            return values
    raise OutsideValidityError("the fixed point of the approximation was not reached")


def _solution(
    demands: Floats, clients: Floats, think: Floats, servers: Floats, drift: Floats, method: str
) -> ClosedSolution:
    queueing, delay, queues = _without_pools(demands, think, servers)
    number = _core(queueing, clients, delay, queues, drift)
    share = _shares(number, clients)
    others = np.maximum(clients[:, None] - np.eye(clients.size), 0.0)
    found = np.einsum("ic,ikc->ck", others, np.maximum(share[:, :, None] + drift, 0.0))
    cycle = delay + (queueing * (1 + found)).sum(axis=1)
    throughput = np.divide(clients, cycle, out=np.zeros_like(clients), where=clients > 0)
    # What Seidmann's replacement put into the delay is service at the station.
    number = throughput[:, None] * (queueing * (1 + found) + demands - queueing)
    return closed_solution(demands, clients, think, servers, throughput, number, method)
