"""Whom does priority help, and whom does it cost? Classes in order of priority, the first served first.

Arrays have one entry a class, shape (classes,): arrival rates per second, mean service times in seconds,
squared coefficients of variation. Poisson arrivals, order of arrival within a class. Both are exact. Both
raise OutsideValidityError (a ValueError) for rates or means that are not above 0, negative
variability, arrays of unequal length, servers that are not whole or below 1, and a total utilisation of 1 or
more.
"""

import numpy as np
from numpy.typing import ArrayLike

from tailrace.theory.domain import Floats, OutsideValidityError, non_negative, positive, stable, whole
from tailrace.theory.erlang import erlang_c


def priority_wait_means(arrival_rates: ArrayLike, service_s: ArrayLike, scv: ArrayLike = 1.0) -> Floats:
    """Mean wait of each class at M/G/1 where a request in service is never interrupted, shape (classes,).

    W_k = W0 / ((1 - sigma_{k-1}) (1 - sigma_k)), W0 = sum lambda E S^2 / 2, sigma_k the utilisation by
    classes 1 to k.
    Source: A. Cobham, Priority assignment in waiting line problems, Operations Research 2, 1954 (from
    memory).
    """
    lam, mean, variability = _classes(arrival_rates, service_s, scv)
    through = np.cumsum(lam * mean)
    residual = float(np.sum(lam * mean**2 * (1 + variability))) / 2
    return np.asarray(residual / ((1 - through + lam * mean) * (1 - through)))


def priority_wait_means_mmc(arrival_rates: ArrayLike, service_s: float, servers: int) -> Floats:
    """Mean wait of each class at M/M/c without interruption, one service law for all, shape (classes,).

    W_k = (C S / c) / ((1 - sigma_{k-1}) (1 - sigma_k)), C of Erlang for all classes together.
    Source: O. Kella and U. Yechiali, Waiting times in the non-preemptive priority M/M/c queue, Stochastic
    Models 1, 1985 (from memory).
    """
    c = float(whole("servers", servers))
    lam, mean, _ = _classes(arrival_rates, service_s, 1.0, c)
    through = np.cumsum(lam * mean) / c
    residual = erlang_c(c, float(np.sum(lam * mean))) * service_s / c
    return np.asarray(residual / ((1 - through + lam * mean / c) * (1 - through)))


def _classes(
    arrival_rates: ArrayLike, service_s: ArrayLike, scv: ArrayLike, servers: float = 1.0
) -> tuple[Floats, Floats, Floats]:
    lam = positive("arrival_rates", np.atleast_1d(np.asarray(arrival_rates, dtype=np.float64)))
    if lam.ndim != 1:
        raise OutsideValidityError("arrival_rates: accepted is one rate a class")
    try:
        mean = np.broadcast_to(positive("service_s", service_s), lam.shape)
        variability = np.broadcast_to(non_negative("scv", scv), lam.shape)
    except ValueError as error:
        raise OutsideValidityError(f"service_s and scv: accepted is one value a class; {error}") from error
    stable(np.sum(lam * mean) / servers)
    return lam, mean, variability
