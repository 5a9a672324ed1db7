"""What has the arm of a spinning drive read that nobody had asked for, and which reads does it answer?

After a read, if nothing waits, the arm reads on behind its end at the rate of that read, up to a limit, and stops when
a request needs the arm. What it has read, with the read itself, stays in one of the drive's segments: an interval of
addresses, the window of a stream. (Ruemmler and Wilkes, "An introduction to disk drive modeling", IEEE Computer 27(3),
1994, describes such buffers; the rules below are this project's.)

No event belongs to reading on: how far it has come follows from the clock whenever a request arrives.

- A read that arrives and lies wholly in a segment is a *hit*: it neither waits for the arm nor is served by it. What
  the arm reads on behind another segment goes on. If it reads on behind this very segment, the limit moves on with the
  hit; if it is idle and has read as far as it may, it turns to the end of this segment (seek, and the turn until the
  sector there comes round) and reads on.
- A read that finds the arm reading on, and begins in that segment or at its end and goes beyond it, is served by the
  arm at once, without positioning, and pays the rest of its bytes: its own transfer time by their share.
- Any other request that finds the arm reading on stops it, and is served from where the arm stands: over the first byte
  that was not read. A move to a segment that is stopped before its first byte comes round counts as not made.
- When a read has been served, its bytes extend the segment in which it begins, or at whose end it begins, or else take
  the place of the segment that was used longest ago. A segment holds at most the bytes of the read that was last served
  from it or into it and those that may be read on behind it: it loses its first bytes.
- A write drops the segments that hold any of its bytes, when its service starts.

Every engine uses these very functions, under the rules of :mod:`tailrace.physics.arm`: closed, over scalars and
indexable columns. Of a drive, the columns `low`, `high` and `used` have one entry a segment (addresses from `low` up to
`high`, and a number that is higher the later the segment was used); `reading` is what the arm is at, its fields
numbered below. They are changed in place, and begin as `NO_SEGMENT` and `NOT_READING` say.
"""

from collections.abc import MutableSequence
from math import inf
from typing import Any, TypeAlias

from numpy.typing import NDArray

Slots: TypeAlias = MutableSequence[float] | NDArray[Any]

A_WRITE = -1.0
"""What `plan.columns.Access.ahead` holds for a write on a drive with segments: the bytes read on behind a read are
zero or more."""

SEGMENT, FROM_S, BASE, RATE, LIMIT, WINDOW, TARGET, USED, BEGUN_S, SPENT_S = range(10)
"""The segment that the arm reads on (NOBODY for none); the instant from which on bytes pass, the address there, bytes
per second and the address at which it ends; the most bytes that the segment may hold; the share of the stroke; the
highest number in `used`; the instant at which the arm set out, and the seconds that it had spent so before."""

