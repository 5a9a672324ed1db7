"""How long does a request take that joins the shortest of a few queues drawn at random among very many?

Scalars or arrays, which broadcast; rates per second, times in seconds.
"""

import numpy as np
from numpy.typing import ArrayLike

from tailrace.theory.domain import Value, plain, positive, stable, whole

TERMS = 64
"""Terms of the sum: their exponents at least double from each to the next."""


def least_busy_response_mean(choices: ArrayLike, arrival_rate: ArrayLike, service_rate: ArrayLike) -> Value:
    """Mean response where each request joins the shortest of so many of infinitely many M/M/1 queues.

    1 / mu times the sum over i >= 1 of rho^((d^i - d) / (d - 1)), ``arrival_rate`` being that of each queue; one choice
    is M/M/1. Exact in the limit of many queues. Source: N. D. Vvedenskaya, R. L. Dobrushin and F. I. Karpelevich,
    Problems of Information Transmission 32(1), 1996; M. Mitzenmacher, IEEE Transactions on Parallel and Distributed
    Systems 12(10), 2001 (from memory). Raises OutsideValidityError for choices that are not whole or below 1, rates
    that are not above 0, and a utilisation of 1 or more.
    """
    count = whole("choices", choices)
    lam, mu = positive("arrival_rate", arrival_rate), positive("service_rate", service_rate)
    rho, d = stable(lam / mu), np.maximum(count, 2.0)
    total, exponent = np.zeros(np.broadcast(d, rho).shape), np.zeros(d.shape)
    for _ in range(TERMS):
        total = total + rho**exponent
        exponent = np.minimum(d * exponent + d, 1e18)  # (d^(i+1) - d) / (d - 1)
    return plain(np.where(count == 1, 1 / (mu - lam), total / mu))
