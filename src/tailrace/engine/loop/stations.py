"""First come first served, and sharing in both its forms: what happens when a way arrives, and when a service ends.

They do, in the same order and the same arithmetic, what the stations of the reference engine do.
"""

from __future__ import annotations

from typing import Any

from numpy import int64
from numpy import uintp as place

from tailrace.engine.loop.agenda import schedule
from tailrace.engine.loop.compilation import compiled, inlined
from tailrace.engine.loop.heap import rise, sink
from tailrace.engine.loop.layout import INDEX_MASK, NONE, NUMBER_SHIFT, SERVED, TIMED, Arrays, Place, Record
from tailrace.physics import flow
from tailrace.plan.columns import WRITE

pace, in_use = compiled(flow.pace), compiled(flow.in_use)


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
def starts(loop: Record, arrays: Arrays, station: Record, number: Place, service_s: float) -> None:
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
    starts(loop, arrays, station, number, arrays.steps[way.pc].work)


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


# Sharing at a rate that depends on the number present


@inlined
def _flow_advances(loop: Record, station: Record) -> None:
    elapsed = loop.now - station.changed_s
    present = station.waiting
    station.changed_s = loop.now
    if present > 0:
        station.virtual += elapsed * station.head
        station.busy_s += elapsed * station.end
        station.waiting_s += elapsed * (present - present * station.head)


@inlined
def _set_flow_timer(loop: Record, arrays: Arrays, number: Place) -> None:
    station = arrays.stations[number]
    present: Any = int64(station.waiting)
    writing, drawn = station.joined, station.permits
    reads, writes = arrays.totals[0, station.kind], arrays.totals[1, station.kind]
    last = arrays.lasts[station.kind]
    station.head = pace(present, writing, drawn, reads, writes, last)
    station.end = in_use(present, writing, drawn, station.head, reads, writes, last)
    delay_s = (arrays.shares[station.at].instant - station.virtual) / station.head
    station.timer = schedule(loop, arrays, max(0.0, delay_s), number, TIMED)


@compiled
def flow_arrives(loop: Record, arrays: Arrays, number: Place, way: Place, work_s: float) -> None:
    """A way arrives at the station ``number``; the step before says of what kind it is, and what it draws."""
    station = arrays.stations[number]
    _flow_advances(loop, station)
    arrays.ways[way].since_s = loop.now
    key = loop.number << NUMBER_SHIFT | int64(way)
    rise(arrays.shares, station.at, station.waiting, station.virtual + work_s, key)
    drawn = arrays.steps[arrays.ways[way].pc - 1]
    station.waiting += 1
    if drawn.arg == WRITE:
        station.joined += 1
    station.permits += drawn.work
    _set_flow_timer(loop, arrays, number)


@compiled
def flow_leaves(loop: Record, arrays: Arrays, number: Place) -> Place:
    """The timer of the station ``number`` goes off: the way that leaves."""
    station = arrays.stations[number]
    _flow_advances(loop, station)
    head = arrays.shares[station.at]
    leaver: Place = head.key & INDEX_MASK
    way = arrays.ways[place(leaver)]
    drawn = arrays.steps[way.pc - 1]
    station.virtual = head.instant
    station.waiting -= 1
    if drawn.arg == WRITE:
        station.joined -= 1
    station.permits -= drawn.work
    if station.waiting > 0:
        last = arrays.shares[station.at + station.waiting]
        sink(arrays.shares, station.at, station.waiting, last.instant, last.key)
        _set_flow_timer(loop, arrays, number)
    else:
        station.virtual = 0.0
        station.timer = -1
    work_s = arrays.steps[way.pc].work
    way.wait_s[station.stage] += max(0.0, loop.now - way.since_s - work_s)
    way.service_s[station.stage] += work_s
    way.pc += 1
    return leaver
