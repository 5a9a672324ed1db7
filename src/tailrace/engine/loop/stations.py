"""The disciplines: what happens at a station when a way arrives, and when a service ends.

They do, in the same order and the same arithmetic, what the stations of the reference engine do.
"""

from __future__ import annotations

from typing import Any

from numpy import int64
from numpy import uintp as place

from tailrace.engine.loop.agenda import make_ready, schedule
from tailrace.engine.loop.compilation import compiled, inlined
from tailrace.engine.loop.heap import rise, sink
from tailrace.engine.loop.layout import INDEX_MASK, NONE, NUMBER_SHIFT, SERVED, TIMED, Arrays, Place, Record
from tailrace.physics import arm
from tailrace.plan.columns import TAKE

APART, CONTINUES, CONTINUES_LATE = arm.APART, arm.CONTINUES, arm.CONTINUES_LATE

choose = compiled(arm.choose)
positioning_s = compiled(arm.positioning_s)


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


@inlined
def arm_arrives(loop: Record, arrays: Arrays, station: Record, number: Place, pc: Place) -> None:
    """A way arrives and waits, for no time at all if the arm is idle."""
    access = arrays.access[place(pc)]
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


@inlined
def arm_serves(loop: Record, arrays: Arrays, station: Record, at_service_end: bool) -> None:
    """The arm picks among those that wait."""
    order, first, waiting = arrays.order, station.at, station.waiting
    arrived, start, target = arrays.candidates[0], arrays.candidates[1], arrays.candidates[2]
    angle, settle_s = arrays.candidates[3], arrays.candidates[4]
    kind = arrays.kinds[station.kind]
    edges, a = arrays.curves[0, station.kind], arrays.curves[1, station.kind]
    b, c = arrays.curves[2, station.kind], arrays.curves[3, station.kind]
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
    number = arrays.owner[slot]
    pc = arrays.ways[number].pc
    station.head = target[slot]
    station.end = arrays.access[pc].end
    _start(loop, arrays, station, number, position_s + arrays.steps[pc].work)


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
        granted = arrays.steps[way.pc].work
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
    way = arrays.ways[number]
    station.permits -= granted
    station.busy_s -= granted * loop.now
    station.waiting_s += loop.now
    station.waiting -= 1
    way.wait_s[station.stage] += loop.now - way.since_s
    way.pc += 1
    make_ready(loop, arrays, number)
