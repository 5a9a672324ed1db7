"""Which item is asked for, when a few are asked for most? Bounded Zipf law, and where its ranks lie.

Rank k (0 is the most popular) of n items has probability (k + 1)^−s / H with H the sum of j^−s, j = 1 .. n
(Zipf, "Human Behavior and the Principle of Least Effort", 1949). Up to `EXACT_RANKS` ranks are summed one by
one. Beyond them the sum of f(j) = j^−s over j = i + 1 .. m is the integral of f from i + 1/2 to m + 1/2; the
next term of the Euler-Maclaurin midpoint series, [f'(i + 1/2) − f'(m + 1/2)]/24, is below s/(24·2^16) of the
probability of the one rank 2^16, and is left out. So the law costs the same for 10^11 items.
"""

from collections.abc import Callable
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

EXACT_RANKS = 1 << 16
LARGEST_EXPONENT = 5.0
MOST_ITEMS = 1 << 52  # beyond, float64 cannot tell neighbouring ranks apart

_ROUNDS = 8
_Network: TypeAlias = Callable[[NDArray[np.uint64], int, int], NDArray[np.uint64]]


class ZipfLaw(NamedTuple):
    """A Zipf law over `items` ranks: cumulative probability of the first ranks, and the sum H."""

    items: int
    exponent: float
    cumulative: NDArray[np.float64]
    """P(rank <= k) for k = 0 .. min(items, EXACT_RANKS) − 1."""
    total: float
    """H, the sum of j^−exponent over all items."""


def zipf_law(items: int, exponent: float) -> ZipfLaw:
    """Zipf law over `items` items (1 .. 2^52) with an exponent in (0, 5]; ValueError for others."""
    if not 1 <= items <= MOST_ITEMS:
        raise ValueError(f"a Zipf law needs 1 to {MOST_ITEMS} items, not {items!r}")
    if not 0 < exponent <= LARGEST_EXPONENT:
        raise ValueError(f"a Zipf exponent must be above 0 and at most {LARGEST_EXPONENT}, not {exponent!r}")
    exact = min(items, EXACT_RANKS)
    weight = np.arange(1, exact + 1, dtype=np.float64) ** -exponent
    sums = np.cumsum(weight)
    total = float(sums[-1])
    if items > exact:
        total += _sum_between(exact, items, exponent)
    return ZipfLaw(items, exponent, sums / total, total)


def zipf_probability(ranks: ArrayLike, law: ZipfLaw) -> NDArray[np.float64]:
    """Probability of each rank (0 .. items − 1, any shape) under the law."""
    k = np.asarray(ranks, dtype=np.float64)
    return np.asarray((k + 1.0) ** -law.exponent / law.total)


def zipf_rank(uniforms: ArrayLike, law: ZipfLaw) -> NDArray[np.int64]:
    """Ranks (0 .. items − 1, the shape of `uniforms`) by inversion: the least k with P(rank <= k) > u.

    `uniforms` lie in [0, 1). A larger u never gives a smaller rank, so streams of one seed stay aligned when
    items or exponent change. Beyond the exact ranks the integral is inverted and rounded to a rank.
    """
    u = np.asarray(uniforms, dtype=np.float64)
    exact = len(law.cumulative)
    rank = np.asarray(np.searchsorted(law.cumulative, u, side="right"), dtype=np.int64)
    if law.items == exact:
        return np.asarray(np.minimum(rank, exact - 1), dtype=np.int64)
    tail = rank >= exact
    mass = (u[tail] - law.cumulative[-1]) * law.total
    start = exact + 0.5
    # F(x) − F(start) = mass, solved for ln(x/start); expm1 and log1p carry it smoothly through s = 1.
    scaled = np.maximum(mass, 0.0) * start ** (law.exponent - 1.0)
    rise = 1.0 - law.exponent
    log_ratio = scaled if rise == 0 else np.log1p(np.maximum(rise * scaled, np.nextafter(-1.0, 0.0))) / rise
    with np.errstate(over="ignore"):
        number = np.floor(start * np.exp(log_ratio) + 0.5)
    rank[tail] = np.clip(number, exact + 1, law.items).astype(np.int64) - 1
    return rank


