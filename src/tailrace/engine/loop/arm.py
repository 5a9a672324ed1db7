"""An arm that chooses: what happens when a way arrives, when an access has been served, and while it reads on.

It does, in the same order and the same arithmetic, what the `ArmStation` of the reference engine does.
"""

from __future__ import annotations

from numpy import uintp as place

from tailrace.arrays import FloatArray
from tailrace.engine.loop.compilation import compiled, inlined
from tailrace.engine.loop.layout import Arrays, Place, Record
from tailrace.engine.loop.stations import starts
from tailrace.physics import arm, read_ahead

APART, CONTINUES, CONTINUES_LATE = arm.APART, arm.CONTINUES, arm.CONTINUES_LATE

choose = compiled(arm.choose)
positioning_s = compiled(arm.positioning_s)
read_so_far, holder = compiled(read_ahead.read_so_far), compiled(read_ahead.holder)
hit, angle_at, begin = compiled(read_ahead.hit), compiled(read_ahead.angle_at), compiled(read_ahead.begin)
continuing_s, stop = compiled(read_ahead.continuing_s), compiled(read_ahead.stop)
keep, drop = compiled(read_ahead.keep), compiled(read_ahead.drop)


@compiled
def arm_arrives(loop: Record, arrays: Arrays, at: Place, number: Place, pc: Place) -> None:
    """A way arrives at the station ``at`` and waits, for no time at all if the arm is idle."""
    station, access = arrays.stations[at], arrays.access[place(pc)]
    slot = arrays.order[station.at + station.waiting]
    station.waiting += 1
    station.waiting_s -= loop.now
    arrays.ways[number].since_s = loop.now
    arrays.owner[slot] = number
    arrays.candidates[0, slot] = loop.now
    arrays.candidates[1, slot] = access.start
    arrays.candidates[2, slot] = access.target
    arrays.candidates[3, slot] = access.angle
    arrays.candidates[4, slot] = access.settle_s
    if station.free > 0:
        station.free = 0
        station.busy_s -= loop.now
        _serve_next(loop, arrays, station, False)


@compiled
def arm_served(loop: Record, arrays: Arrays, at: Place, pc: Place) -> None:
    """The access of the step ``pc`` has been served by the station ``at``."""
    station = arrays.stations[at]
    if arrays.kinds[station.kind].segments > 0:
        _keep(loop, arrays, station, pc)
    if station.waiting > 0:
        _serve_next(loop, arrays, station, True)
    else:
        station.free = 1
        station.busy_s += loop.now


@compiled
def _serve_next(loop: Record, arrays: Arrays, station: Record, at_service_end: bool) -> None:
    """The arm picks among those that wait."""
    order, first, waiting = arrays.order, station.at, station.waiting
    arrived, start, target = arrays.candidates[0], arrays.candidates[1], arrays.candidates[2]
    angle, settle_s = arrays.candidates[3], arrays.candidates[4]
    kind = arrays.kinds[station.kind]
    edges, a = arrays.curves[0, station.kind], arrays.curves[1, station.kind]
    b, c = arrays.curves[2, station.kind], arrays.curves[3, station.kind]
    rest_s = -1.0
    if kind.segments > 0 and not at_service_end:
        rest_s = _stop_reading(loop, arrays, station)
    pick = choose(
        kind.rule,
        loop.now,
        waiting,
        order[first : first + waiting],
        arrived,
        start,
        target,
        angle,
        settle_s,
        station.head,
        station.end,
        at_service_end,
        kind.age_limit_s,
        kind.turns_per_s,
        station.phase,
        edges,
        a,
        b,
        c,
    )
    slot = order[first + pick]
    for later in range(first + pick, first + waiting - 1):
        order[place(later)] = order[place(later + 1)]
    order[first + waiting - 1] = slot
    station.waiting -= 1
    number = arrays.owner[slot]
    pc = arrays.ways[number].pc
    access = arrays.access[pc]
    if rest_s >= 0.0:
        service_s = rest_s
    else:
        continues = APART
        if start[slot] == station.end:
            continues = CONTINUES if at_service_end else CONTINUES_LATE
        position_s = positioning_s(
            loop.now,
            station.head,
            target[slot],
            angle[slot],
            settle_s[slot],
            continues,
            kind.turns_per_s,
            station.phase,
            edges,
            a,
            b,
            c,
        )
        service_s = position_s + arrays.steps[pc].work
    station.head = target[slot]
    station.end = access.end
    if kind.segments > 0 and access.ahead < 0.0:
        low, high, used = _segments(arrays, station)
        drop(access.start, access.end, low, high, used)
    starts(loop, arrays, station, number, service_s)


