"""The event loop: takes what comes next, and lets the way that it concerns walk until it must wait.

The ready list is emptied before the next event is taken. Before anything is done for which there is no room, the
loop puts the way concerned back where it came from and returns a code that says what it needs.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numpy import uint32
from numpy import uintp as place

from tailrace.engine.loop.agenda import (
    clear,
    close_hole,
    forget_way,
    new_way,
    put_back,
    schedule,
    send,
)
from tailrace.engine.loop.arm import arm_answers, arm_arrives, arm_served
from tailrace.engine.loop.compilation import compiled, inlined, kept, version_of_sources
from tailrace.engine.loop.gates import collects, gives, queue_up_ranked, releases, takes
from tailrace.engine.loop.joins import alternative, end_branch, end_member, leave_chunk, send_quorum
from tailrace.engine.loop.layout import (
    BRANCH,
    CARRY_ON,
    CLOSED,
    DETACHED,
    DONE,
    EVENT_MASK,
    FULL,
    GIVEN_UP,
    GOES_ON,
    HEAP_MARGIN,
    HEAP_OFFSET,
    INDEX_MASK,
    INDEX_SHIFT,
    ISSUES,
    MARK,
    MEMBER,
    NEEDS_CALENDAR,
    NEEDS_ROWS,
    NEEDS_STATION,
    NEEDS_WAYS,
    NONE,
    NUMBER_SHIFT,
    OPEN,
    PAUSE,
    SERVED,
    STUCK,
    TIMED,
    WALKS,
    WANTS_ROW,
    Arrays,
    Place,
    Record,
    Records,
)
from tailrace.engine.loop.noted import note_finished, note_lap
from tailrace.engine.loop.stations import (
    fcfs_arrives,
    fcfs_served,
    flow_arrives,
    flow_leaves,
    ps_arrives,
    ps_leaves,
    queue_up,
)
from tailrace.plan.columns import (
    CHOOSE,
    COLLECT,
    DETACH,
    DRAW,
    END,
    GIVE,
    JUMP,
    LAP,
    QUORUM,
    RELEASE,
    SPLIT,
    TAKE,
    TAKE_RANKED,
    VISIT,
)
from tailrace.plan.stations import Discipline

FCFS, PS, DELAY, FLOW = map(int, (Discipline.FCFS, Discipline.PS, Discipline.DELAY, Discipline.FLOW))

EVENTS_TO_PAUSE = 2**18
"""After so many events the loop returns for a moment: less than a second, so that it can be interrupted."""


@compiled
def _run(loops: Records, arrays: Arrays) -> int:
    loop = loops[0]
    for _ in range(EVENTS_TO_PAUSE):
        if loop.size + HEAP_OFFSET + HEAP_MARGIN > arrays.calendar.size:
            return NEEDS_CALENDAR
        number = loop.ready
        if number != NONE:
            loop.ready = arrays.ways[number].link
        else:
            code, number = _take_event(loop, arrays)
            if code != CARRY_ON:
                return code
            if number == NONE:
                continue
        way: Any = uint32(number)  # without sign, no care for negative places is due
        code = _go_on(loop, arrays, way)
        if code != CARRY_ON:
            return code
    return PAUSE


def _entry(version: int) -> Callable[[Records, Arrays], int]:
    @kept
    def run(loops: Records, arrays: Arrays) -> int:
        # What is kept on disk belongs to a version, because the function refers to it.
        version  # noqa: B018
        return _run(loops, arrays)

    return run


run = _entry(version_of_sources())
"""run(loops, arrays) -> code: goes on from where ``loops[0]`` stands until something is needed."""


@inlined
def _take_event(loop: Record, arrays: Arrays) -> tuple[int, Place]:
    """Take the next event out of the calendar: a code, and the way that can go on (NONE if there is none)."""
    close_hole(loop, arrays)
    opens = loop.open_number >= 0
    head = arrays.calendar[HEAP_OFFSET]
    if loop.size > 0:
        number = head.key >> NUMBER_SHIFT
        opens &= loop.open_s < head.instant or (loop.open_s == head.instant and loop.open_number < number)
    elif not opens:
        return STUCK, NONE
    if opens:
        return _arrive(loop, arrays)
    loop.now = head.instant
    loop.hole = 1
    key = head.key
    index, event = (key >> INDEX_SHIFT) & INDEX_MASK, key & EVENT_MASK
    if event == SERVED:
        way = arrays.ways[place(index)]
        number = arrays.steps[way.pc].arg
        station = arrays.stations[number]
        way.pc += 1
        if station.discipline == FCFS:
            fcfs_served(loop, arrays, station, number * loop.ranks)
        else:
            arm_served(loop, arrays, number, way.pc - 1)
    elif event == TIMED:
        if arrays.stations[place(index)].timer != key:
            return CARRY_ON, NONE
        if arrays.stations[place(index)].discipline == PS:
            index = ps_leaves(loop, arrays, index)
        else:
            index = flow_leaves(loop, arrays, index)
    return CARRY_ON, index


@inlined
def _arrive(loop: Record, arrays: Arrays) -> tuple[int, Place]:
    """An open arrival: the next one is scheduled, and a way made for this one."""
    source = arrays.sources[0]
    if source.next == source.last:
        loop.asked = 0
        return NEEDS_ROWS, NONE
    if loop.unused_count == 0:
        loop.asked = 1
        return NEEDS_WAYS, NONE
    loop.now = loop.open_s
    number = new_way(loop, arrays)
    way = arrays.ways[number]
    way.owner = loop.open_row
    way.chunk = loop.open_chunk
    way.cycle = NONE
    way.sort = OPEN
    way.state = ISSUES
    loop.open_row = source.next
    loop.open_chunk = source.chunk
    source.next += 1
    loop.open_s = loop.now + arrays.rows[loop.open_row].gap_s
    loop.open_number = loop.number
    loop.number += 1
    return CARRY_ON, number


@inlined
def _go_on(loop: Record, arrays: Arrays, number: Place) -> int:
    """Let a way go on until it must wait."""
    way = arrays.ways[place(number)]
    if way.state != WALKS:
        if way.state == WANTS_ROW:
            source = arrays.sources[arrays.cycles[way.cycle].source]
            if source.next == source.last:
                loop.asked = arrays.cycles[way.cycle].source
                put_back(loop, arrays, number)
                return NEEDS_ROWS
            way.owner = source.next
            way.chunk = source.chunk
            way.state = ISSUES
            source.next += 1
            think_s = arrays.rows[way.owner].gap_s
            if think_s > 0.0:
                schedule(loop, arrays, think_s, number, GOES_ON)
                return CARRY_ON
        if loop.arrived == loop.next_mark:
            put_back(loop, arrays, number)
            return MARK
        row = arrays.rows[way.owner]
        way.order = loop.arrived
        loop.arrived += 1
        if loop.arrived - loop.completed + loop.detached > loop.most_present:
            return GIVEN_UP
        way.issued_s = loop.now
        way.pc = row.first
        way.rank = arrays.class_rank[row.class_index]
        way.state = WALKS
        clear(way)
    return _walk(loop, arrays, number)


@inlined
def _walk(loop: Record, arrays: Arrays, number: Place) -> int:
    way = arrays.ways[place(number)]
    pc = way.pc
    while True:
        step = arrays.steps[place(pc)]
        op, arg = step.op, step.arg
        if op == VISIT:
            way.pc = pc
            return _visit(loop, arrays, number, arg, step.work)
        if op == END:
            way.pc = pc
            return _end(loop, arrays, number)
        if op in (TAKE, TAKE_RANKED):
            station = arrays.stations[arg]
            permits = step.work if op == TAKE else 1.0
            if not takes(loop, station, permits):
                way.pc = pc
                return _wait(loop, arrays, number, arg, 0.0 if op == TAKE else step.work)
            pc += 1
        elif op == GIVE:
            gives(loop, arrays, arrays.stations[arg], arg * loop.ranks, step.work)
            pc += 1
        elif op == COLLECT:
            station = arrays.stations[arg]
            if not collects(loop, station):
                way.pc = pc
                queue_up(loop, arrays, station, arg * loop.ranks, number)
                return CARRY_ON
            pc += 1
        elif op == RELEASE:
            releases(loop, arrays, arrays.stations[arg], arg * loop.ranks)
            pc += 1
        elif op == DRAW:  # read at the visit behind it
            pc += 1
        elif op == LAP:
            if way.order < loop.lapped:
                if loop.lapped_count == arrays.laps.size:
                    way.pc = pc
                    put_back(loop, arrays, number)
                    return FULL
                note_lap(loop, arrays, way, arg)
            pc += 1
        elif op == CHOOSE:
            pc = alternative(arrays, pc, arg) + 1
        elif op == JUMP:
            pc += arg
        elif op == QUORUM:
            way.pc = pc
            if loop.unused_count < arg + 1:
                loop.asked = arg + 1
                put_back(loop, arrays, number)
                return NEEDS_WAYS
            send_quorum(loop, arrays, number)
            return CARRY_ON
        else:
            sent = arg if op == SPLIT else 1
            if loop.unused_count < sent:
                way.pc = pc
                loop.asked = sent
                put_back(loop, arrays, number)
                return NEEDS_WAYS
            if op == DETACH:
                loop.detached += 1
                arrays.chunks[way.chunk].live += 1
                send(loop, arrays, number, DETACHED, pc + 1)
                pc += 1 + arg
            else:
                pc += 1
                for _ in range(sent):
                    send(loop, arrays, number, BRANCH, pc + 1)
                    pc += 1 + arrays.steps[place(pc)].arg
                way.pc = pc
                way.link = sent
                return CARRY_ON


@inlined
def _wait(loop: Record, arrays: Arrays, number: Place, at: Place, rank: float) -> int:
    """A way waits for permits of the pool ``at``."""
    station = arrays.stations[at]
    if not station.ranked:
        queue_up(loop, arrays, station, at * loop.ranks, number)
    elif station.waiting == station.room:
        loop.asked = at
        put_back(loop, arrays, number)
        return NEEDS_STATION
    else:
        queue_up_ranked(loop, arrays, station, number, rank)
    return CARRY_ON


@inlined
def _visit(loop: Record, arrays: Arrays, number: Place, at: Place, work_s: float) -> int:
    """A way arrives at the station ``at``."""
    way, station = arrays.ways[place(number)], arrays.stations[at]
    discipline = station.discipline
    if discipline == FCFS:
        fcfs_arrives(loop, arrays, station, at * loop.ranks + way.rank, number, work_s)
    elif discipline == DELAY:
        way.service_s[station.stage] += work_s
        way.pc += 1
        schedule(loop, arrays, work_s, number, GOES_ON)
    elif discipline != PS and discipline != FLOW and arm_answers(loop, arrays, at, way.pc):
        way.pc += 1
        schedule(loop, arrays, 0.0, number, GOES_ON)
    elif station.waiting == station.room:
        loop.asked = at
        put_back(loop, arrays, number)
        return NEEDS_STATION
    elif discipline == PS:
        ps_arrives(loop, arrays, at, number, work_s)
    elif discipline == FLOW:
        flow_arrives(loop, arrays, at, number, work_s)
    else:
        arm_arrives(loop, arrays, at, number, way.pc)
    return CARRY_ON


@inlined
def _end(loop: Record, arrays: Arrays, number: Place) -> int:
    """A way is at the END of its path."""
    way = arrays.ways[place(number)]
    if way.sort == BRANCH:
        end_branch(loop, arrays, way)
        forget_way(loop, arrays, number)
        return CARRY_ON
    if way.sort == MEMBER:
        end_member(loop, arrays, way)
        forget_way(loop, arrays, number)
        return CARRY_ON
    observed = way.sort != DETACHED and way.order < loop.wanted
    if observed and loop.finished_count == arrays.finished.size:
        put_back(loop, arrays, number)
        return FULL
    leave_chunk(loop, arrays, way.chunk)
    if way.sort == DETACHED:
        loop.detached -= 1
        forget_way(loop, arrays, number)
        return CARRY_ON
    loop.completed += 1
    if observed:
        note_finished(loop, arrays, way)
        loop.missing -= 1
        if loop.missing == 0:
            return DONE
    if way.sort == CLOSED:
        way.state = WANTS_ROW
        put_back(loop, arrays, number)
    else:
        forget_way(loop, arrays, number)
    return CARRY_ON