def scatter(rank: ArrayLike, items: int, key: int) -> NDArray[np.int64]:
    """Place (0 .. items − 1) of each rank (0 .. items − 1, any shape): a bijection chosen by `key`.

    A Feistel network over the least even number of bits that holds `items`, walked on along its cycle while
    the result lies outside (Black and Rogaway, "Ciphers with arbitrary finite domains", CT-RSA 2002); each
    round mixes one half with a round key by the finaliser of SplitMix64 (Steele, Lea and Flood, OOPSLA 2014).
    No table: a permutation of 10^11 items costs nothing until it is asked. `key` is taken modulo 2^64.
    ValueError for fewer than 1 or more than 2^52 items or ranks outside.
    """
    return _walked(rank, items, key, _feistel, "ranks")


def rank_at(place: ArrayLike, items: int, key: int) -> NDArray[np.int64]:
    """Rank (0 .. items − 1) of the item at each place, any shape: the inverse of `scatter`.

    The rounds of the network backwards, walked on likewise. ValueError as `scatter`, for places.
    """
    return _walked(place, items, key, _feistel_back, "places")


def _walked(numbers: ArrayLike, items: int, key: int, network: _Network, what: str) -> NDArray[np.int64]:
    """Each number through a network over the bits that hold `items`, on and on while it lies outside of these."""
    if not 1 <= items <= MOST_ITEMS:
        raise ValueError(f"a permutation needs 1 to {MOST_ITEMS} items, not {items!r}")
    given = np.asarray(numbers, dtype=np.int64)
    if given.size and (given.min() < 0 or given.max() >= items):
        raise ValueError(f"{what} must lie within 0 .. {items - 1}")
    half = max(1, ((items - 1).bit_length() + 1) // 2)
    found = network(given.astype(np.uint64).ravel(), half, key)
    outside = np.flatnonzero(found >= np.uint64(items))
    while outside.size:
        found[outside] = network(found[outside], half, key)
        outside = outside[found[outside] >= np.uint64(items)]
    return found.astype(np.int64).reshape(given.shape)


def _feistel(value: NDArray[np.uint64], half: int, key: int) -> NDArray[np.uint64]:
    """One pass over 2·half bits; a bijection of them whatever the round function is."""
    shift = np.uint64(half)
    mask = np.uint64((1 << half) - 1)
    left, right = value >> shift, value & mask
    for round_key in _round_keys(key):
        # The high half of the mix is the better one, so the bits are taken from there.
        left, right = right, left ^ (_mix(right ^ round_key) >> np.uint64(64 - half))
    return np.asarray((left << shift) | right)


def _feistel_back(value: NDArray[np.uint64], half: int, key: int) -> NDArray[np.uint64]:
    """The inverse of `_feistel`."""
    shift = np.uint64(half)
    left, right = value >> shift, value & np.uint64((1 << half) - 1)
    for round_key in _round_keys(key)[::-1]:
        left, right = right ^ (_mix(left ^ round_key) >> np.uint64(64 - half)), left
    return np.asarray((left << shift) | right)


def _round_keys(key: int) -> NDArray[np.uint64]:
    """Outputs of SplitMix64 started at `key`."""
    gamma = 0x9E3779B97F4A7C15
    states = [(key + gamma * (i + 1)) % (1 << 64) for i in range(_ROUNDS)]
    return _mix(np.array(states, dtype=np.uint64))


def _mix(z: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Finaliser of SplitMix64, modulo 2^64."""
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return np.asarray(z ^ (z >> np.uint64(31)))


def _sum_between(i: int, m: int, s: float) -> float:
    """Sum of j^−s over j = i + 1 .. m, for large i, as the integral from i + 1/2 to m + 1/2."""
    start = i + 0.5
    log_ratio = np.log((m + 0.5) / start)
    rise = 1.0 - s
    return float(start**rise * (log_ratio if rise == 0 else np.expm1(rise * log_ratio) / rise))
