"""Where on a spinning platter is an address, and how fast does it pass? Constant linear density.

Addresses run from the outer edge inward. With bits equally dense along every track and tracks equally
spaced, a turn at radius r holds bytes in proportion to r and passes in one rotation, so the rate is in
proportion to r as well (zoned recording with zones of one track; principle: Ruemmler and Wilkes 1994).

Let q = outer rate / inner rate = outer / inner radius, and x the share of the stroke from the outer edge:
r(x) = r_in·(q − x(q − 1)). The share of the capacity outside x is the integral of r over r's total,

    u(x) = x·(2q − x(q − 1)) / (q + 1),

and its inverse x(u) = (q − s)/(q − 1) with s(u) = sqrt(q² − u(q² − 1)), which is r/r_in at the address.
Multiplied by q + s it reads x(u) = u(q + 1)/(q + s): the same, exact to rounding down to q = 1, where x = u.

All functions take scalars or arrays that broadcast, and give float64 of that shape.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def stroke_share(address_share: ArrayLike, rate_ratio: float) -> Array:
    """Share x of the stroke, from the outer edge, at the share u of the address space (both 0 .. 1).

    `rate_ratio` is q = outer rate / inner rate, at least 1.
    """
    u = np.asarray(address_share, dtype=np.float64)
    return np.asarray(u * (rate_ratio + 1) / (rate_ratio + _radius(u, rate_ratio)))


def address_share(stroke_share: ArrayLike, rate_ratio: float) -> Array:
    """Share u of the address space that lies outside the share x of the stroke; inverse of `stroke_share`."""
    x = np.asarray(stroke_share, dtype=np.float64)
    return np.asarray(x * (2 * rate_ratio - x * (rate_ratio - 1)) / (rate_ratio + 1))


def rate_bytes_per_s(
    stroke_share: ArrayLike, outer_rate_bytes_per_s: float, inner_rate_bytes_per_s: float
) -> Array:
    """Rate in bytes/s at the share x of the stroke: from the outer to the inner rate in a straight line."""
    x = np.asarray(stroke_share, dtype=np.float64)
    return np.asarray(outer_rate_bytes_per_s - x * (outer_rate_bytes_per_s - inner_rate_bytes_per_s))


def total_turns(
    capacity_bytes: float,
    turns_per_s: float,
    outer_rate_bytes_per_s: float,
    inner_rate_bytes_per_s: float,
) -> float:
    """Number of turns that hold the capacity: capacity over the mean bytes of a turn.

    Turns are equally spaced in radius, so the mean turn holds (outer + inner rate)/2 / turns_per_s bytes;
    reading the whole drive takes total turns / turns_per_s seconds whatever the ratio of the rates.
    """
    mean_turn_bytes = (outer_rate_bytes_per_s + inner_rate_bytes_per_s) / 2 / turns_per_s
    return capacity_bytes / mean_turn_bytes


def turns_from_edge(address_share: ArrayLike, rate_ratio: float, total_turns: float) -> Array:
    """Turns from the outer edge to the share u of the address space: x(u) · total turns.

    The whole part is the number of the turn, the fraction is the angle of the address on it.
    """
    return np.asarray(stroke_share(address_share, rate_ratio) * total_turns)


def position(address_share: ArrayLike, rate_ratio: float, total_turns: float) -> tuple[Array, Array]:
    """Stroke share of the turn that holds an address, and the angle on it in turns (0 .. 1, below 1).

    The share is that of the turn's beginning, so two addresses on one turn are at distance exactly 0.
    """
    turns = turns_from_edge(address_share, rate_ratio, total_turns)
    whole = np.floor(turns)
    return np.asarray(whole / total_turns), np.asarray(turns - whole)


WITHIN_CYLINDER = 1e-3
"""Share of the way to the next cylinder over which the tracks of one are spread: enough to tell them apart."""


def cylinder_position(
    address_share: ArrayLike, rate_ratio: float, total_turns: float, cylinders: int
) -> tuple[Array, Array]:
    """The same where tracks lie over one another: share of the stroke by cylinder, and the angle in turns.

    Turns are numbered cylinder after cylinder, total_turns / cylinders each. The shares of one cylinder differ by less
    than `WITHIN_CYLINDER` of the distance of two, which is 1 / (cylinders - 1) of the stroke.
    """
    turns = turns_from_edge(address_share, rate_ratio, total_turns)
    whole = np.floor(turns)
    place = whole * (cylinders / total_turns)
    cylinder = np.floor(place + 1e-9)  # a track that begins a cylinder must not fall short of it by rounding
    share = (cylinder + WITHIN_CYLINDER * (place - cylinder)) / max(cylinders - 1, 1)
    return np.asarray(share), np.asarray(turns - whole)


def transfer_s(
    address_bytes: ArrayLike,
    size_bytes: ArrayLike,
    capacity_bytes: float,
    outer_rate_bytes_per_s: float,
    inner_rate_bytes_per_s: float,
) -> Array:
    """Seconds to transfer `size_bytes` from `address_bytes` on: size over the mean of the rates at both ends.

    Exact, not an approximation: time is turns over turns_per_s, the rate is inner·s, and
    x(u2) − x(u1) = (u2 − u1)(q + 1)/(s1 + s2). Crossing from turn to turn costs nothing, its skew is in the
    rate.
    """
    ratio = outer_rate_bytes_per_s / inner_rate_bytes_per_s
    address = np.asarray(address_bytes, dtype=np.float64)
    size = np.asarray(size_bytes, dtype=np.float64)
    first = _radius(address / capacity_bytes, ratio)
    last = _radius((address + size) / capacity_bytes, ratio)
    return np.asarray(2 * size / (inner_rate_bytes_per_s * (first + last)))


def _radius(u: Array, q: float) -> Array:
    """Radius at the address share u, in inner radii."""
    return np.asarray(np.sqrt(q * q - u * (q * q - 1)))
