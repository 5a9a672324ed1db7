"""What comes next: the calendar, the list of the ways that are ready, and the store of ways."""

from __future__ import annotations

from numpy import int64

from tailrace.engine.loop.compilation import inlined
from tailrace.engine.loop.heap import rise, sink
from tailrace.engine.loop.layout import (
    HEAP_OFFSET,
    INDEX_SHIFT,
    NONE,
    NUMBER_SHIFT,
    WALKS,
    Arrays,
    Place,
    Record,
)


@inlined
def schedule(loop: Record, arrays: Arrays, delay_s: float, index: Place, event: int) -> int:
    """Enter an event into the calendar; its key.

    The entry of the event under way is left empty until now, since most events bring about just one other.
    """
    instant = loop.now + delay_s
    key: int = loop.number << NUMBER_SHIFT | int64(index) << INDEX_SHIFT | event
    loop.number += 1
    if loop.hole:
        loop.hole = 0
        sink(arrays.calendar, HEAP_OFFSET, loop.size, instant, key)
    else:
        rise(arrays.calendar, HEAP_OFFSET, loop.size, instant, key)
        loop.size += 1
    return key


@inlined
def close_hole(loop: Record, arrays: Arrays) -> None:
    """Take out the entry of the last event, if no other has been entered in its place."""
    if loop.hole:
        loop.hole = 0
        loop.size -= 1
        if loop.size > 0:
            last = arrays.calendar[HEAP_OFFSET + loop.size]
            sink(arrays.calendar, HEAP_OFFSET, loop.size, last.instant, last.key)


@inlined
def make_ready(loop: Record, arrays: Arrays, way: Place) -> None:
    """Put a way at the end of the ready list."""
    arrays.ways[way].link = NONE
    if loop.ready == NONE:
        loop.ready = way
    else:
        arrays.ways[loop.ready_last].link = way
    loop.ready_last = way


@inlined
def put_back(loop: Record, arrays: Arrays, way: Place) -> None:
    """Put a way at the front of the ready list: it goes on before anything else."""
    arrays.ways[way].link = loop.ready
    if loop.ready == NONE:
        loop.ready_last = way
    loop.ready = way


@inlined
def new_way(loop: Record, arrays: Arrays) -> Place:
    """A way from the store; there must be one."""
    way: Place = loop.unused
    loop.unused = arrays.ways[way].link
    loop.unused_count -= 1
    return way


@inlined
def forget_way(loop: Record, arrays: Arrays, way: Place) -> None:
    """Put a way back into the store."""
    arrays.ways[way].link = loop.unused
    loop.unused = way
    loop.unused_count += 1


@inlined
def send(loop: Record, arrays: Arrays, parent: Place, sort: int, pc: Place) -> None:
    """Send a new way from a step on, beside its parent; it starts when it is its turn."""
    number = new_way(loop, arrays)
    way, origin = arrays.ways[number], arrays.ways[parent]
    way.pc = pc
    way.owner = parent
    way.chunk = origin.chunk
    way.rank = origin.rank
    way.sort = sort
    way.state = WALKS
    clear(way)
    make_ready(loop, arrays, number)


@inlined
def clear(way: Record) -> None:
    """Nothing has been charged to the way so far."""
    for stage in range(4):
        way.wait_s[stage] = 0.0
        way.service_s[stage] = 0.0
