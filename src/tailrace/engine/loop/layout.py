"""How the compiled engine keeps its state: one array of records for each kind of thing.

All that belongs to one way, station or step lies side by side in memory, so that a visit touches few cache lines
however many requests are under way. Things refer to each other by their places in these arrays; NONE is no place.
"""

from __future__ import annotations

from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tailrace.arrays import FloatArray

Records: TypeAlias = NDArray[Any]
"""An array of records of one of the types below."""

Record: TypeAlias = Any
"""One record, its fields read and written as attributes (compiled code only)."""

Place: TypeAlias = int
"""A place in an array: compiled code keeps it in 32 bits without sign, or in 64."""

Places: TypeAlias = NDArray[Any]

NONE = 2**32 - 1


def _record(*fields: tuple[Any, ...], size_bytes: int | None = None) -> np.dtype[Any]:
    """A record type, its fields aligned, filled up to ``size_bytes`` where that is given."""
    fitted = np.dtype(list(fields), align=True)
    if size_bytes is None:
        return fitted
    assert fitted.fields is not None
    assert fitted.itemsize <= size_bytes
    names = [field[0] for field in fields]
    formats, offsets = [fitted.fields[name][0] for name in names], [fitted.fields[name][1] for name in names]
    return np.dtype({"names": names, "formats": formats, "offsets": offsets, "itemsize": size_bytes})


OPEN, CLOSED, BRANCH, DETACHED, MEMBER, QUORUM = range(6)
"""Sorts of ways: a request of the open source or of a closed client, a branch of a split, a detached way; a branch of a
quorum, and the quorum itself, which stands between them and the way that waits: ``link`` is how many of them are under
way, ``pc`` how many are still waited for."""

WALKS, ISSUES, WANTS_ROW = range(3)
"""States of a way: on its path; a request that is about to be issued; a cycle that is about to take a row."""

WAY = _record(
    ("pc", "u4"),  # the step at which it is
    (
        "link",
        "u4",
    ),  # the way behind it in the queue in which it stands, or the number of branches it waits for
    ("owner", "u4"),  # the row of a request, the parent of a branch, the quorum of a member
    ("chunk", "u4"),
    ("cycle", "u4"),
    ("rank", "u2"),  # the place of its class's priority among all priorities
    ("sort", "u1"),
    ("state", "u1"),
    ("order", "i8"),  # the number of the request by arrival
    ("issued_s", "f8"),
    ("since_s", "f8"),  # arrival at the station or pool where it is
    ("wait_s", "f8", (4,)),
    ("service_s", "f8", (4,)),
    size_bytes=128,
)

STEP = _record(("op", "u1"), ("arg", "u4"), ("work", "f8"))
ACCESS = _record(
    ("target", "f8"), ("angle", "f8"), ("settle_s", "f8"), ("start", "f8"), ("end", "f8"), ("ahead", "f8")
)

ROW = _record(
    ("first", "u4"),  # its first step
    ("client", "u4"),
    ("class_index", "u2"),
    ("kind", "u1"),
    ("size_bytes", "i8"),
    ("gap_s", "f8"),
    size_bytes=32,
)

# Rows and steps come in chunks. One can be forgotten when none of its rows or detached ways is under way.
CHUNK = _record(("live", "i8"))

# A source of rows: at hand are the places next .. last - 1, all of one chunk.
SOURCE = _record(("next", "u4"), ("last", "u4"), ("chunk", "u4"))

# A cycle of a closed client: issue, complete, think, issue.
CYCLE = _record(("source", "u4"), ("client", "u4"))

STATION = _record(
    ("discipline", "u1"),
    ("stage", "u1"),
    ("ranked", "u1"),  # pool: whether those who wait go by rank
    ("kind", "u4"),  # arm: see KIND; flow: its place among the totals
    ("servers", "i4"),
    ("free", "i4"),  # fcfs, arm: servers that are free; bulk: places
    ("waiting", "i4"),  # ways that wait; ps, flow: ways that are present
    (
        "at",
        "u4",
    ),  # ps, flow, ranked pool, arm: the first place of its part of an array that such stations share ...
    ("room", "i4"),  # ... and the number of places in it
    ("arm", "u4"),  # arm: its place among all arms
    ("timer", "i8"),  # ps, flow: the key of the live timer
    ("busy_s", "f8"),
    ("waiting_s", "f8"),
    ("virtual", "f8"),  # ps, flow
    ("changed_s", "f8"),  # ps, flow
    ("permits", "f8"),  # pool: those that are free; flow: shares of the byte rate that are drawn
    ("joined", "i8"),  # ranked pool: takes that have had to wait so far; flow: writes that are present
    ("head", "f8"),  # arm; flow: the pace of each that is present
    ("end", "f8"),  # arm: the address at which its last request ended; flow: the share in use
    ("phase", "f8"),  # arm
    size_bytes=128,
)

