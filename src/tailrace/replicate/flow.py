"""What came in and went out between two instants that no arrival has chosen.

A window that begins and ends with certain requests favours what these have in common: closed clients that issue
together, say, end it behind a whole wave of theirs. So all is counted in bins of time, and the window is made of whole
bins. Their width is a power of two of seconds that follows from how long the run takes, and from nothing that happens
in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.engine.loop.layout import Records

BINS = 2048
"""Most bins; half of them at least are in use."""
FEWEST = 16
"""Fewest bins of a window."""
SLICES = 200
"""Most slices by which it is seen whether the pace of completions changes."""


@dataclass(frozen=True)
class Throughflow:
    """What passed in a window of ``window_s`` seconds, one entry a group.

    Completions, their bytes, and the integral of how many were under way; ``pace_per_s``, shape (groups, slices), are
    completions a second in successive slices of it.
    """

    window_s: float
    completed: IntArray
    pace_per_s: FloatArray
    bytes_moved: IntArray
    under_way_s: FloatArray


class Flow:
    """Arrivals and completions by group (reads and writes of each class), counted as blocks of finished requests come.

    Counts do not depend on where one block ends and the next begins.
    """

    def __init__(self, groups: int) -> None:
        self._groups = groups
        self._width_s = 0.0
        self._counts = np.zeros((3, groups, BINS), dtype=np.int64)  # arrivals, completions, bytes
        self._times_s = np.zeros((2, groups, BINS))  # sums of the instants of arrivals and of completions

    def add(self, block: Records, group: IntArray) -> None:
        """Take in finished requests; ``group`` says to which each belongs, shape (rows,)."""
        if not len(block):
            return
        self._make_room(float(block["completion_s"].max()))
        shape = (self._groups, BINS)
        for place, instants in enumerate((block["arrival_s"], block["completion_s"])):
            at = group * BINS + (instants / self._width_s).astype(np.int64)
            self._counts[place] += np.bincount(at, minlength=self._groups * BINS).reshape(shape)
            self._times_s[place] += np.bincount(at, instants, self._groups * BINS).reshape(shape)
        moved = np.bincount(at, block["size_bytes"], self._groups * BINS)
        self._counts[2] += moved.reshape(shape).astype(np.int64)

    def _make_room(self, latest_s: float) -> None:
        """Let bins be as wide as it takes to hold an instant, two of the old ones in each of the new."""
        if self._width_s == 0.0:
            self._width_s = 2.0 ** (math.frexp(latest_s / BINS)[1] if latest_s > 0 else 0)
        while latest_s >= BINS * self._width_s:
            self._width_s *= 2
            for table in (self._counts, self._times_s):
                pairs = table[..., 0::2] + table[..., 1::2]
                table[..., : BINS // 2], table[..., BINS // 2 :] = pairs, 0

    def between(self, begin_s: float, end_s: float) -> Throughflow:
        """What passed in the whole bins between two instants; in the bins around them where these are too few."""
        first, last = math.ceil(begin_s / self._width_s), math.floor(end_s / self._width_s)
        if last - first < FEWEST:
            first, last = math.floor(begin_s / self._width_s), max(last, first) + 1
        inside = slice(first, last)
        begin, end = first * self._width_s, last * self._width_s
        under_way = self._integral(end) - self._integral(begin)
        each = -(-(last - first) // SLICES)
        slices = (last - first) // each
        counts = self._counts[1, :, first : first + slices * each].reshape(self._groups, slices, each)
        return Throughflow(
            end - begin,
            self._counts[1, :, inside].sum(axis=1),
            counts.sum(axis=2) / (each * self._width_s),
            self._counts[2, :, inside].sum(axis=1),
            under_way,
        )

    def _integral(self, until_s: float) -> FloatArray:
        """Integral from 0 of the number under way, by group: each from its arrival until it is done."""
        before = slice(0, round(until_s / self._width_s))
        counts, times = self._counts[:2, :, before].sum(axis=2), self._times_s[:, :, before].sum(axis=2)
        begun, done = until_s * counts - times
        return np.asarray(begun - done)
