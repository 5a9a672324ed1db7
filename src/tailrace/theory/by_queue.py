"""A server whose service takes another time the more wait when it begins, as an arm that can choose."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betainc, gammainc

from tailrace.arrays import FloatArray, IntArray
from tailrace.theory.domain import OutsideValidityError, non_negative, positive, stable

_CONSTANT = 1e-6
_LEAST_SHARE = 1e-14
_MOST_STATES = 200_000


@dataclass(frozen=True)
class ServiceByQueue:
    """Mean wait and mean service in seconds, the variability of the service, and the probability of having to wait."""

    wait_s: float
    service_s: float
    service_scv: float
    wait_probability: float


def mg1_by_queue(rate: float, service_s: FloatArray, scv: FloatArray) -> ServiceByQueue:
    """Poisson arrivals at ``rate`` per second at one server whose service depends on how many there are to choose from.

    ``service_s`` and ``scv``, shape (n,), are mean and variability of a service before which 1, 2, ... n or more
    requests are there; gamma laws between. The number left behind at departures is a Markov chain that goes down by
    one at a time, so that the shares of its states follow one from another by what crosses between them, all terms
    being positive (derived); it is what arrivals find, and Little's law gives the time. Exact where the law of a
    service depends on nothing else, whatever the order of service. (C. M. Harris, Queues with state-dependent
    stochastic service rates, Operations Research 15(1), 1967, has the queue; from memory.)
    Raises OutsideValidityError for rates and times that are not above 0, negative variability, and where more is asked
    than the server can do with all to choose from.
    """
    positive("rate", rate)
    mean, spread = positive("service_s", service_s), non_negative("scv", scv)
    stable(rate * mean[-1])
    # At most so many come during a service, but for a share that nothing here can tell.
    offered = rate * mean
    most = int(np.max(offered + 12 * np.sqrt(offered * (1 + offered * spread)))) + 40
    arrivals = np.arange(most)
    least = np.stack([_at_least(arrivals, *each) for each in zip(offered, spread, strict=True)])
    share, last = [1.0], mean.size - 1
    total = 1.0
    while True:
        # From j the next departure leaves max(j, 1) - 1 + A behind: who comes to more than i, over who falls to i.
        i = len(share) - 1
        from_j = np.arange(max(i - most + 3, 1), i + 1)
        up = (
            float(np.dot(share[from_j[0] :], least[np.minimum(from_j - 1, last), i + 2 - from_j]))
            if i
            else 0.0
        )
        up += float(least[0, i + 1]) if i + 1 < most else 0.0
        share.append(up / float(1.0 - least[min(i, last), 1]))
        total += share[-1]
        if i > mean.size and share[-1] < _LEAST_SHARE * total:
            break
        if i > _MOST_STATES:
            raise OutsideValidityError(
                f"load = {rate * mean[-1]:g}: accepted is what leaves a queue to be counted"
            )
    states = np.arange(len(share))
    shares = np.array(share) / total
    begun = np.minimum(np.maximum(states - 1, 0), last)
    service = float(shares @ mean[begun])
    scv_all = float(shares @ (mean[begun] ** 2 * (1 + spread[begun]))) / service**2 - 1
    return ServiceByQueue(
        max(float(shares @ states) / rate - service, 0.0), service, max(scv_all, 0.0), 1.0 - float(shares[0])
    )


def _at_least(numbers: IntArray, mean: float, scv: float) -> FloatArray:
    """P(at least so many arrivals) during a gamma service in which ``mean`` arrive: Poisson mixed by gamma."""
    some = np.maximum(numbers, 1)
    if scv < _CONSTANT:
        above = gammainc(some, mean)
    else:
        above = betainc(some, 1 / scv, mean * scv / (1 + mean * scv))
    return np.where(numbers > 0, above, 1.0)
