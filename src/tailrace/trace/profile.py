"""What is a trace like? Rates, sizes, kinds, runs of addresses, bursts, popularity, and what it touches over time."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.trace.popularity import Popularity, popularity
from tailrace.trace.recording import Facts, Recording

ITEM_BYTES = 16 * 1024
"""Unit of popularity and of what is touched."""

LAGS, LAGS_OF_CLIENT = 64, 8
"""A request that begins where one of so many before it (of its client, where that is known) ended is sequential."""

FEWEST_SMALL, SMALL_SHARE = 1000, 0.05
"""Requests no larger than an item, from which popularity is taken alone: larger ones ask for several items at once."""

FEW_RUNS = 0.1
"""Share of sequential requests up to which they may be so by chance."""

FEWEST_WINDOWS = 20
PERIODS = 10


@dataclass(frozen=True)
class Dispersion:
    """Variance over mean of the numbers of requests in windows of a length; 1 for Poisson arrivals at every length."""

    window_s: float
    windows: int
    index: float


@dataclass(frozen=True)
class Footprint:
    """What was touched up to an instant, and in the period that ends with it; bytes in whole items.

    ``until_s`` is None where times are not known: then periods have equal numbers of requests.
    """

    until_s: float | None
    so_far_bytes: int
    in_period_bytes: int


@dataclass(frozen=True)
class Profile:
    """A trace in figures. What its file does not tell is None, or empty.

    ``gap_scv`` is the squared coefficient of variation of the times between requests. ``sequential_share`` is of the
    requests, ``aligned_share`` of those whose address is a multiple of their size. ``span`` in bytes is what the
    addresses reach over.
    """

    facts: Facts
    rate_per_s: float | None
    read_share: float | None
    mean_size: float | None
    gap_scv: float | None
    dispersion: tuple[Dispersion, ...]
    sequential_share: float | None
    aligned_share: float | None
    span: int | None
    popularity: Popularity | None
    touched: tuple[Footprint, ...]

    def as_dict(self) -> dict[str, Any]:
        """The same in plain types, as for JSON."""
        return asdict(self)


def profile(recording: Recording, span: int | None = None) -> Profile:
    """Describe a trace. ``span`` in bytes is how much its addresses could reach over; as far as they do if left out."""
    facts, time_s = recording.facts, recording.time_s
    rate = facts.rate_per_s
    gap_scv, dispersion = None, tuple[Dispersion, ...]()
    if time_s is not None and rate is not None:
        gap_scv = float(np.diff(time_s).var()) * rate**2
        dispersion = _dispersion(time_s, rate)
    size = recording.size_bytes
    sequential = aligned = fitted = reach = None
    touched = tuple[Footprint, ...]()
    if recording.address is not None:
        reach = span or facts.end or 0
        item = np.asarray(recording.address) // ITEM_BYTES
        touched = _touched(item, time_s)
        runs = None
        if size is not None:
            runs = _continues(recording, size)
            sequential = float(runs.mean())
            aligned = float((recording.address % size == 0).mean())
        alone = item[_tells_popularity(size, runs)]
        items = max(-(-reach // ITEM_BYTES), int(item.max()) + 1)
        fitted = popularity(alone, items)
    return Profile(
        facts=facts,
        rate_per_s=rate,
        read_share=None if facts.reads is None else facts.reads / facts.rows,
        mean_size=None if size is None else float(size.mean()),
        gap_scv=gap_scv,
        dispersion=dispersion,
        sequential_share=sequential,
        aligned_share=aligned,
        span=reach,
        popularity=fitted,
        touched=touched,
    )


def _tells_popularity(size: IntArray | None, runs: BoolArray | None) -> BoolArray | slice:
    """Requests that are not part of runs and, where there are enough of these, lie within one item each."""
    if size is None or runs is None:
        return slice(None)
    # A few continue another by chance, those for popular items most often: to leave them out would skew the counts.
    alone = ~runs if runs.mean() > FEW_RUNS else np.ones(runs.size, dtype=bool)
    small = alone & (np.asarray(size) <= ITEM_BYTES)
    return small if small.sum() >= max(FEWEST_SMALL, SMALL_SHARE * alone.sum()) else alone


def _dispersion(time_s: FloatArray, rate_per_s: float) -> tuple[Dispersion, ...]:
    """Index of dispersion for counts over windows of 1, 10, 100 ... mean gaps, as long as there are enough of them."""
    found, window = [], 1.0 / rate_per_s
    while (windows := int(time_s[-1] / window)) >= FEWEST_WINDOWS:
        place = (np.asarray(time_s) / window).astype(np.int64)
        counts = np.bincount(place[place < windows], minlength=windows)
        found.append(Dispersion(window, windows, float(counts.var(ddof=1) / counts.mean())))
        window *= 10
    return tuple(found)


def _continues(recording: Recording, size: IntArray) -> BoolArray:
    """Which requests begin where an earlier one ended, shape (rows,)."""
    assert recording.address is not None
    begin = np.asarray(recording.address)
    if recording.client is None:
        return _follows(begin, begin + size, LAGS)
    order, first = recording.by_client
    begin, end = begin[order], (recording.address + size)[order]
    number = np.repeat(np.arange(first.size - 1), np.diff(first))
    found = np.zeros(begin.size, dtype=bool)
    for lag in range(1, LAGS_OF_CLIENT + 1):
        found[lag:] |= (begin[lag:] == end[:-lag]) & (number[lag:] == number[:-lag])
    result = np.empty(begin.size, dtype=bool)
    result[order] = found
    return result


def _follows(begin: IntArray, end: IntArray, lags: int) -> BoolArray:
    found = np.zeros(begin.size, dtype=bool)
    for lag in range(1, min(lags, begin.size - 1) + 1):
        found[lag:] |= begin[lag:] == end[:-lag]
    return found


def _touched(item: IntArray, time_s: FloatArray | None) -> tuple[Footprint, ...]:
    """What was touched in ten periods of equal length; of equal numbers of requests where times are not known."""
    when = np.arange(item.size, dtype=np.float64) if time_s is None else np.asarray(time_s)
    ends = when[-1] * np.arange(1, PERIODS + 1) / PERIODS
    _, first = np.unique(item, return_index=True)
    so_far = np.searchsorted(np.sort(when[first]), ends, side="right")
    edges = np.concatenate([[0], np.searchsorted(when, ends, side="right")])
    edges[-1] = item.size
    so_far[-1] = first.size
    each = [np.unique(item[edges[k] : edges[k + 1]]).size for k in range(PERIODS)]
    return tuple(
        Footprint(None if time_s is None else float(end), int(total) * ITEM_BYTES, part * ITEM_BYTES)
        for end, total, part in zip(ends, so_far, each, strict=True)
    )
