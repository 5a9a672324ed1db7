"""What is known of a closed network once it is solved? One result type for every method."""

from dataclasses import dataclass

import numpy as np

from tailrace.theory.domain import Floats


@dataclass(frozen=True)
class ClosedSolution:
    """Stationary means of a closed network; C classes, K stations.

    Attributes: clients: number of clients of each class, shape (C,); a class with 0 clients has throughput
        0. think_s: mean seconds between an answer and the next request, (C,). throughput: requests per
        second of each class, (C,). utilisation: share of the servers busy, by class, (C, K); at a delay 0.
        residence_s: seconds a request of the class spends at the station over all its visits, (C, K); NaN
        for a class without clients. number: mean number of requests of the class at the station, (C, K).
        method: "exact mean value analysis", "exact convolution", "Schweitzer-Bard" or "linearised".
    """

    clients: Floats
    think_s: Floats
    throughput: Floats
    utilisation: Floats
    residence_s: Floats
    number: Floats
    method: str

    @property
    def response_s(self) -> Floats:
        """Mean seconds from issue to completion, thinking excluded, shape (C,)."""
        return np.asarray(self.residence_s.sum(axis=1))


def closed_solution(
    demands: Floats,
    clients: Floats,
    think: Floats,
    servers: Floats,
    throughput: Floats,
    number: Floats,
    method: str,
) -> ClosedSolution:
    """Completes throughputs (C,) and numbers present (C, K) by the utilisation law and Little's law."""
    with np.errstate(invalid="ignore"):
        residence = number / throughput[:, None]
    used = throughput[:, None] * demands / servers
    return ClosedSolution(clients, think, throughput, used, residence, number, method)
