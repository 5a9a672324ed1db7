"""How long must a simulation run for a wanted precision? Asymptotic variances of queues.

The asymptotic variance of a stationary series is the limit of n times the variance of the mean of n values
(or of t times that of a time average over t seconds); correlation makes it far larger than the variance.
Scalars or arrays, which broadcast; rates per second, times in seconds. All functions raise
OutsideValidityError (a ValueError) for rates that are not above 0, a utilisation of 1 or more, a negative
variability, a precision or mean that is not above 0, and a confidence outside 0 to 1.
"""

from numpy.typing import ArrayLike
from scipy.special import ndtri

from tailrace.theory.domain import Value, level, non_negative, plain, positive, stable, whole


def mm1_number_asymptotic_variance(arrival_rate: ArrayLike, service_rate: ArrayLike) -> Value:
    """Of the number present at M/M/1, seconds: 2 rho (1 + rho) / (mu (1 - rho)^4); exact.

    Source: W. Whitt, Planning queueing simulations, Management Science 35(11), 1341-1366, 1989.
    """
    mu = positive("service_rate", service_rate)
    rho = stable(positive("arrival_rate", arrival_rate) / mu)
    return plain(2 * rho * (1 + rho) / (mu * (1 - rho) ** 4))


def mm1_wait_asymptotic_variance(arrival_rate: ArrayLike, service_rate: ArrayLike) -> Value:
    """Of successive waits at M/M/1, squared seconds: rho (2 + 5 rho - 4 rho^2 + rho^3) / (mu^2 (1 - rho)^4).

    Exact. Source: D. J. Daley, The serial correlation coefficients of waiting times in a stationary single
    server queue, J. Australian Mathematical Society 8, 1968 (from memory).
    """
    mu = positive("service_rate", service_rate)
    rho = stable(positive("arrival_rate", arrival_rate) / mu)
    return plain(rho * (2 + 5 * rho - 4 * rho**2 + rho**3) / (mu**2 * (1 - rho) ** 4))


def ggc_number_asymptotic_variance(
    arrival_rate: ArrayLike,
    service_rate: ArrayLike,
    arrival_scv: ArrayLike,
    service_scv: ArrayLike,
    servers: ArrayLike = 1,
) -> Value:
    """Of the number present at GI/G/c in heavy traffic, in seconds: (ca + cs)^3 / (2 c mu (1 - rho)^4).

    The queue as reflected Brownian motion of drift c mu (1 - rho) and variance c mu (ca + cs), whose
    canonical asymptotic variance is 1/2. Right as utilisation goes to 1 (at M/M/1: 17 % high at 0.9), far
    too high at low load.
    Source: Whitt 1989, as above (from memory; scaling rederived).
    """
    c, mu = whole("servers", servers), positive("service_rate", service_rate)
    rho = stable(positive("arrival_rate", arrival_rate) / (c * mu))
    spread = non_negative("arrival_scv", arrival_scv) + non_negative("service_scv", service_scv)
    return plain(spread**3 / (2 * c * mu * (1 - rho) ** 4))


def run_length_needed(
    mean: ArrayLike, asymptotic_variance: ArrayLike, precision: ArrayLike, confidence: ArrayLike = 0.95
) -> Value:
    """Values (or seconds) until the mean is known to precision * mean: (z sigma / (precision mean))^2.

    precision: relative half-width of the interval of the given confidence, for example 0.05. For means;
    quantiles in the tail take several times as much. Not rounded.
    Source: Whitt 1989, as above.
    """
    z = ndtri((1 + positive("confidence", level("confidence", confidence))) / 2)
    width = positive("precision", precision) * positive("mean", mean)
    return plain(z**2 * non_negative("asymptotic_variance", asymptotic_variance) / width**2)
