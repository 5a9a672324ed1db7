"""Which rates by queue depth explain measured points? Least squares in the logarithm, for reads or for writes.

By the exact closed forms of a drive by itself: with n requests always there the rate is that of n, and with arrivals at
random `physics.flow.open_mean_number` says how many are. The law of the work changes neither, so that it is fitted by
itself afterwards: where n are always there, a request takes its own work times a constant.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from pathlib import Path

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.hardware.service import gamma_times
from tailrace.physics import flow
from tailrace.scenario.tables.measured import Measured, MeasuredKind, RatePoint
from tailrace.scenario.tables.points import MeasuredPoint, measured_points

LEVELS = {"p50": 0.5, "p90": 0.9, "p95": 0.95, "p99": 0.99}

APART = 1.5
"""Factor by which depths of the curve lie apart at least, where they follow from points measured at a rate."""

FULLEST = 0.995
"""Share of what can be carried beyond which the mean of an open load is continued steeply but finite."""

EXACT = 1e-4
"""Residuals below which a description is as good as exact, and a richer one is not taken."""

LIMIT = 4.0
"""Farthest that a parameter moves from where it starts, in the logarithm."""

LEAST_SCV, MOST_SCV = 1e-4, 25.0
UNTOLD_SCV = 1.0
"""Variability of the work where no quantile was measured: exponential, which is rather too much."""


@dataclass(frozen=True)
class Form:
    """What there is to fit: rates of requests of ``size_bytes`` at ``depths``, and perhaps an overhead and a byte rate.

    Parameters are the logarithms of these, in this order; shape (p,).
    """

    depths: tuple[int, ...]
    size_bytes: int
    has_overhead: bool
    has_byte_rate: bool

    @property
    def names(self) -> list[str]:
        """What the parameters are called."""
        rates = [f"rate at depth {depth}" for depth in self.depths]
        return [*rates, *["overhead"] * self.has_overhead, *["byte_rate"] * self.has_byte_rate]

    def kind(self, theta: FloatArray, variability: float = UNTOLD_SCV) -> MeasuredKind:
        """The drive as a scenario has it."""
        rates = np.exp(self._rates(theta))
        further = dict(zip(self.names[len(self.depths) :], np.exp(theta[len(self.depths) :]), strict=True))
        points = zip(self.depths, rates.tolist(), strict=True)
        return MeasuredKind(
            size=self.size_bytes,
            curve=tuple(RatePoint(queue_depth=depth, rate=rate) for depth, rate in points),
            overhead=max(round(further["overhead"]), 1) if self.has_overhead else None,
            byte_rate=float(further["byte_rate"]) if self.has_byte_rate else None,
            variability=variability,
        )

    def log_means(self, theta: FloatArray, points: Sequence[MeasuredPoint]) -> FloatArray:
        """Logarithms of the mean latency in seconds at each point, shape (points,)."""
        depths, logs = np.array(self.depths, dtype=np.float64), self._rates(theta)
        rates = flow.curve(depths, np.exp(logs), max(each.queue_depth or self.depths[-1] for each in points))
        further = np.exp(theta[len(self.depths) :])
        overhead = float(further[0]) if self.has_overhead else None
        byte_rate = float(further[-1]) if self.has_byte_rate else None
        sizes = np.array([each.size_bytes for each in points], dtype=np.float64)
        alone, share = flow.work_s(sizes, self.size_bytes, float(rates[0]), overhead, byte_rate, exact=True)
        totals = rates / rates[0]
        at_once = np.array([each.queue_depth or 0 for each in points])
        most = np.divide(1.0, share, out=np.full(share.size, np.inf), where=share > 0)
        found = alone * at_once / np.minimum(totals[at_once - 1], most)
        for place in np.flatnonzero(at_once == 0).tolist():
            rate = points[place].rate_per_s or 0.0
            found[place] = _open_mean_s(rate, float(alone[place]), flow.capped(totals, float(share[place])))
        return np.asarray(np.log(found))

    def _rates(self, theta: FloatArray) -> FloatArray:
        return flow.monotone(np.array(self.depths, dtype=np.float64), theta[: len(self.depths)])


def _open_mean_s(rate: float, alone_s: float, totals: FloatArray) -> float:
    """Mean latency of an open load; what cannot be carried counts as very long, the longer the more it is."""
    offered, most = rate * alone_s, FULLEST * float(totals[-1])
    beyond = max(offered / most, 1.0)
    return flow.open_mean_number(min(offered, most), totals) / rate * beyond**20


@dataclass(frozen=True)
class KindFit:
    """A form with its parameters, shape (p,), and where the fit began; ``points`` are those that tell a mean."""

    form: Form
    theta: FloatArray
    start: FloatArray
    points: tuple[MeasuredPoint, ...]
    variability: float

    @property
    def kind(self) -> MeasuredKind:
        """The drive as a scenario has it."""
        return self.form.kind(self.theta, self.variability)

    def predicted(self, points: Sequence[MeasuredPoint]) -> list[dict[str, float]]:
        """Logarithms of what was measured at each point, as the fit has it, by the names of the quantities."""
        means = self.form.log_means(self.theta, points)
        return [
            {name: _said(name, point, float(mean), self.variability) for name in point.measured}
            for point, mean in zip(points, means, strict=True)
        ]


def _said(name: str, point: MeasuredPoint, log_mean: float, scv: float) -> float:
    if name in LEVELS:
        return log_mean + log_quantile(LEVELS[name], scv)
    if name == "mean":
        return log_mean
    return (
        math.log(point.rate_per_s)
        if point.queue_depth is None and point.rate_per_s
        else (math.log(point.queue_depth or 1) - log_mean)
    )


def log_quantile(p: float, scv: float) -> float:
    """Logarithm of a quantile of the gamma law of mean 1."""
    return float(np.log(np.maximum(gamma_times(1.0, scv, np.array([p])), 1e-12))[0])


def kinds_of(media: Measured) -> tuple[MeasuredKind | None, MeasuredKind | None]:
    """What is known of reads and of writes: as written, or fitted to the points of the file."""
    if media.file is None:
        return media.reads, media.writes
    seen = Path(media.file).stat()
    return _kinds_in(media.file, seen.st_mtime_ns, seen.st_size)


@lru_cache(maxsize=16)
def _kinds_in(file: str, *seen: int) -> tuple[MeasuredKind | None, MeasuredKind | None]:
    del seen
    points = measured_points(Path(file))
    both = ([each for each in points if each.read == read] for read in (True, False))
    reads, writes = (fit_kind(mine).kind if mine else None for mine in both)
    return reads, writes


def fit_kind(points: Sequence[MeasuredPoint], near: KindFit | None = None) -> KindFit:
    """Fit points of reads only, or of writes only, from ``near`` if that is a fit to nearly the same ones.

    Raises ValueError where none tells a mean latency.

    Of forms with and without an overhead and a byte rate that of the least Akaike criterion is taken (from memory).
    """
    telling = tuple(each for each in points if each.log_mean is not None)
    if not telling:
        raise ValueError("no point has a mean latency, or a throughput with a queue depth")
    sizes = {each.size_bytes for each in telling}
    further = product((False, True), repeat=2) if len(sizes) > 1 else [(False, False)]
    depths, size = _depths(telling), min(sizes)
    found = [_fitted(Form(depths, size, *each), telling, near) for each in further]
    form, theta, start = min(found, key=lambda each: each[3])[:3]
    return KindFit(form, theta, start, telling, fitted_scv(points, form, theta))


def fitted_scv(
    points: Sequence[MeasuredPoint],
    form: Form,
    theta: FloatArray,
    beyond: dict[tuple[int, str], float] | None = None,
) -> float:
    """Variability of the work by the quantiles over the mean; ``beyond``: what those lie above the law of the work.

    That is by line and quantity, in the logarithm; nothing where n requests are always there.
    """
    from scipy.optimize import minimize_scalar

    told = log_ratios(points, form, theta, beyond)
    if not told:
        return UNTOLD_SCV

    def squares(log_scv: float) -> float:
        return sum((ratio - log_quantile(p, math.exp(log_scv))) ** 2 for p, ratio in told)

    bounds = (math.log(LEAST_SCV), math.log(MOST_SCV))
    return float(np.exp(minimize_scalar(squares, bounds=bounds, method="bounded").x))


def stalled_share(told: Sequence[tuple[float, float]]) -> float:
    """Share of the mean that lies in rare stalls: what the gamma law that fits the quantiles alone lacks of it.

    ``told`` as `log_ratios` has it; 0 where quantiles of one level say nothing of it, and where the mean is less.
    """
    if len({p for p, _ in told}) < 2:
        return 0.0
    from scipy.optimize import least_squares

    ratios = np.array([ratio for _, ratio in told])

    def misses(theta: FloatArray) -> FloatArray:
        scv = float(np.exp(theta[0]))
        return np.asarray(np.array([log_quantile(p, scv) for p, _ in told]) + theta[1] - ratios)

    bounds = (np.array([math.log(LEAST_SCV), -3.0]), np.array([math.log(MOST_SCV), 3.0]))
    return max(-float(np.expm1(least_squares(misses, np.array([-1.0, 0.0]), bounds=bounds).x[1])), 0.0)


def log_ratios(
    points: Sequence[MeasuredPoint],
    form: Form,
    theta: FloatArray,
    beyond: dict[tuple[int, str], float] | None = None,
) -> list[tuple[float, float]]:
    """Level and logarithm of each measured quantile over the mean, measured or else fitted."""
    found = []
    for point, fitted in zip(points, form.log_means(theta, points), strict=True):
        known = point.log_mean
        mean = float(fitted) if known is None else known
        for name, p in LEVELS.items():
            if name in point.measured:
                off = (beyond or {}).get((point.line, name), 0.0)
                found.append((p, math.log(point.measured[name]) - mean - off))
    return found


def _depths(points: Sequence[MeasuredPoint]) -> tuple[int, ...]:
    """Depths of the curve: those measured, and how many were there on average where a rate was given."""
    found = sorted({each.queue_depth for each in points if each.queue_depth is not None})
    for each in points:
        if each.queue_depth is None:
            number = max(round((each.rate_per_s or 0.0) * math.exp(each.log_mean or 0.0)), 1)
            if all(max(number / other, other / number) >= APART for other in found):
                found.append(number)
    return tuple(sorted(found))


def _fitted(
    form: Form, points: Sequence[MeasuredPoint], near: KindFit | None
) -> tuple[Form, FloatArray, FloatArray, float]:
    """The best parameters, where they began, and the criterion: the lower the better."""
    from scipy.optimize import least_squares

    measured = np.array([each.log_mean for each in points], dtype=np.float64)
    best: tuple[float, FloatArray, FloatArray] | None = None

    def misses(theta: FloatArray) -> FloatArray:
        return form.log_means(theta, points) - measured

    starts = _starts(form, points, measured)
    if near is not None:
        known = dict(zip(near.form.names, near.theta.tolist(), strict=True))
        starts = [np.array([known.get(name, at) for name, at in zip(form.names, starts[0], strict=True)])]
    for start in starts:
        steps = np.full(start.size, 1e-4)
        least = least_squares(misses, start, bounds=(start - LIMIT, start + LIMIT), diff_step=steps)
        if best is None or 2 * least.cost < best[0]:
            best = (2 * float(least.cost), np.asarray(least.x), start)
    assert best is not None
    squares, theta, start = best
    n, k = measured.size, theta.size
    criterion = n * math.log(squares / n + EXACT**2) + 2 * k
    criterion += 1e6 * max(k - n + 1, 0)  # as many parameters as values explain nothing
    rates = form._rates(theta)
    return form, np.concatenate([rates, theta[rates.size :]]), start, criterion


def _starts(form: Form, points: Sequence[MeasuredPoint], log_means: FloatArray) -> list[FloatArray]:
    """Where fits begin: overheads of some sizes, a byte rate of the most that was moved, rates that go with them."""
    sizes = np.array([each.size_bytes for each in points], dtype=np.float64)
    numbers = np.array(
        [
            each.queue_depth or max((each.rate_per_s or 0.0) * math.exp(mean), 1.0)
            for each, mean in zip(points, log_means, strict=True)
        ]
    )
    per_s = numbers / np.exp(log_means)
    starts = []
    for times, most in product((1.0, 8.0, 64.0) if form.has_overhead else (np.inf,), (1.0, 0.8)):
        overhead = times * form.size_bytes
        weight = (
            (overhead + sizes) / (overhead + form.size_bytes)
            if np.isfinite(overhead)
            else np.ones(sizes.size)
        )
        rates = [float(np.mean(np.log(per_s * weight)[_nearest(numbers, depth)])) for depth in form.depths]
        further = [math.log(overhead)] * form.has_overhead
        further += [math.log(most * float(np.max(per_s * sizes)))] * form.has_byte_rate
        starts.append(np.array([*rates, *further]))
        if not form.has_byte_rate:
            break
    return starts


def _nearest(numbers: FloatArray, depth: int) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    apart = np.abs(np.log(numbers / depth))
    return np.asarray(apart <= apart.min() + 1e-9)
