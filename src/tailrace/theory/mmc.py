"""How long do requests wait and stay at M/M/c, with one queue in order of arrival?

M/M/1 is servers = 1. Rates are per second, times in seconds, `servers` whole; scalars or arrays, which
broadcast. All formulas are exact. All functions raise OutsideValidityError (a ValueError) for a non-positive
arrival or service rate, servers that are not whole or below 1, a utilisation of 1 or more, negative times,
and levels p outside 0 <= p < 1.

Sources: L. Kleinrock, Queueing Systems, volume 1, 1975, sections 3.2 and 3.5; D. Gross and C. M. Harris,
Fundamentals of Queueing Theory, section on M/M/c waiting times (both from memory).
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import exprel

from tailrace.theory.domain import Floats, Value, level, non_negative, plain, positive, stable, whole
from tailrace.theory.erlang import erlang_c
from tailrace.theory.quantile import solve_tail


def mmc_wait_probability(arrival_rate: ArrayLike, service_rate: ArrayLike, servers: ArrayLike = 1) -> Value:
    """Probability of having to wait: Erlang C at arrival_rate / service_rate erlangs."""
    return plain(_station(arrival_rate, service_rate, servers)[0])


def mmc_wait_mean(arrival_rate: ArrayLike, service_rate: ArrayLike, servers: ArrayLike = 1) -> Value:
    """Mean wait in seconds, C / (c mu - lambda)."""
    waits, drain, _ = _station(arrival_rate, service_rate, servers)
    return plain(waits / drain)


def mmc_wait_tail(
    t_s: ArrayLike, arrival_rate: ArrayLike, service_rate: ArrayLike, servers: ArrayLike = 1
) -> Value:
    """P(wait > t_s) = C exp(-(c mu - lambda) t): an atom of 1 - C at zero, exponential beyond."""
    t = non_negative("t_s", t_s)
    waits, drain, _ = _station(arrival_rate, service_rate, servers)
    return plain(waits * np.exp(-drain * t))


def mmc_wait_quantile(
    p: ArrayLike, arrival_rate: ArrayLike, service_rate: ArrayLike, servers: ArrayLike = 1
) -> Value:
    """The wait in seconds that a share p of the requests do not exceed.

    max(0, log(C / (1 - p)) / (c mu - lambda)).
    """
    beyond = 1 - level("p", p)
    waits, drain, _ = _station(arrival_rate, service_rate, servers)
    return plain(np.log(np.maximum(1.0, waits / beyond)) / drain)


def mmc_response_mean(arrival_rate: ArrayLike, service_rate: ArrayLike, servers: ArrayLike = 1) -> Value:
    """Mean time at the station in seconds, wait and service."""
    waits, drain, mu = _station(arrival_rate, service_rate, servers)
    return plain(waits / drain + 1 / mu)


def mmc_response_tail(
    t_s: ArrayLike, arrival_rate: ArrayLike, service_rate: ArrayLike, servers: ArrayLike = 1
) -> Value:
    """P(wait + service > t_s).

    exp(-mu t) + C mu (exp(-mu t) - exp(-theta t)) / (theta - mu) with theta = c mu - lambda.

    Also right where theta = mu, as exp(-mu t) (1 + C mu t).
    """
    t = non_negative("t_s", t_s)
    waits, drain, mu = _station(arrival_rate, service_rate, servers)
    return plain(_response_tail(t, waits, drain, mu))


def mmc_response_quantile(
    p: ArrayLike, arrival_rate: ArrayLike, service_rate: ArrayLike, servers: ArrayLike = 1
) -> Value:
    """The time at the station in seconds that a share p of the requests do not exceed.

    -log(1 - p) / (mu - lambda) for one server; otherwise the root of `mmc_response_tail`, to 1e-14 relative.
    """
    waits, drain, mu = _station(arrival_rate, service_rate, servers)
    levels, waits, drain, mu = np.broadcast_arrays(level("p", p), waits, drain, mu)
    return plain(solve_tail(lambda t: _response_tail(t, waits, drain, mu), 1 - levels, 1 / mu + 1 / drain))


def _station(
    arrival_rate: ArrayLike, service_rate: ArrayLike, servers: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Probability of waiting, rate at which a queue drains c mu - lambda, and mu; broadcast to one shape."""
    lam, mu, c = np.broadcast_arrays(
        positive("arrival_rate", arrival_rate),
        positive("service_rate", service_rate),
        whole("servers", servers),
    )
    stable(lam / (c * mu))
    return np.asarray(erlang_c(c, lam / mu)), c * mu - lam, mu


def _response_tail(t: Floats, waits: Floats, drain: Floats, mu: Floats) -> Floats:
    # (exp(-mu t) - exp(-theta t)) / (theta - mu) is symmetric in both rates and has no pole where they meet.
    slow = np.minimum(mu, drain)
    between = np.exp(-slow * t) * t * exprel(-np.abs(drain - mu) * t)
    return np.asarray(np.exp(-mu * t) + waits * mu * between)