# A queue of ways in order of arrival; a station has one for each rank.
QUEUE = _record(("first", "u4"), ("last", "u4"))

# What the arms of a bank have in common.
KIND = _record(("rule", "i8"), ("turns_per_s", "f8"), ("age_limit_s", "f8"), ("segments", "i8"))

# An entry of a calendar: an instant, and a key that tells its number, whom it is for, and what happens. The bits of
# the instant read as an integer have the same order, for instants from 0 on, and compare in a third of the time.
ENTRY = np.dtype(
    {
        "names": ["instant", "bits", "key"],
        "formats": ["f8", "i8", "i8"],
        "offsets": [0, 0, 8],
        "itemsize": 16,
    }
)

NUMBER_SHIFT, INDEX_SHIFT = 26, 2
INDEX_MASK, EVENT_MASK = 2**24 - 1, 3
GOES_ON, SERVED, TIMED = range(3)
"""Events: a delay or a think time is over; so is a service; the timer of a ps station goes off."""

MOST_WAYS = 2**24

HEAP_OFFSET, HEAP_MARGIN = 3, 8
"""A heap starts at this place of its array, so that four siblings share a cache line; entries left over behind it."""

FINISHED = _record(
    ("order", "i8"),
    ("size_bytes", "i8"),
    ("client", "u4"),
    ("class_index", "u2"),
    ("kind", "u1"),
    ("arrival_s", "f8"),
    ("completion_s", "f8"),
    ("wait_s", "f8", (4,)),
    ("service_s", "f8", (4,)),
)
"""A request that has completed; ``order`` is its number by arrival, the rest as in `Observations`."""

LAPPED = _record(
    ("order", "i8"),
    ("step", "u4"),
    ("at_s", "f8"),
    ("wait_s", "f8", (4,)),
    ("service_s", "f8", (4,)),
)
"""A transaction has done a step: its number by arrival, the step, the instant, and what it has been charged so far."""

# Where the loop stands.
LOOP = _record(
    ("now", "f8"),
    ("number", "i8"),  # of the next event to be scheduled
    ("size", "i8"),  # of the calendar
    ("hole", "i8"),  # 1 if its root is empty: the event that was taken from it last has no successor yet
    ("ready", "u4"),  # the first and last way that can go on without time passing
    ("ready_last", "u4"),
    ("unused", "u4"),  # the first place in ``ways`` that is free, and how many are
    ("unused_count", "i4"),
    (
        "open_s",
        "f8",
    ),  # the next open arrival: its instant, number (-1 if there is no open class), row and chunk
    ("open_number", "i8"),
    ("open_row", "u4"),
    ("open_chunk", "u4"),
    ("ranks", "i8"),
    ("dead_count", "u4"),
    ("finished_count", "u4"),
    ("asked", "u4"),  # what a code is about
    ("arrived", "i8"),
    ("completed", "i8"),
    ("detached", "i8"),
    ("wanted", "i8"),  # requests to be observed, and how many of them have not completed
    ("missing", "i8"),
    ("lapped", "i8"),  # requests whose steps are noted, and how many notes there are
    ("lapped_count", "u4"),
    ("next_mark", "i8"),  # the request at whose arrival the state is asked for
    ("most_present", "i8"),
)


class Arrays(NamedTuple):
    """All arrays that the loop works on."""

    calendar: Records
    ways: Records
    rows: Records
    steps: Records
    access: Records
    chunks: Records
    dead: Places  # chunks to be forgotten
    sources: Records
    cycles: Records
    class_rank: Places
    stations: Records
    queues: Records
    shares: Records  # ps, flow: entries of virtual time; ranked pools: of ranks
    kinds: Records
    curves: FloatArray  # (4, kinds, pieces): edges, a, b, c
    totals: FloatArray  # (2, flow banks, numbers present): what all are given together, reads and writes
    lasts: Places  # (flow banks,): the numbers present for which there are totals
    order: Places  # arms: those that wait in order of arrival, then the places that are free
    owner: Places  # arms: the way that waits at a place
    candidates: FloatArray  # (5, places): arrival, then start, target, angle and settle time of the access
    reading: FloatArray  # (arms, fields): what each arm reads on, as in `physics.read_ahead`
    segments: FloatArray  # (3, arms, segments): low, high and used of what it has read
    finished: Records
    laps: Records


(
    CARRY_ON,
    DONE,
    GIVEN_UP,
    STUCK,
    MARK,
    PAUSE,
    FULL,
    NEEDS_ROWS,
    NEEDS_WAYS,
    NEEDS_CALENDAR,
    NEEDS_STATION,
) = range(11)
"""What the loop wants when it returns: nothing is lost when it is called again."""
