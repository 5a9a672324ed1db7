"""The disciplines: what happens at a station when a way arrives, and when a service ends.

They do, in the same order and the same arithmetic, what the stations of the reference engine do.
"""

from __future__ import annotations

from typing import Any

from numpy import int64
from numpy import uintp as place

from tailrace.arrays import FloatArray
from tailrace.engine.loop.agenda import make_ready, schedule
from tailrace.engine.loop.compilation import compiled, inlined
from tailrace.engine.loop.heap import rise, sink
from tailrace.engine.loop.layout import INDEX_MASK, NONE, NUMBER_SHIFT, SERVED, TIMED, Arrays, Place, Record
from tailrace.physics import arm, read_ahead
from tailrace.plan.columns import TAKE

APART, CONTINUES, CONTINUES_LATE = arm.APART, arm.CONTINUES, arm.CONTINUES_LATE

choose = compiled(arm.choose)
positioning_s = compiled(arm.positioning_s)
read_so_far, holder = compiled(read_ahead.read_so_far), compiled(read_ahead.holder)
hit, angle_at, begin = compiled(read_ahead.hit), compiled(read_ahead.angle_at), compiled(read_ahead.begin)
continuing_s, stop = compiled(read_ahead.continuing_s), compiled(read_ahead.stop)
keep, drop = compiled(read_ahead.keep), compiled(read_ahead.drop)


@inlined
def queue_up(loop: Record, arrays: Arrays, station: Record, queue: Place, number: Place) -> None:
    """A way stands at the end of a queue."""
    way, line = arrays.ways[number], arrays.queues[place(queue)]
    station.waiting_s -= loop.now
    station.waiting += 1
    way.since_s = loop.now
    way.link = NONE
    if line.first == NONE:
        line.first = number
    else:
        arrays.ways[line.last].link = number
    line.last = number


@inlined
def _start(loop: Record, arrays: Arrays, station: Record, number: Place, service_s: float) -> None:
    """The service of a way that has waited starts."""
    way = arrays.ways[number]
    station.waiting_s += loop.now
    way.wait_s[station.stage] += loop.now - way.since_s
    way.service_s[station.stage] += service_s
    schedule(loop, arrays, service_s, number, SERVED)


# First come, first served, by rank


@inlined
def fcfs_arrives(
    loop: Record, arrays: Arrays, station: Record, queue: Place, number: Place, work_s: float
) -> None:
    """A way arrives; ``queue`` is that of its rank."""
    if station.free == 0:
        queue_up(loop, arrays, station, queue, number)
        return
    station.free -= 1
    station.busy_s -= loop.now
    arrays.ways[number].service_s[station.stage] += work_s
    schedule(loop, arrays, work_s, number, SERVED)


@inlined
def fcfs_served(loop: Record, arrays: Arrays, station: Record, queue: Place) -> None:
    """A service ends; ``queue`` is that of the first rank."""
    if station.waiting == 0:
        station.free += 1
        station.busy_s += loop.now
        return
    station.waiting -= 1
    while arrays.queues[place(queue)].first == NONE:
        queue += 1
    line = arrays.queues[place(queue)]
    number = line.first
    way = arrays.ways[number]
    line.first = way.link
    _start(loop, arrays, station, number, arrays.steps[way.pc].work)


# Processor sharing


@inlined
def _advance(loop: Record, station: Record) -> None:
    """Bring virtual time, and the integrals, up to now."""
    elapsed = loop.now - station.changed_s
    present, servers = station.waiting, station.servers
    station.changed_s = loop.now
    if present > servers:
        station.virtual += elapsed / (present / servers)
        station.busy_s += servers * elapsed
        station.waiting_s += (present - servers) * elapsed
    elif present > 0:
        station.virtual += elapsed
        station.busy_s += present * elapsed


@inlined
def _set_timer(loop: Record, arrays: Arrays, number: Place) -> None:
    station = arrays.stations[number]
    present, servers = station.waiting, station.servers
    delay_s = arrays.shares[station.at].instant - station.virtual
    if present > servers:
        delay_s *= present / servers
    station.timer = schedule(loop, arrays, max(0.0, delay_s), number, TIMED)


@inlined
def ps_arrives(loop: Record, arrays: Arrays, number: Place, way: Place, work_s: float) -> None:
    """A way arrives at the station ``number``."""
    station = arrays.stations[number]
    _advance(loop, station)
    arrays.ways[way].since_s = loop.now
    key = loop.number << NUMBER_SHIFT | int64(way)
    rise(arrays.shares, station.at, station.waiting, station.virtual + work_s, key)
    station.waiting += 1
    _set_timer(loop, arrays, number)


