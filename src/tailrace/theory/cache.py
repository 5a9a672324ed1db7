"""Which share of the requests does a cache answer? Least-recently-used replacement, independent requests.

`shares` are the request shares (or rates) of the items, shape (items,); capacity counts items.
All functions raise OutsideValidityError (a ValueError) for negative or non-finite shares, shares that are all
0, and a capacity that is not above 0 (where an item count is needed: not whole).
"""

import numpy as np
from numpy.typing import ArrayLike

from tailrace.physics.cache import characteristic_time, hit_probability
from tailrace.theory.domain import Floats, OutsideValidityError, non_negative, positive, whole

_LARGEST_EXACT = 22


def che_hit_ratio(shares: ArrayLike, capacity: float, counts: ArrayLike | None = None) -> float:
    """Share of the requests that find their item, by Che's approximation: sum p (1 - exp(-p t_C)).

    counts: how many items have each share, shape as `shares` (which stay per item); None for one each.
    Within 0.001 from a hundred items up, 2 % low for two; see `tailrace.physics.cache.characteristic_time`
    for t_C and its source.
    """
    rates = _rates(shares)
    weights = rates if counts is None else rates * non_negative("counts", counts)
    time = characteristic_time(rates, float(positive("capacity", capacity)), counts)
    return float(np.sum(weights * hit_probability(rates, time)) / np.sum(weights))


def lru_hit_ratio(shares: ArrayLike, capacity: int) -> float:
    """Share of the requests that find their item; exact, for up to 22 items.

    The stationary probability that the cache holds a set is the sum over its orders of prod p_j / (1 - what
    comes before), built up over all sets of growing size.
    Source: W. F. King, Analysis of paging algorithms, IFIP Congress 1971 (from memory).
    Also raises OutsideValidityError for more items: the number of sets grows as their power of 2.
    """
    rates = _rates(shares)
    p = rates[rates > 0] / rates.sum()
    size = int(whole("capacity", capacity))
    if size >= p.size:
        return 1.0
    if p.size > _LARGEST_EXACT:
        raise OutsideValidityError(f"{p.size} items: accepted are up to {_LARGEST_EXACT}; see che_hit_ratio")
    # Sets of items as bits of an index: the share of the requests for each set, then its probability.
    within = np.zeros(1 << p.size)
    for j, pj in enumerate(p.tolist()):
        within[1 << j : 2 << j] = within[: 1 << j] + pj
    held = np.zeros(1 << p.size)
    held[0] = 1.0
    sets = np.arange(1 << p.size)
    number = np.bitwise_count(sets)
    for k in range(size):
        smaller = sets[number == k]
        for j, pj in enumerate(p.tolist()):
            free = smaller[smaller >> j & 1 == 0]
            held[free | 1 << j] += held[free] * pj / (1 - within[free])
    full = number == size
    return float(held[full] @ within[full])


def static_hit_ratio(shares: ArrayLike, capacity: int) -> float:
    """Share of the requests for the `capacity` most popular items: an upper bound for every replacement rule.

    Valid for independent requests, where the past says nothing about the next one. Derived.
    """
    rates = _rates(shares)
    return float(np.sort(rates)[::-1][: int(whole("capacity", capacity))].sum() / rates.sum())


def _rates(shares: ArrayLike) -> Floats:
    rates = non_negative("shares", shares)
    if rates.ndim != 1 or rates.size == 0:
        raise OutsideValidityError(f"shares of shape {rates.shape}: accepted is one number an item")
    positive("the sum of shares", rates.sum())
    return rates