# Reading on: see `physics.read_ahead`


@inlined
def _segments(arrays: Arrays, station: Record) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The columns ``low``, ``high`` and ``used`` of an arm's segments."""
    count = arrays.kinds[station.kind].segments
    columns = arrays.segments
    return columns[0, station.arm, :count], columns[1, station.arm, :count], columns[2, station.arm, :count]


@compiled
def arm_answers(loop: Record, arrays: Arrays, at: Place, pc: Place) -> bool:
    """Whether an access that arrives is a hit; it may send an idle arm to read on."""
    station, access = arrays.stations[at], arrays.access[place(pc)]
    kind = arrays.kinds[station.kind]
    if kind.segments == 0 or access.ahead < 0.0:
        return False
    now, reading, start, end = loop.now, arrays.reading[station.arm], access.start, access.end
    low, high, used = _segments(arrays, station)
    read_so_far(now, reading, low, high)
    segment = holder(start, end, low, high)
    if segment < 0:
        return False
    if hit(now, segment, station.free > 0, start, end, access.ahead, reading, high, used):
        station.head, station.end = stop(now, station.head, station.end, reading, high)
        here, transfer_s = high[segment], arrays.steps[place(pc)].work
        from_s = now + positioning_s(
            now,
            station.head,
            access.target,
            angle_at(here, start, end, access.angle, transfer_s, kind.turns_per_s),
            access.settle_s,
            CONTINUES_LATE if here == station.end else APART,
            kind.turns_per_s,
            station.phase,
            arrays.curves[0, station.kind],
            arrays.curves[1, station.kind],
            arrays.curves[2, station.kind],
            arrays.curves[3, station.kind],
        )
        begin(now, from_s, here, segment, start, end, access.ahead, transfer_s, access.target, reading, high)
    return True


@compiled
def _stop_reading(loop: Record, arrays: Arrays, station: Record) -> float:
    """The arm, idle till now, is needed by the one that waits: what its service takes if it continues, or -1."""
    reading = arrays.reading[station.arm]
    low, high, _ = _segments(arrays, station)
    read_so_far(loop.now, reading, low, high)
    pc = arrays.ways[arrays.owner[arrays.order[station.at]]].pc
    access, seconds = arrays.access[pc], -1.0
    if access.ahead >= 0.0:
        transfer_s = arrays.steps[pc].work
        seconds = continuing_s(loop.now, access.start, access.end, transfer_s, reading, low, high)
    station.head, station.end = stop(loop.now, station.head, station.end, reading, high)
    return seconds


@compiled
def _keep(loop: Record, arrays: Arrays, station: Record, pc: Place) -> None:
    """A read that may be followed by others has been served: its bytes stay, and an arm not needed reads on."""
    access = arrays.access[place(pc)]
    if access.ahead <= 0.0:
        return
    reading, start, end = arrays.reading[station.arm], access.start, access.end
    low, high, used = _segments(arrays, station)
    segment = keep(start, end, access.ahead, reading, low, high, used)
    if station.waiting == 0:
        transfer_s = arrays.steps[place(pc)].work
        now = loop.now
        begin(now, now, end, segment, start, end, access.ahead, transfer_s, station.head, reading, high)
