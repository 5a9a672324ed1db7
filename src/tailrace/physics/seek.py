"""How long does the arm take to move? One form for every seek curve.

A curve is four arrays of equal length. On piece i, for a share x of the full stroke below ``edges[i]`` (the
last piece includes 1), the seek takes ``a[i] + b[i]·sqrt(x) + c[i]·x`` seconds; no move takes no time. The
root is the accelerating arm, the line the coasting one (Ruemmler and Wilkes, "An introduction to disk drive
modeling", IEEE Computer 27(3), 17-28, 1994).
"""

from collections.abc import Sequence
from itertools import pairwise
from math import isfinite, sqrt
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats: TypeAlias = Sequence[float] | NDArray[np.float64]


FIT_STEP = 0.01
"""Share of a seek by which two published pieces may fall where they meet: each is fitted by itself, to measurements."""


class SeekCurve(NamedTuple):
    """Pieces of a seek curve, float64 of shape (pieces,): upper edges (stroke shares), and seconds."""

    edges: NDArray[np.float64]
    a: NDArray[np.float64]
    b: NDArray[np.float64]
    c: NDArray[np.float64]


def three_point_curve(adjacent_s: float, average_s: float, full_s: float) -> SeekCurve:
    """Curve through the three seek times of a datasheet: t(x) = a + b·sqrt(x) + c·x.

    t(0+) is the adjacent, t(1) the full-stroke time, and the mean over pairs of positions uniform in radius
    (density 2(1 − x) of the distance, so that E sqrt(x) = 8/15 and E x = 1/3) is the average. The curve is
    concave or straight and rises all the way iff 1/3 <= (average − adjacent)/(full − adjacent) <= 11/15.
    Derived. Raises ValueError, naming the averages that the two ends allow, for others.
    """
    if not (0 <= adjacent_s <= full_s < np.inf):
        raise ValueError(
            "seek times must satisfy 0 <= adjacent <= full, "
            f"not adjacent {adjacent_s:g} s and full {full_s:g} s"
        )
    stroke_s = full_s - adjacent_s
    least_s, most_s = stroke_s / 3, stroke_s * 11 / 15
    slack_s = 1e-9 * full_s  # a bound typed in decimals must not fail by its rounding
    mean_s = average_s - adjacent_s
    if not least_s - slack_s <= mean_s <= most_s + slack_s:
        raise ValueError(
            f"an average seek of {average_s * 1e3:g} ms does not fit adjacent {adjacent_s * 1e3:g} ms "
            f"and full {full_s * 1e3:g} ms; these ends allow averages from "
            f"{(adjacent_s + least_s) * 1e3:.6g} ms to {(adjacent_s + most_s) * 1e3:.6g} ms"
        )
    mean_s = min(max(mean_s, least_s), most_s)
    b = 5 * (mean_s - least_s)
    return _curve([1.0], [adjacent_s], [b], [stroke_s - b])


def two_piece_curve(
    cylinders: int, boundary: int, near: tuple[float, float], far: tuple[float, float]
) -> SeekCurve:
    """Published two-piece form over distances d in cylinders, d = 1 .. cylinders − 1.

    t(d) = near[0] + near[1]·sqrt(d) for d < boundary, far[0] + far[1]·d from there on, in seconds; the
    share of the stroke is x = d/(cylinders − 1) (form of Ruemmler and Wilkes 1994). Raises ValueError for a
    boundary outside 1 .. cylinders − 1, a falling or negative piece, or a fall from one cylinder distance to
    the next at the boundary that is more than a matter of the fit (`falls_at_boundary`).
    """
    if cylinders < 2 or not 1 <= boundary <= cylinders - 1:
        raise ValueError(
            f"a boundary must lie within 1 .. cylinders - 1, not {boundary!r} of {cylinders!r} cylinders"
        )
    if not all(map(isfinite, (*near, *far))) or min(near[0], near[1], far[1]) < 0:
        raise ValueError(f"both pieces of a seek curve must be positive and rise, not {near!r} and {far!r}")
    if falls_at_boundary(boundary, near, far):
        raise ValueError(
            f"the seek curve falls at the boundary: {near[0] + near[1] * sqrt(boundary - 1):g} s over "
            f"{boundary - 1} cylinders, {far[0] + far[1] * boundary:g} s over {boundary}"
        )
    stroke = cylinders - 1
    return _curve(
        [boundary / stroke, 1.0], [near[0], far[0]], [near[1] * sqrt(stroke), 0.0], [0.0, far[1] * stroke]
    )


