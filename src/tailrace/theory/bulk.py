"""Bulk service: whenever the server is free it takes all who wait, and serves them together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.theory.domain import positive


@dataclass(frozen=True)
class BulkService:
    """Mean number served together, and mean wait in seconds before the service."""

    size: float
    wait_s: float


def bulk_service(rate: float, service_s: FloatArray) -> BulkService:
    """Poisson arrivals at ``rate`` per second; ``service_s``, shape (n,): service times, alike however many they serve.

    With a = rate E S, and q = E exp(-rate S) that nobody comes during a service, in which case the next is for one
    alone: a + q are served together. The server is busy for a share a / (a + q) of the time, and who comes then waits
    for the rest of a service, E S^2 / (2 E S) (derived; N. T. J. Bailey, On queueing processes with bulk service,
    J. Royal Statistical Society B 16, 1954, has the queue; from memory). Exact. Raises OutsideValidityError for a rate
    or a service time that is not above 0.
    """
    positive("rate", rate)
    positive("service_s", service_s)
    mean = float(service_s.mean())
    size = rate * mean + float(np.exp(-rate * service_s).mean())
    return BulkService(size, rate * mean / size * float(np.mean(service_s**2)) / (2 * mean))
