"""What is kept of each request as it finishes: its latency in its place, sums of the rest, and the slowest whole.

Requests come in blocks, in order of completion. Nothing here depends on where one block ends and the next begins:
sums are added in that order, one request after the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.engine.loop.layout import Records
from tailrace.plan.build import start_of_buffers
from tailrace.plan.columns import READ
from tailrace.quantity import KINDS, Kind
from tailrace.replicate.flow import Flow, Throughflow
from tailrace.scenario.tables.scenario import Scenario

WARMUP_SHARE = 0.1
SLOWEST_SHARE = 0.01
MIDDLE_SHARE = 0.1
"""Requests around the median, as a share of all, that stand for the median request."""
MIDDLE_ROWS = 2**16
"""Requests of which the record is kept whole, evenly spread over the arrivals, so that the middle can be found."""
FEW_ROWS = 2**16
"""Rows that are kept before it is worth asking which of them can be among the slowest."""


OVER_START = 4
"""How many times as long as that start a replication shall be, if it may."""

STAGES = 4
KEPT = np.dtype([("order", "i8"), ("latency_s", "f8"), ("group", "i8"), ("times_s", "f8", (2 * STAGES,))])
"""What is kept of a whole record; the times are the waits at the four stages, then the services."""


@dataclass(frozen=True)
class StageSums:
    """Seconds waited and served at the four stages, summed over ``requests``; shape (4,) each."""

    requests: int
    wait_s: FloatArray
    service_s: FloatArray

    @classmethod
    def of(cls, rows: Records) -> StageSums:
        """The sums of whole records, added in order of arrival."""
        times = rows["times_s"][np.argsort(rows["order"])].sum(axis=0)
        return cls(len(rows), times[:STAGES], times[STAGES:])


def start_of(scenario: Scenario) -> int:
    """How many requests it takes until the way in which closed clients begin is forgotten.

    They all begin at once, so the first two of each that they keep going still show it; and so does what lies in full
    buffers, until it has been replaced often enough.
    """
    return 2 * scenario.closed_requests + start_of_buffers(scenario)


def measured_from(requests: int, start: int = 0) -> int:
    """The first request, by order of arrival, that is measured: the first tenth is not.

    Nor are those of the ``start``, as long as that leaves half of the run.
    """
    return max(int(np.ceil(WARMUP_SHARE * requests)), min(start, requests // 2))


class Gathering:
    """Gathers the blocks of a run of so many requests.

    Attributes:
        latency_s, class_index, is_read: shape (requests,), in order of arrival, complete when all blocks are.
        window_s: the instants of the last arrival that is not measured, and of the last that is.
    """

    def __init__(self, requests: int, is_open: BoolArray, start: int = 0) -> None:
        """``is_open`` says of each class, by number, whether it is open; ``start`` is that of `measured_from`."""
        self.latency_s = np.empty(requests)
        self.class_index = np.empty(requests, dtype=np.uint16)
        self.is_read = np.empty(requests, dtype=np.bool_)
        self.window_s = [0.0, 0.0]
        self._begin = measured_from(requests, start)
        self._is_open = is_open
        groups = 2 * is_open.size  # reads and writes of each class
        self._count = np.zeros(groups, dtype=np.int64)
        self._flow = Flow(groups)
        self._times = np.zeros((groups, 2 * STAGES))
        self._changes = np.zeros(0, dtype=np.int64)
        self._slowest = _Slowest(groups, requests - self._begin)
        self._every = -(-requests // MIDDLE_ROWS)
        self._spread: list[Records] = []

    def add(self, block: Records, mark_time_s: FloatArray) -> None:
        """Take in a block, with the instants of the marks that have been passed by now."""
        order = block["order"]
        latency_s = block["completion_s"] - block["arrival_s"]
        self.latency_s[order] = latency_s
        self.class_index[order] = block["class_index"]
        self.is_read[order] = block["kind"] == READ
        last = self.latency_s.size - 1
        for place, edge in enumerate((self._begin - 1, last)):
            self.window_s[place] += float(block["arrival_s"][order == edge].sum())
        group = 2 * block["class_index"].astype(np.int64) + (block["kind"] != READ)
        self._flow.add(block, group)
        self._note_open(block, mark_time_s)
        if order.min(initial=last) < self._begin:
            measured = order >= self._begin
            block, latency_s, group = block[measured], latency_s[measured], group[measured]
        rows = np.empty(len(block), dtype=KEPT)
        rows["order"], rows["latency_s"] = block["order"], latency_s
        rows["group"] = group
        rows["times_s"][:, :STAGES], rows["times_s"][:, STAGES:] = block["wait_s"], block["service_s"]
        self._add_sums(rows)
        self._slowest.add(rows)
        self._spread.append(rows[rows["order"] % self._every == 0])

    def _note_open(self, block: Records, mark_time_s: FloatArray) -> None:
        """A request is under way at the marks from its arrival on that come before its completion."""
        if mark_time_s.size >= self._changes.size:
            self._changes = np.append(self._changes, np.zeros(mark_time_s.size + 1 - self._changes.size, int))
        mine = block[self._is_open[block["class_index"]]] if not self._is_open.all() else block
        first = np.searchsorted(mark_time_s, mine["arrival_s"])
        behind = np.searchsorted(mark_time_s, mine["completion_s"])
        room = self._changes.size
        self._changes += np.bincount(first, minlength=room) - np.bincount(behind, minlength=room)

    def _add_sums(self, rows: Records) -> None:
        groups = self._count.size
        self._count += np.bincount(rows["group"], minlength=groups)
        # What has been summed so far goes first: one request is added after the other, wherever blocks end.
        group = np.concatenate([np.arange(groups), rows["group"]])
        for place in range(2 * STAGES):
            times = np.concatenate([self._times[:, place], rows["times_s"][:, place]])
            self._times[:, place] = np.bincount(group, times, groups)

    def open_present(self, marks: int) -> IntArray:
        """Requests of open classes under way at each mark: what closed clients keep going cannot grow for good."""
        return np.cumsum(self._changes)[:marks]

    def stages(self, number: int, kind: Kind) -> StageSums:
        """Sums over the measured requests of a class, or of its reads or writes."""
        groups = groups_of(number, kind)
        times = self._times[groups].sum(axis=0)
        return StageSums(int(self._count[groups].sum()), times[:STAGES], times[STAGES:])

    def throughflow(self) -> Throughflow:
        """What passed in the measured window, by group; see `groups_of`."""
        return self._flow.between(*self.window_s)

    def slowest(self, number: int, kind: Kind) -> StageSums:
        """Sums over the slowest 1 %, at least one request; of equally slow ones those that arrived first."""
        return self._slowest.sums(groups_of(number, kind))

    def middle(self, number: int, kind: Kind) -> StageSums:
        """Sums over the tenth around the median, of those whose records were kept."""
        rows = np.concatenate(self._spread)
        self._spread = [rows]
        mine = np.flatnonzero(np.isin(rows["group"], groups_of(number, kind)))
        aside = int((0.5 - MIDDLE_SHARE / 2) * len(mine))
        kept = np.zeros(len(rows), dtype=np.bool_)
        kept[_fastest(rows, mine, len(mine) - aside)] = True
        kept[_fastest(rows, mine, aside)] = False
        return StageSums.of(rows[kept])


class _Slowest:
    """Whole records of those requests that can still turn out to be among the slowest of their class or kind."""

    def __init__(self, groups: int, requests: int) -> None:
        self._seen = np.zeros(groups, dtype=np.int64)
        self._left = requests
        self._rows: list[Records] = []
        self._held, self._most = 0, FEW_ROWS
        self._least = np.full(groups, -np.inf)

    def add(self, rows: Records) -> None:
        """Take in rows; what is faster than as many as can be called slowest is not kept."""
        self._seen += np.bincount(rows["group"], minlength=self._seen.size)
        self._left -= len(rows)
        slow = rows[rows["latency_s"] >= self._least[rows["group"]]]
        self._rows.append(slow)
        self._held += len(slow)
        if self._held > self._most:
            self._prune()

    def sums(self, groups: list[int]) -> StageSums:
        """Sums over the slowest of the groups together."""
        rows = self._joined()
        mine = np.flatnonzero(np.isin(rows["group"], groups))
        return StageSums.of(rows[_slowest(rows, mine, _slow_count(int(self._seen[groups].sum())))])

    def _prune(self) -> None:
        rows = self._joined()
        kept = np.zeros(len(rows), dtype=np.bool_)
        for number in range(self._seen.size // 2):
            for kind in KINDS:
                groups = groups_of(number, kind)
                mine = np.flatnonzero(np.isin(rows["group"], groups))
                # However many of those to come are of this kind: no more can be called slowest.
                most = _slow_count(int(self._seen[groups].sum()) + self._left)
                slow = _slowest(rows, mine, most)
                kept[slow] = True
                least = rows["latency_s"][slow].min() if len(mine) > most else -np.inf
                # The class as a whole comes first in KINDS; its reads and writes may go lower.
                self._least[groups] = least if kind == "all" else np.minimum(self._least[groups], least)
        self._rows = [rows[kept]]
        self._held = int(np.count_nonzero(kept))
        self._most = max(3 * self._held // 2, FEW_ROWS)

    def _joined(self) -> Records:
        rows: Records = np.concatenate(self._rows)
        self._rows = [rows]
        return rows


def groups_of(number: int, kind: Kind) -> list[int]:
    """Where the sums of a class, or of its reads or writes, are kept."""
    return {"all": [2 * number, 2 * number + 1], "read": [2 * number], "write": [2 * number + 1]}[kind]


def _slow_count(requests: int) -> int:
    return max(int(np.ceil(SLOWEST_SHARE * requests)), 1)


def _slowest(rows: Records, mine: IntArray, count: int) -> IntArray:
    """Which of the places ``mine`` hold the slowest so many; of equally slow ones those that arrived first."""
    if len(mine) <= count:
        return mine
    latency_s = rows["latency_s"][mine]
    least = np.partition(latency_s, len(mine) - count)[len(mine) - count]
    above, tied = mine[latency_s > least], mine[latency_s == least]
    first = np.argsort(rows["order"][tied], kind="stable")[: count - above.size]
    return np.concatenate([above, tied[first]])


def _fastest(rows: Records, mine: IntArray, count: int) -> IntArray:
    """Which of the places ``mine`` hold the fastest so many; of equally fast ones those that arrived first."""
    if not 0 < count < len(mine):
        return mine[: max(count, 0)]
    latency_s = rows["latency_s"][mine]
    most = np.partition(latency_s, count - 1)[count - 1]
    below, tied = mine[latency_s < most], mine[latency_s == most]
    first = np.argsort(rows["order"][tied], kind="stable")[: count - below.size]
    return np.concatenate([below, tied[first]])
