"""How long do requests take where all are served at once? Processor sharing promises means only.

The *distribution* of the time under processor sharing depends on the service law and is not given here.
Scalars or arrays, which broadcast; rates per second, times in seconds. Exact, for every service law
(insensitive). All functions raise OutsideValidityError (a ValueError) for rates or means that are not above
0, servers that are not whole or below 1, and a utilisation of 1 or more.
"""

import numpy as np
from numpy.typing import ArrayLike

from tailrace.physics.flow import open_mean_number
from tailrace.theory.domain import OutsideValidityError, Value, non_negative, plain, positive, stable, whole
from tailrace.theory.erlang import erlang_c


def sharing_slowdown(arrival_rate: ArrayLike, service_s: ArrayLike, servers: ArrayLike = 1) -> Value:
    """Mean time of a request over its service time alone, the same for every size: 1 + C / (c (1 - rho)).

    M/G/c-PS, each of n requests present served at rate min(1, c / n); at one server 1 / (1 - rho). The number
    present is that of M/M/c whatever the law, and the mean time is proportional to the size.
    Source: J. W. Cohen, The multiple phase service network with generalized processor sharing, Acta
    Informatica 12, 1979; one server: Sakata, Noguchi and Oizumi 1969 (both from memory).
    """
    mean, c = positive("service_s", service_s), whole("servers", servers)
    offered = positive("arrival_rate", arrival_rate) * mean
    rho = stable(offered / c)
    return plain(1 + np.asarray(erlang_c(c, offered)) / (c * (1 - rho)))


def sharing_response_mean(arrival_rate: ArrayLike, service_s: ArrayLike, servers: ArrayLike = 1) -> Value:
    """Mean time of a request in seconds at M/G/c-PS; service_s is the mean service time alone."""
    return plain(sharing_slowdown(arrival_rate, service_s, servers) * np.asarray(service_s, dtype=np.float64))


def sharing_response_mean_of_size(
    own_s: ArrayLike, arrival_rate: ArrayLike, service_s: ArrayLike, servers: ArrayLike = 1
) -> Value:
    """Mean time in seconds of a request that alone would take own_s; service_s is the mean over all."""
    return plain(sharing_slowdown(arrival_rate, service_s, servers) * non_negative("own_s", own_s))


def sharing_number_by_rate(offered: float, totals: ArrayLike) -> float:
    """Mean number present where what all are given together depends on how many there are; the time by Little's law.

    offered: seconds of service asked a second, arrivals Poisson; totals: seconds of service a second given to 1,
    2 ... present together, shape (n,), the last to any more. With 1, 2 ... c it is M/G/c-PS.
    Source: as `sharing_slowdown`. Raises OutsideValidityError for totals that are not above 0, and where more is
    offered than ever given.
    """
    given = np.asarray(positive("totals", totals))
    if given.ndim != 1 or not given.size:
        raise OutsideValidityError(f"totals of shape {given.shape}: accepted is (n,)")
    stable(positive("offered", offered) / given[-1])
    return open_mean_number(float(offered), given)
