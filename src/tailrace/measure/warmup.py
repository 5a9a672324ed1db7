"""Is the transient over before measuring begins? The MSER rule and the steady-state window, as checks.

A fixed first share of each replication is not measured. These checks ask, of the series averaged over the
replications, whether that share was enough; if not, the run must be longer. No replication is ever cut at
its own MSER point: that picks calm tails, and intervals built on them hold too seldom.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.measure.interval import student_quantile

WARMUP_SHARE = 0.1
"""Share of each replication, by order of arrival, that is not measured."""
DRIFT_SHARES = (1 / 16, 1 / 8, 1 / 4, 1 / 2)
"""First parts of what is measured that are held against its later half."""
DRIFT_LEVEL = 0.997
STILL_TO_COME = 6.0
"""Changes like the last that a slow drift may still make."""
BATCH = 5
"""Observations averaged into one before MSER is applied."""
FEWEST_BATCHES_KEPT = 5
FEWEST_REQUESTS = 2 * FEWEST_BATCHES_KEPT * BATCH
"""Of a class in a replication in which a transient can be seen."""
ROUNDS = 5
RANGE_LIMIT = 0.20
RISE_LIMIT = 0.10
ROUNDING = 1e-9
"""Share of the latencies below which a difference between them is no more than the rounding of their sums."""


@dataclass(frozen=True, slots=True)
class SteadyWindow:
    """How far a window of rounds is from flat, as shares of its mean.

    `range_share` is greatest less least; `rise_share` is what a least-squares line gains or loses over the
    window.
    """

    range_share: float
    rise_share: float

    @property
    def steady(self) -> bool:
        """Whether the range is at most 20 % and the rise at most 10 % of the mean, up or down.

        The limits of the steady state in the SNIA Solid State Storage Performance Test Specification (from
        memory).
        """
        return self.range_share <= RANGE_LIMIT and abs(self.rise_share) <= RISE_LIMIT


@dataclass(frozen=True, slots=True)
class Transient:
    """Whether the warm-up share sufficed, and why not; true where it did.

    `cut_share` is where MSER would cut the averaged series, as a share of its length, None where the rule
    rejects the series; `window` is the steady-state window over what is measured, None where there is too
    little. `reason` is empty where settled. `off_by` is the share by which the mean may be off, 0 where settled.
    """

    settled: bool
    cut_share: float | None
    window: SteadyWindow | None
    reason: str
    off_by: float = 0.0

    def __bool__(self) -> bool:
        return self.settled


def mser(series: FloatArray) -> FloatArray:
    """Marginal standard error of what is left after each number d of deleted observations, d = 0 .. n-1.

    MSER(d) = sum_{j>d} (z_j - mean_d)^2 / (n - d)^2, mean_d the mean of what is left: White, Simulation
    69(6), 1997, pp. 323-334.

    Args:
        series: shape (n,), n at least 1.

    Raises:
        ValueError: the series is empty or not of one dimension.
    """
    if series.ndim != 1 or series.size == 0:
        raise ValueError(f"a series has one dimension and is not empty, not {series.shape}")
    centred = series - series.mean()  # or the sums of squares would cancel
    left = np.arange(series.size, 0, -1)
    sums = np.cumsum(centred[::-1])[::-1]
    squares = np.cumsum(np.square(centred)[::-1])[::-1]
    return np.asarray(np.maximum(squares - sums**2 / left, 0) / left.astype(np.float64) ** 2)


def truncation_point(series: FloatArray, batch: int = BATCH) -> int | None:
    """Number of observations that MSER deletes from the start of a series, a multiple of the batch.

    The minimum is sought among the points that keep at least five batches (the statistic of a few equal
    batches is 0 wherever they lie), and the series is rejected if the minimum lies beyond its half: White,
    Cobb and Spratt, Winter Simulation Conference 2000, pp. 755-760.

    Args:
        series: shape (n,).
        batch: observations averaged into one; 5 makes it MSER-5.

    Returns:
        None if the series is rejected, or shorter than ten batches.

    Raises:
        ValueError: a batch that is not positive, or a series not of one dimension.
    """
    if batch < 1 or series.ndim != 1:
        raise ValueError(f"a series of one dimension and a positive batch, not {series.shape} and {batch}")
    batches = series.size // batch
    if batches < 2 * FEWEST_BATCHES_KEPT:
        return None
    means = series[: batches * batch].reshape(batches, batch).mean(axis=1)
    deleted = int(np.argmin(mser(means)[: batches - FEWEST_BATCHES_KEPT + 1]))
    return deleted * batch if 2 * deleted <= batches else None


def steady_window(rounds: FloatArray) -> SteadyWindow:
    """Measure how flat a window of rounds is.

    Args:
        rounds: shape (k,), one figure a round, k at least 2; the rule is stated for five.

    Raises:
        ValueError: fewer than two rounds.
    """
    if rounds.ndim != 1 or rounds.size < 2:
        raise ValueError(f"a window has two rounds or more, not {rounds.shape}")
    scale = abs(float(rounds.mean()))
    extent = float(np.ptp(rounds))
    rise = float(_slope_weights(rounds.size) @ rounds) * (rounds.size - 1)
    if extent == 0:
        return SteadyWindow(0.0, 0.0)
    if scale == 0:
        return SteadyWindow(math.inf, math.inf)
    return SteadyWindow(extent / scale, rise / scale)


def settled(series_per_replication: Sequence[FloatArray], share: float = WARMUP_SHARE) -> Transient:
    """Check on the series averaged over the replications that the transient is over within the warm-up share.

    Near saturation the averaged series of a server in perfect equilibrium breaks both rules often: in own
    trials, M/M/1 at 0.9 started in equilibrium, 16 replications of 40,000, in one run of five. So a broken
    rule counts only where the replications agree on it: MSER's cut and the rise at the 99 % level, the
    range, whose rounds are picked for their difference, at 99.9 %. Measured: false alarms in 0 to 4 % of
    runs in equilibrium; a start from ten times the mean backlog found in at least 98 % of those runs of 16
    replications whose mean it spoilt by more than the half-width of its interval. What is missed is hidden
    in an interval wider than itself.

    Args:
        series_per_replication: one array of shape (n_r,) a replication, in order of arrival, warm-up
        included. share: share of each replication that is not measured.

    Raises:
        ValueError: no replication, or a share outside [0, 1/2].
    """
    if not series_per_replication or not 0 <= share <= 0.5:
        raise ValueError("at least one replication, and a warm-up of at most half of it")
    n = min(series.size for series in series_per_replication)
    start = math.ceil(share * n)
    width = (n - start) // ROUNDS
    if n < FEWEST_REQUESTS or width < 1:
        return Transient(False, None, None, f"{n} requests are too few to see a transient", math.inf)
    batches = np.zeros(n // BATCH)
    for series in series_per_replication:
        batches += series[: n // BATCH * BATCH].reshape(-1, BATCH).mean(axis=1)
    cut = truncation_point(batches / len(series_per_replication), batch=1)
    cut = None if cut is None else cut * BATCH
    # the first rounds, so that what a remainder leaves out is at the end, where nothing is transient
    rounds = np.stack(
        [
            series[start : start + ROUNDS * width].reshape(ROUNDS, width).mean(axis=1)
            for series in series_per_replication
        ]
    )
    window, size = steady_window(rounds.mean(axis=0)), float(np.abs(rounds).mean())
    cut_share = None if cut is None else cut / n
    found: list[tuple[str, float]] = []
    if cut is None or cut > start:
        until = (start + n) // 2 if cut is None else cut
        changes = [each[start:until].mean() - each[until:n].mean() for each in series_per_replication]
        if agreed(np.array(changes), 0.99, size):
            where = "beyond half" if cut_share is None else f"to {cut_share:.0%}"
            said = f"the transient lasts {where} of the run, the warm-up is {share:.0%}"
            spoilt = 2 * (until - start) / (n - start)
            found.append((said, spoilt * abs(float(np.mean(changes))) / size))
    rise, extent = abs(window.rise_share), window.range_share
    if rise > RISE_LIMIT and agreed(rounds @ _slope_weights(ROUNDS), 0.99, size):
        found.append((f"latency changes by {window.rise_share:+.0%} over what is measured", rise))
    if extent > RANGE_LIMIT:
        averages = rounds.mean(axis=0)
        if agreed(rounds[:, averages.argmax()] - rounds[:, averages.argmin()], 0.999, size):
            found.append((f"fifths of what is measured differ by {extent:.0%}", extent))
    found = found or [drift([series[start:n] for series in series_per_replication])]
    reason, off_by = max(found, key=lambda each: each[1])
    return Transient(not reason, cut_share, window, reason, off_by)


def drift(measured: Sequence[FloatArray]) -> tuple[str, float]:
    """Whether a first part of what is measured differs from the later half, and by what share that puts the mean off.

    A transient that has died away within a share f of what is measured spoils the mean by f times what that part lies
    off. At the level by which it is noticed this is about half of the half-width of the interval for the least part
    looked at, and one and a half for the greatest: what is overlooked hides in an interval of that size (derived, for
    independent observations). What is noticed may go on in the later half: the mean is off by as much as it differs
    from that, and by what is still to come if each doubling of the time leaves six sevenths of the change of the one
    before, six times the last change in all: queues of many requests even out as slowly (own trial, 2,048 of them).

    Args:
        measured: one array of shape (n_r,) a replication, without its warm-up.

    Returns:
        A reason, empty where no part differs, and the share.
    """
    n = min(each.size for each in measured)

    def means(begin: float, end: float) -> FloatArray:
        return np.array([each[int(begin * n) : int(end * n)].mean() for each in measured])

    shares = [share for share in DRIFT_SHARES if share * n >= 1]
    if not shares or n < 4:
        return "", 0.0
    late = means(0.5, 1.0)
    size = abs(float(late.mean()))
    changes = {share: means(0.0, share) - late for share in shares}
    seen = [share for share in shares if agreed(changes[share], DRIFT_LEVEL, size)]
    if not seen or size == 0.0:
        return "", 0.0
    most = max(seen, key=lambda share: share * abs(float(changes[share].mean())))
    change = float(changes[most].mean()) / size
    whole, last = (abs(float((means(*part) - late).mean())) / size for part in ((0.0, 1.0), (0.25, 0.5)))
    way = "above" if change > 0 else "below"
    said = f"the first {most:.0%} of what is measured lies {100 * abs(change):.2g} % {way} its later half"
    return said, whole + STILL_TO_COME * last


def _slope_weights(rounds: int) -> FloatArray:
    """Weights whose product with the rounds is the slope of their least-squares line, a round."""
    centred = np.arange(rounds) - (rounds - 1) / 2
    return np.asarray(centred / (centred @ centred))


def agreed(contrasts: FloatArray, level: float, size: float) -> bool:
    """Whether contrasts, one a replication, differ from 0 beyond their noise; one alone always does.

    Beside figures of that size they are nothing where only the rounding of sums makes them.
    """
    if contrasts.size < 2:
        return True
    mean, error = abs(float(contrasts.mean())), float(contrasts.std(ddof=1)) / math.sqrt(contrasts.size)
    return mean > ROUNDING * size and mean > student_quantile(level, contrasts.size - 1) * error
