"""How long do requests wait when gaps or services are not exponential? Approximations by two moments.

Arguments are the arrival rate per second, the mean service time in seconds, and the squared coefficients of
variation of gaps and services; arrays broadcast. Gaps and services are independent of each other and of
the past, order of arrival. Results are mean waits in seconds.
All functions raise OutsideValidityError (a ValueError) for a rate or mean that is not above 0, a negative
variability, servers that are not whole or below 1, and a utilisation of 1 or more.
"""

import numpy as np
from numpy.typing import ArrayLike

from tailrace.theory.domain import (
    Floats,
    OutsideValidityError,
    Value,
    level,
    non_negative,
    plain,
    positive,
    share,
    stable,
    whole,
)
from tailrace.theory.erlang import erlang_c


def gg1_wait_klb(
    arrival_rate: ArrayLike, service_s: ArrayLike, arrival_scv: ArrayLike, service_scv: ArrayLike
) -> Value:
    """Mean wait at GI/G/1 with the correction of Kraemer and Langenbach-Belz; an approximation.

    Exact for Poisson arrivals; within 9 % of exact GI/M/1 from utilisation 0.5 for arrival_scv up to 9, a
    third off at 0.3 for bursty arrivals.
    Source: W. Kraemer and M. Langenbach-Belz, Approximate formulae for the delay in the queueing system
    GI/G/1, 8th International Teletraffic Congress, 1976 (from memory).
    """
    rho, mean, ca, cs = _inputs(arrival_rate, service_s, arrival_scv, service_scv, 1)
    varies = np.where(ca + cs > 0, ca + cs, 1.0)
    smooth = -2 * (1 - rho) * (1 - ca) ** 2 / (3 * rho * varies)
    bursty = -(1 - rho) * (ca - 1) / (ca + 4 * cs + (ca + cs == 0))
    return plain(rho * mean / (1 - rho) * (ca + cs) / 2 * np.exp(np.where(ca <= 1, smooth, bursty)))


def gg1_wait_bound(
    arrival_rate: ArrayLike, service_s: ArrayLike, arrival_scv: ArrayLike, service_scv: ArrayLike
) -> Value:
    """Kingman's upper bound of the mean wait at GI/G/1: lambda (var A + var S) / (2 (1 - rho)), always valid.

    Tight as utilisation goes to 1. Source: J. F. C. Kingman, Some inequalities for the queue GI/G/1,
    Biometrika 49, 1962 (from memory).
    """
    rho, mean, ca, cs = _inputs(arrival_rate, service_s, arrival_scv, service_scv, 1)
    gap = mean / rho
    return plain((ca * gap**2 + cs * mean**2) / (2 * gap * (1 - rho)))


def ggc_wait_allen_cunneen(
    arrival_rate: ArrayLike,
    service_s: ArrayLike,
    arrival_scv: ArrayLike,
    service_scv: ArrayLike,
    servers: ArrayLike = 1,
) -> Value:
    """Mean wait at GI/G/c, that of M/M/c times (arrival_scv + service_scv) / 2; an approximation.

    Exact for M/M/c and M/G/1. Too long for regular arrivals (18 % for D/M/1 at 0.8) and some 10 % too long
    for hyperexponential service at several servers.
    Source: A. O. Allen, Probability, Statistics, and Queueing Theory, 1990, Allen-Cunneen formula (from
    memory).
    """
    rho, mean, ca, cs = _inputs(arrival_rate, service_s, arrival_scv, service_scv, servers)
    return plain(_mmc_wait(rho, mean, whole("servers", servers)) * (ca + cs) / 2)


def mdc_wait_cosmetatos(arrival_rate: ArrayLike, service_s: ArrayLike, servers: ArrayLike) -> Value:
    """Mean wait at M/D/c: half that of M/M/c times 1 + gamma; an approximation, within 2 %.

    For 8 servers from utilisation 0.5, for 16 from 0.7; below, where waits are tiny, far too low.
    gamma = min(0.24, (1 - rho) (c - 1) (sqrt(4 + 5 c) - 2) / (16 c rho)).
    Source: G. P. Cosmetatos, Approximate explicit formulae for the average queueing time in the processes
    M/D/r and D/M/r, INFOR 13, 1975; the cap: W. Whitt, Approximations for the GI/G/m queue, 1993 (both from
    memory).
    """
    rho, mean, _, _ = _inputs(arrival_rate, service_s, 1.0, 0.0, servers)
    c = whole("servers", servers)
    return plain(_mmc_wait(rho, mean, c) / 2 * (1 + _cosmetatos(rho, c)))


