"""How long do requests wait when they come in batches? Poisson batches at one server, in order of arrival.

Scalars or arrays, which broadcast: batches per second, mean and squared coefficient of variation of the
batch size (in requests, from 1), mean service time in seconds and its squared coefficient of variation.
Raises OutsideValidityError (a ValueError) for a rate or mean service that is not above 0, a mean batch below
1, negative variability, and a utilisation of 1 or more.
"""

from numpy.typing import ArrayLike

from tailrace.theory.domain import Value, non_negative, plain, positive, real, stable


def batch_wait_mean(
    batch_rate: ArrayLike,
    batch_mean: ArrayLike,
    batch_scv: ArrayLike,
    service_s: ArrayLike,
    scv: ArrayLike = 1.0,
) -> Value:
    """Mean wait in seconds of a request at M[X]/G/1; exact.

    The batch waits as one request at M/G/1 whose service is the whole batch; within it a request waits for
    those before it, S (E X^2 / E X - 1) / 2 on average, since it is more likely to be in a large batch.
    Source: D. Gross and C. M. Harris, Fundamentals of Queueing Theory, bulk input (from memory); rederived.
    """
    rate, mean = positive("batch_rate", batch_rate), positive("service_s", service_s)
    size = 1 + non_negative("batch_mean - 1", real("batch_mean", batch_mean) - 1)
    spread, variability = non_negative("batch_scv", batch_scv), non_negative("scv", scv)
    rho = stable(rate * size * mean)
    # E of the squared work of a batch: variance of its services, and the square of its size.
    work_squared = size * variability * mean**2 + size**2 * (1 + spread) * mean**2
    first = rate * work_squared / (2 * (1 - rho))
    return plain(first + mean * (size * (1 + spread) - 1) / 2)


def batch_response_mean(
    batch_rate: ArrayLike,
    batch_mean: ArrayLike,
    batch_scv: ArrayLike,
    service_s: ArrayLike,
    scv: ArrayLike = 1.0,
) -> Value:
    """Mean time of a request at M[X]/G/1 in seconds, `batch_wait_mean` and its own service."""
    return plain(
        batch_wait_mean(batch_rate, batch_mean, batch_scv, service_s, scv) + positive("service_s", service_s)
    )
