"""What share of Poisson requests is lost, or has to wait, at c servers? Erlang B and C for large c too."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaincc

from tailrace.theory.domain import Floats, Value, non_negative, plain, stable, whole
from tailrace.theory.poisson import poisson_term


def erlang_b(servers: ArrayLike, offered: ArrayLike) -> Value:
    """Share of requests lost at `servers` servers without waiting room, at `offered` erlangs of Poisson load.

    B(c, a) = (a^c / c!) / sum_{k<=c} a^k / k!, evaluated as the Poisson probability of c over the
    regularised upper incomplete gamma function Q(c + 1, a), which is the Poisson probability of at most c.
    The Poisson term is normalised (saddle point), so nothing overflows and no recursion over the servers is
    needed. Well above c, where both underflow, the quotient is taken from the continued fraction of Q alone.

    servers: whole, from 1; offered: erlangs (arrival rate times mean service time), from 0, of any size.
    Arrays broadcast. Insensitive to the shape of the service distribution. Relative error below 1e-12 for
    losses above 1e-30, 2e-11 down to 1e-290 (compared with mpmath).

    Source: A. K. Erlang 1917; ITU Teletraffic Engineering Handbook, section "Erlang's B-formula" (from
    memory).
    Raises OutsideValidityError (a ValueError) for servers that are not whole or below 1 and for negative or
    non-finite load.
    """
    c, a = np.broadcast_arrays(whole("servers", servers), non_negative("offered", offered))
    far = a > c + 4 * np.sqrt(c) + 4
    near = np.where(far, c, a)
    lost = poisson_term(c, near) / gammaincc(c + 1, near)
    if far.any():
        lost = np.array(lost)
        lost[far] = _loss_above_capacity(c[far], a[far])
    return plain(lost)


def erlang_c(servers: ArrayLike, offered: ArrayLike) -> Value:
    """Probability that a request has to wait at `servers` servers with one unlimited queue, M/M/c.

    C = B / (1 - rho (1 - B)) with B from `erlang_b` and rho = offered / servers.

    servers: whole, from 1; offered: erlangs, from 0 to below `servers`. Arrays broadcast.

    Source: A. K. Erlang 1917; R. B. Cooper, Introduction to Queueing Theory, 1981 (from memory).
    Raises OutsideValidityError (a ValueError) for servers that are not whole or below 1, negative load,
    utilisation >= 1.
    """
    c, a = np.broadcast_arrays(whole("servers", servers), non_negative("offered", offered))
    stable(a / c)
    blocked = np.asarray(erlang_b(c, a))
    # (c - a) is exact in floating point near saturation, 1 - a/c is not.
    return plain(blocked / ((c - a) / c + a / c * blocked))


def _loss_above_capacity(c: Floats, a: Floats) -> Floats:
    """B for a well above c, by Legendre's continued fraction of the incomplete gamma function."""
    # Q(c+1, a) = Poisson(c; a) * a / f, f = a - c + c/(a - c + 2 - ...): B = f / a. The k-th partial
    # numerator is k (c + 1 - k).
    denominator = a - c
    fraction = denominator
    forward = denominator
    backward = np.zeros_like(a)
    for k in range(1, 100_000):
        denominator = a - c + 2 * k
        numerator = k * np.maximum(c + 1 - k, 0.0)  # ends the fraction exactly after c terms
        backward = 1 / (denominator + numerator * backward)
        forward = denominator + numerator / forward
        step = forward * backward
        fraction = fraction * step
        if np.all(np.abs(step - 1) < 4e-16):
            break
    return fraction / a