def falls_at_boundary(boundary: int, near: tuple[float, float], far: tuple[float, float]) -> bool:
    """Whether the far piece begins below the end of the near one by more than `FIT_STEP` of that.

    Published pairs of fits do fall a little: 3.45 + 0.597 √d below 616 cylinders and 10.8 + 0.012 d from there on, in
    milliseconds (Ruemmler and Wilkes 1994, from memory), by 0.06 ms of 18.
    """
    last_near_s = near[0] + near[1] * sqrt(boundary - 1) if boundary > 1 else 0.0
    return far[0] + far[1] * boundary < (1 - FIT_STEP) * last_near_s


def pair_curve(shares: Sequence[float], times_s: Sequence[float]) -> SeekCurve:
    """Measured curve through pairs (share of the stroke, seconds), straight between them.

    Below the least share given the time is that of the least share, the shortest move measured. Raises
    ValueError unless the shares rise strictly from at least 0 to exactly 1 and the times are not negative
    and never fall.
    """
    x, t = [float(v) for v in shares], [float(v) for v in times_s]
    if len(x) != len(t) or not x:
        raise ValueError(f"a seek curve needs as many times as shares, not {len(t)} and {len(x)}")
    if not x[0] >= 0 or x[-1] != 1 or any(not lo < hi for lo, hi in pairwise(x)):
        raise ValueError(f"shares of the stroke must rise strictly, from at least 0 to exactly 1: {x}")
    if not t[0] >= 0 or not isfinite(t[-1]) or any(not lo <= hi for lo, hi in pairwise(t)):
        raise ValueError(f"seek times must not be negative and must never fall: {t}")
    edges, a, c = ([x[0]], [t[0]], [0.0]) if x[0] > 0 else ([], [], [])
    for (x0, x1), (t0, t1) in zip(pairwise(x), pairwise(t), strict=True):
        slope = (t1 - t0) / (x1 - x0)
        edges.append(x1)
        a.append(t0 - slope * x0)
        c.append(slope)
    return _curve(edges, a, [0.0] * len(edges), c)


def with_head_switch(curve: SeekCurve, cylinders: int, switch_s: float | None) -> SeekCurve:
    """The curve for distances in cylinders, of which less than half of one is a switch of heads, in seconds.

    None takes the time of the shortest seek, over one cylinder of so many.
    """
    stroke = max(cylinders - 1, 1)
    time_s = seek_s(1 / stroke, *curve) if switch_s is None else switch_s
    first = SeekCurve(*(np.array([value]) for value in (0.5 / stroke, time_s, 0.0, 0.0)))
    return SeekCurve(*(np.concatenate(pair) for pair in zip(first, curve, strict=True)))


def seek_s(share: float, edges: Floats, a: Floats, b: Floats, c: Floats) -> float:
    """Seek time in seconds over a share (0 .. 1) of the full stroke; 0 at share 0. Compiles unchanged."""
    if share == 0.0:
        return 0.0
    last = len(edges) - 1
    i = 0
    while i < last and share >= edges[i]:
        i += 1
    return a[i] + b[i] * sqrt(share) + c[i] * share


def seek_times_s(shares: ArrayLike, curve: SeekCurve) -> NDArray[np.float64]:
    """Seek times in seconds over an array of shares of the stroke, the same shape; 0 at share 0."""
    x = np.asarray(shares, dtype=np.float64)
    i = np.minimum(np.searchsorted(curve.edges, x, side="right"), len(curve.edges) - 1)
    return np.where(x == 0.0, 0.0, curve.a[i] + curve.b[i] * np.sqrt(x) + curve.c[i] * x)


def mean_seek_s(curve: SeekCurve) -> float:
    """Mean seek time in seconds between two positions independent and uniform in radius.

    Exact integral of 2(1 − x)·t(x) piece by piece: the distance between two uniform points has density
    2(1 − x). The mean of the curve is not the curve at the mean distance (Jensen). Derived.
    """
    hi = curve.edges
    lo = np.concatenate(([0.0], hi[:-1]))

    def below(x: NDArray[np.float64]) -> NDArray[np.float64]:
        root = np.sqrt(x)
        return np.asarray(
            curve.a * x * (2 - x)
            + curve.b * x * root * (4 / 3 - 4 / 5 * x)
            + curve.c * x * x * (1 - 2 / 3 * x)
        )

    return float(np.sum(below(hi) - below(lo)))


def _curve(edges: Sequence[float], a: Sequence[float], b: Sequence[float], c: Sequence[float]) -> SeekCurve:
    return SeekCurve(*(np.asarray(v, dtype=np.float64) for v in (edges, a, b, c)))