NOBODY = -1.0
NOT_READING = (NOBODY, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
NO_SEGMENT = (inf, -inf, 0.0)
"""`low`, `high` and `used` of a segment that holds nothing."""


def read_so_far(now_s: float, reading: Slots, low: Slots, high: Slots) -> None:
    """Bring the segment that the arm reads on up to now. To be called before any of the functions below."""
    if reading[SEGMENT] == NOBODY or now_s <= reading[FROM_S]:
        return
    segment = int(reading[SEGMENT])
    at = reading[BASE] + reading[RATE] * (now_s - reading[FROM_S])
    if at > reading[LIMIT]:
        at = reading[LIMIT]
    high[segment] = at
    if low[segment] < at - reading[WINDOW]:
        low[segment] = at - reading[WINDOW]


def holder(start: float, end: float, low: Slots, high: Slots) -> int:
    """The first segment that holds all bytes from `start` up to `end`, or -1."""
    for segment in range(len(low)):
        if low[segment] <= start and end <= high[segment]:
            return segment
    return -1


def hit(
    now_s: float,
    segment: int,
    idle: bool,
    start: float,
    end: float,
    ahead: float,
    reading: Slots,
    high: Slots,
    used: Slots,
) -> bool:
    """A read is answered from a segment: whether an idle arm turns to the end of that and reads on.

    It does if it has read as far as it may, or reads nothing, and there is anything to be read on behind the hit.
    """
    reading[USED] = reading[USED] + 1.0
    used[segment] = reading[USED]
    if not idle or ahead <= 0.0:
        return False
    limit = end + ahead
    at_work = int(reading[SEGMENT])
    if reading[SEGMENT] != NOBODY and (now_s < reading[FROM_S] or high[at_work] < reading[LIMIT]):
        if at_work == segment:
            reading[WINDOW] = ahead + (end - start)
            if limit > reading[LIMIT]:
                reading[LIMIT] = limit
        return False
    return limit > high[segment]


def angle_at(
    address: float, start: float, end: float, angle: float, transfer_s: float, turns_per_s: float
) -> float:
    """Angle in turns, whole ones included, of an address on the track of a read that starts at `angle`."""
    if end <= start:
        return angle
    return angle + (address - start) / (end - start) * transfer_s * turns_per_s


def begin(
    now_s: float,
    from_s: float,
    at: float,
    segment: int,
    start: float,
    end: float,
    ahead: float,
    transfer_s: float,
    target: float,
    reading: Slots,
    high: Slots,
) -> None:
    """The arm sets out, and at the address `at` from the instant `from_s` on reads on behind a read, as far as it may.

    What the segment holds beyond `at` passes once more before there is anything new.
    """
    limit = end + ahead
    known = high[segment]
    if transfer_s <= 0.0 or end <= start or limit <= known:
        reading[SEGMENT] = NOBODY
        return
    rate = (end - start) / transfer_s
    reading[SEGMENT] = segment
    reading[BEGUN_S] = now_s
    reading[FROM_S] = from_s + (known - at) / rate
    reading[BASE] = known
    reading[RATE] = rate
    reading[LIMIT] = limit
    reading[WINDOW] = ahead + (end - start)
    reading[TARGET] = target


def continuing_s(
    now_s: float, start: float, end: float, transfer_s: float, reading: Slots, low: Slots, high: Slots
) -> float:
    """Service of a read, not a hit, that begins in what the arm is reading this very moment, or -1 if it does not."""
    if reading[SEGMENT] == NOBODY or now_s < reading[FROM_S]:
        return -1.0
    segment = int(reading[SEGMENT])
    at = high[segment]
    if at >= reading[LIMIT] or start < low[segment] or start > at:
        return -1.0
    return transfer_s * ((end - at) / (end - start))


def stop(now_s: float, head: float, address: float, reading: Slots, high: Slots) -> tuple[float, float]:
    """The arm stops reading on: share of the stroke and address at which it stands, which were `head` and `address`."""
    if reading[SEGMENT] != NOBODY:
        until_s = reading[FROM_S] + (reading[LIMIT] - reading[BASE]) / reading[RATE]
        if until_s > now_s:
            until_s = now_s
        reading[SPENT_S] = reading[SPENT_S] + (until_s - reading[BEGUN_S])
        if now_s > reading[FROM_S]:
            head = reading[TARGET]
            address = high[int(reading[SEGMENT])]
    reading[SEGMENT] = NOBODY
    return head, address


def spent_s(now_s: float, reading: Slots) -> float:
    """Seconds up to now for which the arm has been reading on, ways there included, and not at its limit."""
    spent = float(reading[SPENT_S])
    if reading[SEGMENT] == NOBODY:
        return spent
    until_s = reading[FROM_S] + (reading[LIMIT] - reading[BASE]) / reading[RATE]
    return float(spent + (min(until_s, now_s) - reading[BEGUN_S]))


def keep(start: float, end: float, ahead: float, reading: Slots, low: Slots, high: Slots, used: Slots) -> int:
    """The segment into which a read goes that the arm has served."""
    segment = -1
    oldest = 0
    for each in range(len(low)):
        if low[each] <= start and start <= high[each]:
            segment = each
            break
        if used[each] < used[oldest]:
            oldest = each
    if segment < 0:
        segment = oldest
        low[segment] = start
        high[segment] = end
    elif high[segment] < end:
        high[segment] = end
    window = ahead + (end - start)
    if low[segment] < high[segment] - window:
        low[segment] = high[segment] - window
    reading[USED] = reading[USED] + 1.0
    used[segment] = reading[USED]
    return segment


def drop(start: float, end: float, low: Slots, high: Slots, used: Slots) -> None:
    """A write is served: segments that hold any of its bytes are forgotten."""
    for segment in range(len(low)):
        if low[segment] < end and start < high[segment]:
            low[segment] = inf
            high[segment] = -inf
            used[segment] = 0.0