def dmc_wait_cosmetatos(arrival_rate: ArrayLike, service_s: ArrayLike, servers: ArrayLike) -> Value:
    """Mean wait at D/M/c: half that of M/M/c times (1 - 4 gamma) exp(-2 (1 - rho) / (3 rho)).

    An approximation, with gamma as in `mdc_wait_cosmetatos`; at one server that of Kraemer and
    Langenbach-Belz.
    Source: Cosmetatos 1975 as amended by Whitt 1993 (both from memory).
    """
    rho, mean, _, _ = _inputs(arrival_rate, service_s, 0.0, 1.0, servers)
    c = whole("servers", servers)
    shape = (1 - 4 * _cosmetatos(rho, c)) * np.exp(-2 * (1 - rho) / (3 * rho))
    return plain(_mmc_wait(rho, mean, c) / 2 * shape)


def mgc_wait_cosmetatos(
    arrival_rate: ArrayLike, service_s: ArrayLike, service_scv: ArrayLike, servers: ArrayLike
) -> Value:
    """Mean wait at M/G/c, interpolated on the line between M/D/c and M/M/c; an approximation.

    Exact for M/M/c and M/G/1. Meant for service_scv from 0 to about 1; beyond 1 it extrapolates.
    Source: G. P. Cosmetatos, Some approximate equilibrium results for the multi-server queue M/G/r,
    Operational Research Quarterly 27, 1976 (from memory).
    """
    cs = non_negative("service_scv", service_scv)
    constant = mdc_wait_cosmetatos(arrival_rate, service_s, servers)
    rho, mean, _, _ = _inputs(arrival_rate, service_s, 1.0, 1.0, servers)
    return plain(cs * _mmc_wait(rho, mean, whole("servers", servers)) + (1 - cs) * constant)


def ggc_wait_kimura(
    arrival_rate: ArrayLike,
    service_s: ArrayLike,
    arrival_scv: ArrayLike,
    service_scv: ArrayLike,
    servers: ArrayLike = 1,
) -> Value:
    """Mean wait at GI/G/c, interpolated between D/M/c, M/D/c (Cosmetatos) and M/M/c; an approximation.

    (ca + cs) / ((1 - ca) / W(D/M/c) + (1 - cs) / W(M/D/c) + 2 (ca + cs - 1) / W(M/M/c)), for gaps no more
    variable than Poisson, arrival_scv <= 1; ca and cs are squared coefficients of variation. Exact for M/M/c
    and M/G/1.
    Source: T. Kimura, A two-moment approximation for the mean waiting time in the GI/G/s queue, Management
    Science 32(6), 1986 (from memory). Also raises OutsideValidityError for arrival_scv above 1, and where
    W(D/M/c) vanishes at very low load.
    """
    rho, mean, ca, cs = _inputs(
        arrival_rate, service_s, share("arrival_scv", arrival_scv), service_scv, servers
    )
    c = whole("servers", servers)
    exponential = _mmc_wait(rho, mean, c)
    gamma = _cosmetatos(rho, c)
    constant = exponential / 2 * (1 + gamma)
    regular = np.asarray(exponential / 2 * (1 - 4 * gamma) * np.exp(-2 * (1 - rho) / (3 * rho)))
    if np.any((regular <= 0) & (ca < 1)):
        raise OutsideValidityError("the utilisation is too low for this interpolation: D/M/c waits vanish")
    regular = np.where(ca < 1, regular, 1.0)
    return plain((ca + cs) / ((1 - ca) / regular + (1 - cs) / constant + 2 * (ca + cs - 1) / exponential))


def wait_quantile_exponential(p: ArrayLike, wait_probability: ArrayLike, wait_mean_s: ArrayLike) -> Value:
    """Quantile of a wait that is zero or exponential, with the given mean; an approximation.

    max(0, log(P / (1 - p)) W / P), P the probability of waiting and W the mean wait in seconds, for 0 < P <=
    1. Exact for M/M/c and GI/M/1, asymptotically right in heavy traffic for others. Source: common practice,
    after Kingman 1962.
    """
    levels, waits = level("p", p), positive("wait_probability", share("wait_probability", wait_probability))
    mean = non_negative("wait_mean_s", wait_mean_s)
    return plain(np.log(np.maximum(1.0, waits / (1 - levels))) * mean / waits)


def _inputs(
    arrival_rate: ArrayLike,
    service_s: ArrayLike,
    arrival_scv: ArrayLike,
    service_scv: ArrayLike,
    servers: ArrayLike,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Utilisation, mean service time and both variabilities, checked."""
    mean = positive("service_s", service_s)
    rho = stable(positive("arrival_rate", arrival_rate) * mean / whole("servers", servers))
    return rho, mean, non_negative("arrival_scv", arrival_scv), non_negative("service_scv", service_scv)


def _mmc_wait(rho: Floats, mean: Floats, servers: Floats) -> Floats:
    return np.asarray(erlang_c(servers, rho * servers) * mean / (servers * (1 - rho)))


def _cosmetatos(rho: Floats, servers: Floats) -> Floats:
    raw = (1 - rho) * (servers - 1) * (np.sqrt(4 + 5 * servers) - 2) / (16 * servers * rho)
    return np.asarray(np.minimum(0.24, raw))
