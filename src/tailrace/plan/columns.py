"""The columns in which a plan reaches an engine: rows (requests) and the steps of their paths.

A path is a run of steps that ends with END. SPLIT k is followed by k branches, each BRANCH n and then n steps of
which the last is END; the path goes on behind the last branch when all of them have ended. DETACH n is followed
by n steps, the last END, that go their own way. Lengths instead of pointers: a path can be walked in order.
TAKE and GIVE move as many permits of a pool as ``work`` says. TAKE_RANKED takes one, and ``work`` is its rank: in a
pool that is declared ranked, those who wait go by rank, lower first, and then in the order in which they joined; there
a TAKE counts as rank 0. Elsewhere ranks count for nothing. LAP k, on the path of a transaction, is where its step k
(from 0) is done; it takes no time. DRAW k stands right before a visit to a station of discipline FLOW, and takes no
time either: the request is of the kind k there (READ or WRITE), and draws as much of the byte rate as ``work`` says.

What lies between COLLECT and RELEASE of a station is done by one way for many. While it is under way, others wait at
their COLLECT; at the RELEASE those that were collected for it go on behind their own, ``work`` steps after the COLLECT,
and all that have come meanwhile, up to as many as the station has servers, are collected for the next: the first of
them walks on, through its own steps. No such stretch lies within another of the same station.

QUORUM k is a SPLIT k that goes on when as many of its branches have ended as ``work`` says; the others go their own way
from then on. CHOOSE k is followed by k alternatives, each BRANCH n and then n steps of which the last is a JUMP: the
one is walked at whose pool, whose number stands as ``work`` of its BRANCH, fewest permits are taken at that instant
(the first of those where they are as few). JUMP n goes on n steps further.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from tailrace.arrays import BoolArray, FloatArray, IntArray

END, VISIT, TAKE, GIVE, SPLIT, BRANCH, DETACH, TAKE_RANKED, LAP, COLLECT, RELEASE, DRAW = range(12)
QUORUM, CHOOSE, JUMP = range(12, 15)

READ, WRITE = 0, 1


class Stage(IntEnum):
    """The four places that a request passes."""

    NETWORK = 0
    CONTROLLER = 1
    LANE = 2
    MEDIA = 3


STAGES = ("network", "controller", "lane", "media")


@dataclass(frozen=True)
class Access:
    """What an arm must know of a visit, one entry a visit: shares of the stroke and turn, seconds, bytes.

    ``ahead`` is how many bytes the arm may read on behind a read. On a drive with segments it is `A_WRITE` of
    :mod:`tailrace.physics.read_ahead` for writes; on others it means nothing.
    """

    target: FloatArray
    angle: FloatArray
    settle_s: FloatArray
    start: FloatArray
    end: FloatArray
    ahead: FloatArray

    def columns(self) -> tuple[FloatArray, ...]:
        """The columns in the order in which they are declared."""
        return (self.target, self.angle, self.settle_s, self.start, self.end, self.ahead)


@dataclass
class Steps:
    """Steps in columns, shape (number of steps,). ``work`` is seconds of service, permits, a rank, a share, the
    steps from a COLLECT to its RELEASE, the branches that a QUORUM waits for, or the pool of an alternative.

    ``arg`` is the station or pool, the number of branches, the length to jump, or a kind. The arm's columns are None
    where no station is an arm.
    """

    op: NDArray[np.uint8]
    arg: NDArray[np.int32]
    work: FloatArray
    access: Access | None = None

    @classmethod
    def empty(cls, count: int, with_access: bool) -> Steps:
        """Room for ``count`` steps, each END until something is written over it."""
        access = None
        if with_access:
            floats = (np.zeros(count), np.zeros(count), np.zeros(count))
            access = Access(*floats, np.full(count, -1.0), np.full(count, -1.0), np.zeros(count))
        return cls(
            np.full(count, END, dtype=np.uint8), np.zeros(count, dtype=np.int32), np.zeros(count), access
        )

    def at(self, places: IntArray | slice) -> Steps:
        """The steps at the given places."""
        access = self.access and Access(*(column[places] for column in self.access.columns()))
        return Steps(self.op[places], self.arg[places], self.work[places], access)

    def takes(self) -> BoolArray:
        """Which steps take permits."""
        return np.asarray((self.op == TAKE) | (self.op == TAKE_RANKED))

    def permits(self) -> FloatArray:
        """The permits that a step takes or gives; of steps that do neither it means nothing."""
        return np.where(self.op == TAKE_RANKED, 1.0, self.work)

    @classmethod
    def joined(cls, parts: Sequence[Steps]) -> Steps:
        """The steps of several blocks, one after the other. All of them have the arm's columns, or none has."""
        accesses = [part.access.columns() for part in parts if part.access is not None]
        return cls(
            np.concatenate([part.op for part in parts]),
            np.concatenate([part.arg for part in parts]),
            np.concatenate([part.work for part in parts]),
            Access(*map(np.concatenate, zip(*accesses, strict=True))) if accesses else None,
        )


@dataclass
class Chunk:
    """A block of consecutive rows of one source, with their paths.

    All row columns have the shape (rows,): ``first`` is the row's first step; ``gap_s`` the time since the
    previous arrival of the source (open) or the think time before the issue (closed); ``kind`` READ or WRITE.
    """

    first: IntArray
    gap_s: FloatArray
    class_index: NDArray[np.uint16]
    client: NDArray[np.uint32]
    size_bytes: IntArray
    kind: NDArray[np.uint8]
    steps: Steps

    def __len__(self) -> int:
        return self.first.size

    def parts(self, rows: int) -> list[Chunk]:
        """The same rows in blocks of so many, the last of what is left."""
        ends = np.append(self.first, self.steps.op.size)
        cut = []
        for begin in range(0, len(self), rows):
            mine = slice(begin, min(begin + rows, len(self)))
            cut.append(
                Chunk(
                    self.first[mine] - ends[mine.start],
                    self.gap_s[mine],
                    self.class_index[mine],
                    self.client[mine],
                    self.size_bytes[mine],
                    self.kind[mine],
                    self.steps.at(slice(int(ends[mine.start]), int(ends[mine.stop]))),
                )
            )
        return cut


def one_visit_each(visits: Steps) -> Chunk:
    """A block of rows, each with one of the visits as its whole path, to station 0 and without any gap."""
    rows = visits.op.size
    steps = Steps.empty(2 * rows, visits.access is not None)
    steps.op[::2], steps.work[::2] = VISIT, visits.work
    if steps.access is not None and visits.access is not None:
        for column, values in zip(steps.access.columns(), visits.access.columns(), strict=True):
            column[::2] = values
    return bare_rows(np.arange(0, 2 * rows, 2), steps)


def bare_rows(first: IntArray, steps: Steps) -> Chunk:
    """Reads of nothing by one client of one class, without any gap, whose paths begin at ``first``."""
    none = np.zeros(first.size, dtype=np.int64)
    kind = np.full(first.size, READ, dtype=np.uint8)
    return Chunk(first, none.astype(float), none.astype(np.uint16), none.astype(np.uint32), none, kind, steps)
