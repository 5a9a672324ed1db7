"""Hit shares of caches under independent requests; ``shares`` are the request shares (or rates) of the items."""

import numpy as np
from numpy.typing import ArrayLike

from tailrace.physics.cache import characteristic_time, hit_probability


def che_hit_ratio(shares: ArrayLike, capacity: float, counts: ArrayLike | None = None) -> float:
    """Least recently used, by Che's approximation: sum p (1 - exp(-p t_C)); counts: how many items have each share."""
    rates = np.asarray(shares, dtype=float)
    weights = rates if counts is None else rates * counts
    time = characteristic_time(rates, capacity, counts)
    return float(np.sum(weights * hit_probability(rates, time)) / np.sum(weights))


def lru_hit_ratio(shares: ArrayLike, capacity: int) -> float:
    """Least recently used, exactly, for some twenty items.

    The stationary probability that the cache holds a set is the sum over its orders of prod p_j / (1 - what comes
    before), built up over all sets of growing size. W. F. King, Analysis of paging algorithms, IFIP Congress 1971 (from
    memory).
    """
    rates = np.asarray(shares, dtype=float)
    p = rates[rates > 0] / rates.sum()
    if capacity >= p.size:
        return 1.0
    # Sets of items as bits of an index: the share of the requests for each set, then its probability.
    within = np.zeros(1 << p.size)
    for j, pj in enumerate(p.tolist()):
        within[1 << j : 2 << j] = within[: 1 << j] + pj
    held = np.zeros(1 << p.size)
    held[0] = 1.0
    sets = np.arange(1 << p.size)
    number = np.bitwise_count(sets)
    for k in range(capacity):
        smaller = sets[number == k]
        for j, pj in enumerate(p.tolist()):
            free = smaller[smaller >> j & 1 == 0]
            held[free | 1 << j] += held[free] * pj / (1 - within[free])
    full = number == capacity
    return float(held[full] @ within[full])


def static_hit_ratio(shares: ArrayLike, capacity: int) -> float:
    """Share of the requests for the most popular items: an upper bound for every replacement rule (derived)."""
    rates = np.asarray(shares, dtype=float)
    return float(np.sort(rates)[::-1][:capacity].sum() / rates.sum())
