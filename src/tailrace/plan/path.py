"""Paths of many requests at once, described as an expression and written into columns in one go.

Each class below describes the paths of ``count`` items side by side. Lengths are known from the description
(an int where all items agree), so every step is written exactly once, straight to where it belongs.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.plan.columns import (
    BRANCH,
    CHOOSE,
    COLLECT,
    DETACH,
    DRAW,
    GIVE,
    JUMP,
    LAP,
    QUORUM,
    RELEASE,
    SPLIT,
    TAKE,
    TAKE_RANKED,
    VISIT,
    Access,
    Steps,
)


class Path(ABC):
    """The paths of ``count`` items; ``lengths`` is the number of steps, an int or of shape (count,)."""

    count: int
    lengths: int | IntArray

    @abstractmethod
    def write(self, steps: Steps, at: IntArray) -> None:
        """Write each item's steps from its position ``at`` on, shape (count,)."""


class _Step(Path):
    def __init__(
        self, op: int, count: int, arg: int | IntArray, work: float | FloatArray, access: Access | None = None
    ) -> None:
        self.count, self.lengths = count, 1
        self._op, self._arg, self._work, self._access = op, arg, work, access

    def write(self, steps: Steps, at: IntArray) -> None:
        steps.op[at] = self._op
        steps.arg[at] = self._arg
        steps.work[at] = self._work
        if self._access is not None and steps.access is not None:
            for column, values in zip(steps.access.columns(), self._access.columns(), strict=True):
                column[at] = values


def visit(
    count: int, station: int | IntArray, work_s: float | FloatArray, access: Access | None = None
) -> Path:
    """One visit to a station, with ``work_s`` seconds of service at full rate."""
    return _Step(VISIT, count, station, work_s, access)


def take(
    count: int,
    pool: int | IntArray,
    permits: float | FloatArray = 1.0,
    rank: int | IntArray | None = None,
) -> Path:
    """Take permits from a pool, waiting for them first come, first served.

    With ``rank``, from 0 on, it is one permit, and in a ranked pool lower ranks go before higher ones that wait.
    Raises ValueError for a negative rank, and for a rank with any other number of permits.
    """
    if rank is None:
        return _Step(TAKE, count, pool, permits)
    if np.any(np.asarray(permits) != 1.0) or np.any(np.asarray(rank) < 0):
        raise ValueError("a ranked take is of one permit, and its rank is 0 or more")
    return _Step(TAKE_RANKED, count, pool, np.asarray(rank, dtype=np.float64))


def give(count: int, pool: int | IntArray, permits: float | FloatArray = 1.0) -> Path:
    """Give permits back to a pool."""
    return _Step(GIVE, count, pool, permits)


def draw(count: int, kind: int, share: float | FloatArray) -> Path:
    """Of what kind the next visit, to a station of discipline FLOW, is there, and its share of the byte rate."""
    return _Step(DRAW, count, kind, share)


def lap(count: int, step: int) -> Path:
    """Where that step of a transaction, counted from 0, is done."""
    return _Step(LAP, count, step, 0.0)


class Series(Path):
    """One path after the other; no parts at all are a path of no steps."""

    def __init__(self, count: int, parts: Sequence[Path]) -> None:
        """Raises ValueError if a part does not describe ``count`` items."""
        if any(part.count != count for part in parts):
            raise ValueError(f"parts of a series of {count} describe {[part.count for part in parts]} items")
        self.count = count
        self.lengths = 0
        for part in parts:
            self.lengths = self.lengths + part.lengths
        self._parts = parts

    def write(self, steps: Steps, at: IntArray) -> None:
        for part in self._parts:
            part.write(steps, at)
            at = at + part.lengths


class Collected(Path):
    """A path that one item walks for all that are collected at a station while it is walked before."""

    def __init__(self, station: int, inside: Path) -> None:
        self.count, self.lengths = inside.count, inside.lengths + 2
        self._station, self._inside = station, inside

    def write(self, steps: Steps, at: IntArray) -> None:
        end = at + self._inside.lengths + 1
        steps.op[at], steps.op[end] = COLLECT, RELEASE
        steps.arg[at] = steps.arg[end] = self._station
        steps.work[at] = end - at
        self._inside.write(steps, at + 1)


class Choice(Path):
    """One path for the items that ``chosen`` marks, another for the rest."""

    def __init__(self, chosen: BoolArray, yes: Path, no: Path) -> None:
        self.count = chosen.size
        self.lengths = np.empty(self.count, dtype=np.int64)
        self._ways = [(yes, np.flatnonzero(chosen)), (no, np.flatnonzero(~chosen))]
        for path, items in self._ways:
            self.lengths[items] = path.lengths

    def write(self, steps: Steps, at: IntArray) -> None:
        for path, items in self._ways:
            path.write(steps, at[items])


