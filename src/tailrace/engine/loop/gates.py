"""Permits and bulk service: what happens when a way takes, gives back, waits to be collected or releases.

They do, in the same order and the same arithmetic, what the gates of the reference engine do.
"""

from __future__ import annotations

from typing import Any

from numpy import int64
from numpy import uintp as place

from tailrace.engine.loop.agenda import make_ready
from tailrace.engine.loop.compilation import inlined
from tailrace.engine.loop.heap import rise, sink
from tailrace.engine.loop.layout import INDEX_MASK, NUMBER_SHIFT, Arrays, Place, Record
from tailrace.plan.columns import TAKE

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
