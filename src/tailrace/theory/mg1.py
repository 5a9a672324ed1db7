"""How long do requests wait at M/G/1? Poisson arrivals, one server, any service law, in order of arrival.

Means by Pollaczek and Khinchine, distributions by numerical inversion, M/D/1 by a sum of positive terms.
Rates are per second, times in seconds. Functions of a `Law` take scalars only.
All functions raise OutsideValidityError (a ValueError) for rates or means that are not above 0, a utilisation
of 1 or more, negative times or variability, and levels p outside 0 <= p <= 0.999999.
"""

import numpy as np
from numpy.typing import ArrayLike

from tailrace.theory.domain import Value, non_negative, plain, positive, stable
from tailrace.theory.inversion import QUANTILE_PRECISION, invert_tail, invertible_target
from tailrace.theory.laws import Complexes, Constant, Law, Mixture
from tailrace.theory.quantile import solve_tail_once


def mg1_wait_mean(arrival_rate: ArrayLike, service_s: ArrayLike, scv: ArrayLike = 1.0) -> Value:
    """Mean wait in seconds, rho S (1 + scv) / (2 (1 - rho)); exact. scv: of the service. Arrays broadcast.

    Source: Pollaczek 1930, Khinchine 1932; R. B. Cooper, Introduction to Queueing Theory, 1981, p. 189.
    """
    lam, mean = positive("arrival_rate", arrival_rate), positive("service_s", service_s)
    rho = stable(lam * mean)
    return plain(rho * mean * (1 + non_negative("scv", scv)) / (2 * (1 - rho)))


def mg1_response_mean(arrival_rate: ArrayLike, service_s: ArrayLike, scv: ArrayLike = 1.0) -> Value:
    """Mean time at the station in seconds: `mg1_wait_mean` and the service."""
    return plain(mg1_wait_mean(arrival_rate, service_s, scv) + np.asarray(service_s, dtype=np.float64))


def mg1_wait_tail(t_s: float, arrival_rate: float, law: Law) -> float:
    """P(wait > t_s).

    The wait is a geometric number of residual service times, P(n) = (1 - rho) rho^n. What comes of a single
    residual is exact; the rest, whose density is continuous even when service times are constants, is
    inverted numerically, to 1e-6 absolute given that the request waits, and 1e-9 for laws with a density.

    Source: the transform of Pollaczek and Khinchine as above; inversion, see `invert_tail`.
    """
    t = float(non_negative("t_s", t_s))
    rho = float(stable(positive("arrival_rate", arrival_rate) * law.mean_s))
    return rho * _tail_of_delayed(t, rho, law)


def mg1_wait_quantile(p: float, arrival_rate: float, law: Law) -> float:
    """The wait in seconds that a share p of the requests do not exceed, from `mg1_wait_tail`."""
    target = invertible_target(p)
    scale = mg1_wait_mean(arrival_rate, law.mean_s, law.scv) + law.mean_s
    return solve_tail_once(lambda t: mg1_wait_tail(t, arrival_rate, law), target, scale, QUANTILE_PRECISION)


def mg1_response_tail(t_s: float, arrival_rate: float, law: Law) -> float:
    """P(wait + service > t_s); accuracy as `mg1_wait_tail`.

    Jumps, from constants among the service times of a request that need not wait, are exact.
    """
    t = float(non_negative("t_s", t_s))
    rho = float(stable(positive("arrival_rate", arrival_rate) * law.mean_s))
    return _response_tail(t, rho, law, law)


def mg1_response_quantile(p: float, arrival_rate: float, law: Law) -> float:
    """The time at the station in seconds that a share p of the requests do not exceed.

    Where the distribution jumps over p, the time of the jump.
    """
    target = invertible_target(p)
    scale = mg1_wait_mean(arrival_rate, law.mean_s, law.scv) + law.mean_s
    return solve_tail_once(
        lambda t: mg1_response_tail(t, arrival_rate, law), target, scale, QUANTILE_PRECISION
    )


def _tail_of_delayed(t: float, rho: float, law: Law) -> float:
    """P(wait > t) given that the request waits: (1 - rho) P(E > t) + rho P(E + wait' > t), E one residual."""
    if t == 0:
        return 1.0
    single = float(law.residual_tail(np.asarray(t)))

    def residual_and_wait(s: Complexes) -> Complexes:
        residual = law.residual_transform(s)
        return np.asarray(residual * _delayed(residual, rho))

    return (1 - rho) * single + rho * invert_tail(residual_and_wait, t)


def _delayed(residual: Complexes, rho: float) -> Complexes:
    """Transform of the wait given that the request waits, from that of one residual service time."""
    return np.asarray((1 - rho) * residual / (1 - rho * residual))


def _response_tail(t: float, rho: float, law: Law, served: Law) -> float:
    """P(wait under `law` + service under `served` > t)."""
    if isinstance(served, Mixture):
        return sum(
            w * _response_tail(t, rho, law, part) for w, part in zip(served.weights, served.laws, strict=True)
        )
    if isinstance(served, Constant):
        return 1.0 if t < served.mean_s else rho * _tail_of_delayed(t - served.mean_s, rho, law)
    if t == 0:
        return 1.0

    def wait_and_service(s: Complexes) -> Complexes:
        residual = law.residual_transform(s)
        return np.asarray(_delayed(residual, rho) * served.transform(s))

    return (1 - rho) * float(served.tail(np.asarray(t))) + rho * invert_tail(wait_and_service, t)
