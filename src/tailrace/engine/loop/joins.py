"""Where ways part and meet: branches that end, quorums, and the choice among alternatives."""

from __future__ import annotations

from math import inf
from typing import Any

from numpy import uintp as place

from tailrace.engine.loop.agenda import forget_way, make_ready, new_way, send
from tailrace.engine.loop.compilation import compiled, inlined
from tailrace.engine.loop.layout import MEMBER, QUORUM, Arrays, Place, Record


@inlined
def end_branch(loop: Record, arrays: Arrays, way: Record) -> None:
    """A branch has ended: the one that ends last is the one that the request has waited for."""
    parent = arrays.ways[way.owner]
    parent.link -= 1
    if parent.link == 0:
        _go_on_behind(loop, arrays, way.owner, way)


@inlined
def _go_on_behind(loop: Record, arrays: Arrays, number: Place, last: Record) -> None:
    """A way has waited for the branch that ends now: it is charged what that was, and goes on."""
    parent = arrays.ways[number]
    for stage in range(4):
        parent.wait_s[stage] += last.wait_s[stage]
        parent.service_s[stage] += last.service_s[stage]
    make_ready(loop, arrays, number)


@compiled
def send_quorum(loop: Record, arrays: Arrays, number: Place) -> None:
    """Send the branches of the quorum at which a way stands; for these and the quorum there must be room.

    Not put where it is called, like what follows: rare, and the loop is faster for being small.
    """
    way = arrays.ways[place(number)]
    step = arrays.steps[place(way.pc)]
    between = new_way(loop, arrays)
    quorum = arrays.ways[place(between)]
    quorum.owner = number
    quorum.chunk = way.chunk
    quorum.rank = way.rank
    quorum.sort = QUORUM
    quorum.link = step.arg
    quorum.pc = place(step.work)
    arrays.chunks[way.chunk].live += 1
    pc = way.pc + 1
    for _ in range(step.arg):
        send(loop, arrays, between, MEMBER, pc + 1)
        pc += 1 + arrays.steps[place(pc)].arg
    way.pc = pc


@compiled
def alternative(arrays: Arrays, pc: Place, alternatives: int) -> Place:
    """Where the alternative begins at whose pool fewest are present, the first of them if there are several."""
    at: Any = place(pc + 1)
    chosen: Place = at
    least = inf
    for _ in range(alternatives):
        step = arrays.steps[at]
        pool = arrays.stations[place(step.work)]
        present = pool.servers - pool.permits
        if present < least:
            chosen, least = at, present
        at += place(1 + step.arg)
    return chosen


@compiled
def end_member(loop: Record, arrays: Arrays, way: Record) -> None:
    """A branch of a quorum has ended: the one that completes it is the one that the request has waited for."""
    quorum = arrays.ways[way.owner]
    quorum.link -= 1
    if quorum.pc == 0:  # nobody waits for it any more
        loop.detached -= 1
    else:
        quorum.pc -= 1
        if quorum.pc == 0:
            loop.detached += quorum.link
            _go_on_behind(loop, arrays, quorum.owner, way)
    if quorum.link == 0:
        leave_chunk(loop, arrays, quorum.chunk)
        forget_way(loop, arrays, way.owner)


@inlined
def leave_chunk(loop: Record, arrays: Arrays, number: Place) -> None:
    """One of those that keep a chunk is done with it."""
    chunk = arrays.chunks[number]
    chunk.live -= 1
    if chunk.live == 0:
        arrays.dead[loop.dead_count] = number
        loop.dead_count += 1
