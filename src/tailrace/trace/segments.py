"""Into which conditions does a recorded day fall? Spells of even rate and even share of reads."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.trace.recording import Recording

MOST_BINS = 288
"""Bins of equal length at whose edges a spell may end: five minutes of a day."""
FEWEST_IN_BIN = 20
"""Requests that a bin has on average, at least."""


@dataclass(frozen=True)
class Segment:
    """A spell of a trace: from when to when, in seconds from its first request, its rate and its share of reads.

    ``gap_scv`` is the squared coefficient of variation of the times between its requests; None of too few.
    """

    begin_s: float
    end_s: float
    requests: int
    read_share: float | None
    gap_scv: float | None

    @property
    def rate_per_s(self) -> float:
        """Requests per second."""
        return self.requests / (self.end_s - self.begin_s)

    def as_dict(self) -> dict[str, Any]:
        """The same as a plain mapping, ready for JSON."""
        return asdict(self) | {"rate_per_s": self.rate_per_s}


def segments(recording: Recording, count: int) -> tuple[Segment, ...]:
    """The ``count`` spells, one after the other, in which the rates of reads and of writes are most even.

    Those of the largest likelihood, requests taken as Poisson of one rate in each: found among all that end at the
    edges of equal bins by dynamic programming (Jackson et al., *IEEE Signal Processing Letters* 12(2), 2005; from
    memory).

    Raises:
        ValueError: no times, or too few requests for so many spells.
    """
    time_s, duration = recording.time_s, recording.facts.duration_s
    if time_s is None or not duration:
        raise ValueError("conditions of a trace need its times")
    bins = min(MOST_BINS, len(recording) // FEWEST_IN_BIN)
    if bins < count:
        raise ValueError(
            f"{len(recording):,} requests are too few for {count} conditions; accepted: at most {max(bins, 0)}"
        )
    place = np.minimum((np.asarray(time_s) / duration * bins).astype(np.int64), bins - 1)
    kinds = [np.ones(place.size, dtype=bool)] if recording.read is None else [recording.read, ~recording.read]
    counts = np.array([np.bincount(place[kind], minlength=bins) for kind in kinds])
    edges = _edges(counts, count)
    return tuple(
        _segment(recording, np.asarray(time_s), begin * duration / bins, end * duration / bins, end == bins)
        for begin, end in pairwise(edges)
    )


def _edges(counts: FloatArray, count: int) -> list[int]:
    """Edges of the best spells of bins; ``counts`` has the shape (kinds, bins)."""
    bins = counts.shape[1]
    sums = np.concatenate([np.zeros((counts.shape[0], 1)), np.cumsum(counts, axis=1)], axis=1)
    begin, end = np.meshgrid(np.arange(bins + 1), np.arange(bins + 1), indexing="ij")
    inside = sums[:, end] - sums[:, begin]
    length = np.maximum(end - begin, 1)
    gain = np.where(inside > 0, inside * np.log(np.maximum(inside, 1) / length), 0.0).sum(axis=0)
    gain[begin >= end] = -np.inf
    best, before = gain[0], []
    for _ in range(count - 1):
        through = best[:, None] + gain
        before.append(through.argmax(axis=0))
        best = through.max(axis=0)
    edges = [bins]
    for step in reversed(before):
        edges.append(int(step[edges[-1]]))
    return [0, *reversed(edges)]


def _segment(recording: Recording, time_s: FloatArray, begin: float, end: float, last: bool) -> Segment:
    first, behind = np.searchsorted(time_s, [begin, end])
    mine = slice(int(first), time_s.size if last else int(behind))
    gaps = np.diff(time_s[mine])
    read = recording.read
    return Segment(
        begin,
        end,
        mine.stop - mine.start,
        float(read[mine].mean()) if read is not None and mine.stop > mine.start else None,
        float(gaps.var() / gaps.mean() ** 2) if gaps.size > 1 and gaps.mean() > 0 else None,
    )
