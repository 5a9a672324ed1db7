"""How long does a request take that is done when the slowest of its parts is done? Fork-join and fan-out.

Scalars or arrays, which broadcast; rates per second, times in seconds. All functions raise
OutsideValidityError (a ValueError) for rates or means that are not above 0, members that are not whole or
below 1, probabilities outside their range, and a utilisation of 1 or more.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import digamma

from tailrace.theory.domain import Floats, Value, level, plain, positive, share, stable, whole


def fork_join_response_mean(members: ArrayLike, arrival_rate: ArrayLike, service_rate: ArrayLike) -> Value:
    """Mean response of a fork-join of `members` M/M/1 stations, each of which gets one part of every request.

    Exact for one and two members; beyond, [H_K / H_2 + (1 - H_K / H_2) (4 / 11) rho] R_2, within about 5 %
    to 32 members. R_2 = (12 - rho) / (8 (mu - lambda)), H_K = 1 + 1/2 + ... + 1/K. Every station serves only
    these parts, in order of arrival; not valid where members share stations or other requests come between.
    Source: R. Nelson and A. N. Tantawi, Approximate analysis of fork/join synchronization in parallel
    queues, IEEE Transactions on Computers 37(6), 739-743, 1988; two members: L. Flatto and S. Hahn, SIAM J.
    Applied Mathematics 44, 1984 (formulas from memory).
    """
    count, rho, spare = _members(members, arrival_rate, service_rate)
    two = (12 - rho) / 8 / spare
    ratio = _harmonic(count) / 1.5
    return plain(np.where(count == 1, 1 / spare, (ratio + (1 - ratio) * 4 / 11 * rho) * two))


def fork_join_response_quantile_bound(
    p: ArrayLike, members: ArrayLike, arrival_rate: ArrayLike, service_rate: ArrayLike
) -> Value:
    """Upper bound in seconds of the p-quantile of the same fork-join: the parts taken as independent.

    -log(1 - p^(1/K)) / (mu - lambda). The bound is a consequence of association (as above); exact for one
    member.
    """
    count, _, spare = _members(members, arrival_rate, service_rate)
    return plain(-np.log(-np.expm1(np.log(_above_zero(p)) / count)) / spare)


def maximum_mean_exponential(members: ArrayLike, mean_s: ArrayLike) -> Value:
    """Mean of the longest of independent exponential times of equal mean: H_K times the mean; exact."""
    return plain(_harmonic(whole("members", members)) * positive("mean_s", mean_s))


def maximum_tail(tail: ArrayLike, members: ArrayLike) -> Value:
    """P(one of `members` independent parts takes longer), from that of a single one: 1 - (1 - tail)^K.

    The fan-out tail: a request to 100 servers meets some server's slowest hundredth with probability 0.634.
    Source: J. Dean and L. A. Barroso, The tail at scale, CACM 56(2), 2013 (from memory).
    """
    longer, count = share("tail", tail), whole("members", members)
    with np.errstate(divide="ignore"):
        return plain(-np.expm1(count * np.log1p(-longer)))


def maximum_level(p: ArrayLike, members: ArrayLike) -> Value:
    """The level of one part at the p-quantile of the longest of `members` independent ones: p^(1/K)."""
    return plain(level("p", p) ** (1 / whole("members", members)))


def _members(
    members: ArrayLike, arrival_rate: ArrayLike, service_rate: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Number of members, utilisation and mu - lambda."""
    lam, mu = positive("arrival_rate", arrival_rate), positive("service_rate", service_rate)
    return whole("members", members), stable(lam / mu), np.asarray(mu - lam)


def _harmonic(count: Floats) -> Floats:
    return np.asarray(digamma(count + 1) + np.euler_gamma)


def _above_zero(p: ArrayLike) -> Floats:
    return positive("p", level("p", p))