def fork(child: Path, counts: IntArray) -> Path:
    """Each item's children side by side: it goes on when the last has ended.

    ``counts`` of shape (items,) says how many of the child paths, in order, belong to each item. A single
    child is walked by the item itself.
    """
    if child.count == counts.size and bool((counts == 1).all()):
        return child
    return _Fork(child, counts)


def quorum(child: Path, counts: IntArray, needed: IntArray) -> Path:
    """Each item's children side by side: it goes on when as many as are ``needed``, shape (items,), have ended.

    Those that are not waited for go their own way from then on. All else is as with `fork`.
    """
    if bool((needed >= counts).all()):
        return fork(child, counts)
    return _Fork(child, counts, needed)


class _Fork(Path):
    def __init__(self, child: Path, counts: IntArray, needed: IntArray | None = None) -> None:
        self.count = counts.size
        self._needed = counts if needed is None else needed
        self._child, self._counts = child, counts
        blocks = np.broadcast_to(np.asarray(child.lengths) + 2, (child.count,))
        self._single = counts == 1
        self._offsets, totals = _side_by_side(blocks, counts)
        self.lengths = np.where(self._single, totals - 2, totals + (counts > 0))

    def write(self, steps: Steps, at: IntArray) -> None:
        several = self._counts > 1
        steps.op[at[several]] = np.where(self._needed[several] < self._counts[several], QUORUM, SPLIT)
        steps.arg[at[several]] = self._counts[several]
        steps.work[at[several]] = np.where(self._needed < self._counts, self._needed, 0)[several]
        begin = np.repeat(at, self._counts) + self._offsets
        alone = np.repeat(self._single, self._counts)
        heads = begin[~alone] + 1
        steps.op[heads] = BRANCH
        steps.arg[heads] = np.broadcast_to(np.asarray(self._child.lengths) + 1, begin.shape)[~alone]
        self._child.write(steps, np.where(alone, begin, begin + 2))


class FewestPresent(Path):
    """Each item goes along one of its children: the one at whose pool fewest are present when it comes there."""

    def __init__(self, child: Path, counts: IntArray, pool: IntArray) -> None:
        """``counts`` of shape (items,), at least 1, says how many belong to each item; ``pool`` is that of each."""
        self.count = counts.size
        self._child, self._counts, self._pool = child, counts, pool
        blocks = np.broadcast_to(np.asarray(child.lengths) + 2, (child.count,))
        self._offsets, totals = _side_by_side(blocks, counts)
        self.lengths = totals + 1

    def write(self, steps: Steps, at: IntArray) -> None:
        steps.op[at] = CHOOSE
        steps.arg[at] = self._counts
        begin = np.repeat(at, self._counts) + self._offsets + 1
        lengths = np.asarray(self._child.lengths)
        steps.op[begin], steps.arg[begin], steps.work[begin] = BRANCH, lengths + 1, self._pool
        jump = begin + lengths + 1
        steps.op[jump] = JUMP
        steps.arg[jump] = np.repeat(at + self.lengths, self._counts) - jump
        self._child.write(steps, begin + 1)


class InTurn(Path):
    """Each item's children one after the other."""

    def __init__(self, child: Path, counts: IntArray) -> None:
        """``counts`` of shape (items,) says how many of the child paths belong to each item."""
        self.count = counts.size
        self._child, self._counts = child, counts
        blocks = np.broadcast_to(np.asarray(child.lengths), (child.count,))
        self._offsets, self.lengths = _side_by_side(blocks, counts)

    def write(self, steps: Steps, at: IntArray) -> None:
        self._child.write(steps, np.repeat(at, self._counts) + self._offsets)


class Behind(Path):
    """Each item's children go their own way, detached, and are waited for by nobody."""

    def __init__(self, child: Path, counts: IntArray) -> None:
        """``counts`` of shape (items,) says how many of the child paths belong to each item."""
        self.count = counts.size
        self._child, self._counts = child, counts
        blocks = np.broadcast_to(np.asarray(child.lengths) + 2, (child.count,))
        self._offsets, self.lengths = _side_by_side(blocks, counts)

    def write(self, steps: Steps, at: IntArray) -> None:
        heads = np.repeat(at, self._counts) + self._offsets
        steps.op[heads] = DETACH
        steps.arg[heads] = np.asarray(self._child.lengths) + 1
        self._child.write(steps, heads + 1)


def _side_by_side(blocks: IntArray, counts: IntArray) -> tuple[IntArray, IntArray]:
    """Offset of each child's block within its item, and the length of all blocks of each item."""
    ends = np.concatenate([[0], np.cumsum(blocks)])
    last = np.cumsum(counts)
    offsets = ends[:-1] - np.repeat(ends[last - counts], counts)
    return offsets, ends[last] - ends[last - counts]