@inlined
def ps_leaves(loop: Record, arrays: Arrays, number: Place) -> Place:
    """The timer of the station ``number`` goes off: the way that leaves."""
    station = arrays.stations[number]
    _advance(loop, station)
    head = arrays.shares[station.at]
    leaver: Place = head.key & INDEX_MASK
    station.virtual = head.instant
    station.waiting -= 1
    if station.waiting > 0:
        last = arrays.shares[station.at + station.waiting]
        sink(arrays.shares, station.at, station.waiting, last.instant, last.key)
        _set_timer(loop, arrays, number)
    else:
        station.virtual = 0.0
        station.timer = -1
    way = arrays.ways[place(leaver)]
    work_s = arrays.steps[way.pc].work
    way.wait_s[station.stage] += max(0.0, loop.now - way.since_s - work_s)
    way.service_s[station.stage] += work_s
    way.pc += 1
    return leaver


# An arm


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
    _start(loop, arrays, station, number, service_s)


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


# A pool of permits


@inlined
def takes(loop: Record, station: Record, permits: float) -> bool:
    """Take permits if they are free and nobody waits: whether that is so."""
    if station.waiting == 0 and station.permits >= permits:
        station.permits -= permits
        station.busy_s -= permits * loop.now
        return True
    return False


@inlined
def queue_up_ranked(loop: Record, arrays: Arrays, station: Record, number: Place, rank: float) -> None:
    """A way waits for permits of a ranked pool, where there is room."""
    station.waiting_s -= loop.now
    arrays.ways[number].since_s = loop.now
    key = station.joined << NUMBER_SHIFT | int64(number)
    station.joined += 1
    rise(arrays.shares, station.at, station.waiting, rank, key)
    station.waiting += 1


@inlined
def gives(loop: Record, arrays: Arrays, station: Record, queue: Place, permits: float) -> None:
    """Permits come back; those who waited for them become ready, in order."""
    station.permits += permits
    station.busy_s += permits * loop.now
    if station.ranked:
        _grant_ranked(loop, arrays, station)
        return
    line = arrays.queues[place(queue)]
    while station.waiting > 0:
        number = line.first
        way = arrays.ways[number]
        step = arrays.steps[way.pc]
        granted = step.work if step.op == TAKE else 1.0
        if granted > station.permits:
            break
        line.first = way.link
        _grant(loop, arrays, station, number, granted)


@inlined
def _grant_ranked(loop: Record, arrays: Arrays, station: Record) -> None:
    while station.waiting > 0:
        number: Any = place(arrays.shares[station.at].key & INDEX_MASK)
        step = arrays.steps[arrays.ways[number].pc]
        granted = step.work if step.op == TAKE else 1.0
        if granted > station.permits:
            break
        _grant(loop, arrays, station, number, granted)
        last = arrays.shares[station.at + station.waiting]
        sink(arrays.shares, station.at, station.waiting, last.instant, last.key)


@inlined
def _grant(loop: Record, arrays: Arrays, station: Record, number: Place, granted: float) -> None:
    """Permits go to the first of those who wait."""
    station.permits -= granted
    station.busy_s -= granted * loop.now
    _let_go_on(loop, arrays, station, number)


@inlined
def _let_go_on(loop: Record, arrays: Arrays, station: Record, number: Place) -> None:
    """A way has waited for long enough: it is charged, and goes on behind the step at which it is."""
    way = arrays.ways[number]
    station.waiting_s += loop.now
    station.waiting -= 1
    way.wait_s[station.stage] += loop.now - way.since_s
    way.pc += 1
    make_ready(loop, arrays, number)


# Bulk service


@inlined
def collects(loop: Record, station: Record) -> bool:
    """Walk on for itself if nothing is under way: whether that is so."""
    if station.free < station.servers:
        return False
    station.free -= 1
    station.busy_s -= loop.now
    return True


@inlined
def releases(loop: Record, arrays: Arrays, station: Record, queue: Place) -> None:
    """What was under way is done: those served along are through, and the first of all others walks on for them."""
    served = station.servers - station.free
    station.busy_s += served * loop.now
    for _ in range(served - 1):
        number = arrays.queues[place(queue)].first
        way = arrays.ways[number]
        way.pc += int64(arrays.steps[way.pc].work)
        _walks_on(loop, arrays, station, queue)
    collected = min(station.waiting, station.servers)
    station.free = station.servers - collected
    station.busy_s -= collected * loop.now
    if collected > 0:
        _walks_on(loop, arrays, station, queue)


@inlined
def _walks_on(loop: Record, arrays: Arrays, station: Record, queue: Place) -> None:
    """The first of those who wait goes on."""
    line = arrays.queues[place(queue)]
    number = line.first
    line.first = arrays.ways[number].link
    _let_go_on(loop, arrays, station, number)
