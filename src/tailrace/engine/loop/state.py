"""The state of a run: the arrays of the loop, filled from a plan, fed with chunks, made larger when full."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tailrace.engine.loop.ahead import Planner
from tailrace.engine.loop.layout import (
    ACCESS,
    CHUNK,
    CLOSED,
    CYCLE,
    ENTRY,
    FINISHED,
    HEAP_MARGIN,
    HEAP_OFFSET,
    KIND,
    LAPPED,
    LOOP,
    MOST_WAYS,
    NONE,
    QUEUE,
    ROW,
    SOURCE,
    STATION,
    STEP,
    WANTS_ROW,
    WAY,
    Arrays,
    Records,
)
from tailrace.engine.loop.transfer import put_rows, put_steps
from tailrace.physics.arm import NOWHERE
from tailrace.physics.read_ahead import NO_SEGMENT, NOT_READING
from tailrace.plan.build import Plan
from tailrace.plan.columns import Steps
from tailrace.plan.stations import Arm, Bank, Discipline, Stations

WAYS, EVENTS, CHUNKS, STEPS, FINISHED_AT_ONCE = 256, 1024, 64, 4096, 2048
"""Room at the start. So many finished requests fit the processor's second cache."""

SHARES, CANDIDATES = 16, 32
"""Room at the start for those who are present at a ps station or wait at a ranked pool, and who wait for an arm."""

LINE_BYTES = 64


def aligned(count: int, record: np.dtype[Any]) -> Records:
    """Zeroed records that begin at a cache line."""
    # numpy asks for huge pages where memory is not zeroed by the system, and these matter at random access.
    block = np.empty(count * record.itemsize + LINE_BYTES, dtype=np.uint8)
    block.fill(0)
    offset = -block.ctypes.data % LINE_BYTES
    return block[offset : offset + count * record.itemsize].view(record)


def enlarged(records: Records, count: int) -> Records:
    """The records, with room for at least ``count``: if they are too few, twice as many or more."""
    if count <= records.size:
        return records
    larger = aligned(max(count, 2 * records.size), records.dtype)
    larger[: records.size] = records
    return larger


class Shelf:
    """Hands out stretches of an array, each a power of two long, and takes them back."""

    def __init__(self) -> None:
        self.end = 0
        self._returned: dict[int, list[int]] = {}

    def take(self, count: int) -> int:
        """The first place of a stretch of at least ``count``; ``end`` is the end of the last one."""
        length = 1 << max(count - 1, 0).bit_length()
        returned = self._returned.get(length)
        if returned:
            return returned.pop()
        self.end += length
        return self.end - length

    def put_back(self, at: int, count: int) -> None:
        """Take back the stretch at ``at`` that was handed out for ``count``."""
        self._returned.setdefault(1 << max(count - 1, 0).bit_length(), []).append(at)


@dataclass(frozen=True)
class _Stretch:
    """Where the rows and steps of a chunk are."""

    row: int
    rows: int
    step: int
    steps: int


class State:
    """The state before the first event, and the loop's needs met: :meth:`feed` and the methods ``more_...``."""

    def __init__(self, plan: Plan, requests: int, most_present: int | None, with_laps: bool) -> None:
        sources = [plan.open_source, *plan.closed]
        self._planner = Planner(sources, requests)
        self._chunks: list[_Stretch] = []
        self._unused_chunks: list[int] = []
        self._row_shelf, self._step_shelf = Shelf(), Shelf()
        self.loops = np.zeros(1, LOOP)
        self.loop = self.loops[0]
        ranks = sorted(set(plan.priorities)) or [0]
        slots = len(plan.slots)
        cycles = np.zeros(max(slots, 1), CYCLE)
        if slots:
            cycles["source"], cycles["client"] = np.array(plan.slots).T + np.array([[1], [0]])
        shares, candidates, stations = _stations(plan.stations)
        banks = [bank for bank in plan.stations.banks if bank.arm is not None]
        kinds, curves = _kinds([bank.arm for bank in banks if bank.arm is not None])
        totals, lasts = _totals(plan.stations)
        arms = sum(bank.count for bank in banks)
        segments = max((bank.arm.segments for bank in banks if bank.arm is not None), default=0)
        queues = np.zeros(len(plan.stations) * len(ranks), QUEUE)
        queues["first"] = NONE
        self.arrays = Arrays(
            calendar=aligned(EVENTS, ENTRY),
            ways=aligned(0, WAY),
            rows=aligned(STEPS, ROW),
            steps=aligned(STEPS, STEP),
            access=aligned(STEPS if plan.stations.have_arms else 0, ACCESS),
            chunks=np.zeros(CHUNKS, CHUNK),
            dead=np.zeros(CHUNKS, dtype=np.uint32),
            sources=np.zeros(len(sources), SOURCE),
            cycles=cycles,
            class_rank=np.array([ranks.index(each) for each in plan.priorities] or [0], dtype=np.uint32),
            stations=stations,
            queues=queues,
            shares=aligned(shares + HEAP_OFFSET + HEAP_MARGIN, ENTRY),
            kinds=kinds,
            curves=curves,
            totals=totals,
            lasts=lasts,
            order=np.arange(candidates, dtype=np.uint32),
            owner=np.zeros(candidates, dtype=np.uint32),
            candidates=np.zeros((5, candidates)),
            reading=np.tile(NOT_READING, (arms, 1)),
            segments=np.broadcast_to(np.reshape(NO_SEGMENT, (3, 1, 1)), (3, arms, segments)).copy(),
            finished=aligned(FINISHED_AT_ONCE, FINISHED),
            laps=np.zeros(FINISHED_AT_ONCE, LAPPED),
        )
        loop = self.loop
        loop["ready"] = loop["ready_last"] = loop["unused"] = NONE
        loop["open_number"] = loop["next_mark"] = -1
        loop["ranks"] = len(ranks)
        loop["wanted"] = loop["missing"] = requests
        loop["lapped"] = requests if with_laps else 0
        loop["most_present"] = np.iinfo(np.int64).max if most_present is None else most_present
        self.more_ways(max(slots, WAYS))
        if plan.open_source is not None:
            self._open()
        if slots:
            self._start_cycles(slots)

    def _open(self) -> None:
        """Schedule the first open arrival, before anything else."""
        self.feed(0)
        source, loop = self.arrays.sources[0], self.loop
        loop["open_row"], loop["open_chunk"] = source["next"], source["chunk"]
        loop["open_s"] = self.arrays.rows["gap_s"][source["next"]]
        loop["open_number"], loop["number"] = 0, 1
        source["next"] += 1

    def _start_cycles(self, count: int) -> None:
        """Give each cycle of the closed clients a way of its own, and make these ready in order."""
        ways, loop = self.arrays.ways[:count], self.loop
        ways["state"], ways["sort"], ways["cycle"] = WANTS_ROW, CLOSED, np.arange(count)
        loop["unused"] = ways["link"][-1]
        loop["unused_count"] -= count
        ways["link"][-1] = NONE
        loop["ready"], loop["ready_last"] = 0, count - 1

    def feed(self, number: int) -> None:
        """Bring in the next chunk of a source, in the place of chunks that are done with."""
        self._forget_chunks()
        chunk = self._planner.next_chunk(number)
        rows, steps = len(chunk), chunk.steps.op.size
        row, step = self._row_shelf.take(rows), self._step_shelf.take(steps)
        self._enlarge(rows=self._row_shelf.end, steps=self._step_shelf.end)
        self._put_steps(chunk.steps, step)
        put_rows(
            self.arrays.rows,
            row,
            step,
            chunk.first,
            chunk.client,
            chunk.class_index,
            chunk.kind,
            chunk.size_bytes,
            chunk.gap_s,
        )
        stretch = _Stretch(row, rows, step, steps)
        if self._unused_chunks:
            place = self._unused_chunks.pop()
            self._chunks[place] = stretch
        else:
            place = len(self._chunks)
            self._chunks.append(stretch)
            self._enlarge(chunks=place + 1)
            if place >= self.arrays.dead.size:
                dead = np.resize(self.arrays.dead, self.arrays.chunks.size)
                self.arrays = self.arrays._replace(dead=dead)
        self.arrays.chunks["live"][place] = rows
        self.arrays.sources[number] = (row, row + rows, place)

    def close(self) -> None:
        """Nothing more is needed."""
        self._planner.close()

    def _forget_chunks(self) -> None:
        for place in self.arrays.dead[: self.loop["dead_count"]].tolist():
            stretch = self._chunks[place]
            self._row_shelf.put_back(stretch.row, stretch.rows)
            self._step_shelf.put_back(stretch.step, stretch.steps)
            self._unused_chunks.append(place)
        self.loop["dead_count"] = 0

    def _put_steps(self, steps: Steps, at: int) -> None:
        put_steps(self.arrays.steps, at, steps.op, steps.arg, steps.work)
        if steps.access is not None:
            self._enlarge(access=self.arrays.steps.size)
            access = self.arrays.access[at : at + steps.op.size]
            for name in ("target", "angle", "settle_s", "start", "end", "ahead"):
                access[name] = getattr(steps.access, name)

    def _enlarge(self, **counts: int) -> None:
        for name, count in counts.items():
            records = getattr(self.arrays, name)
            if count > records.size:
                self.arrays = self.arrays._replace(**{name: enlarged(records, count)})

    def more_events(self) -> None:
        """Twice the room in the calendar."""
        self._enlarge(calendar=2 * self.arrays.calendar.size)

    def more_ways(self, count: int) -> bool:
        """Room for ``count`` more ways, or twice that of before: whether it could be had."""
        before = self.arrays.ways.size
        if before + count > MOST_WAYS:
            return False
        self._enlarge(ways=min(max(before + count, 2 * before), MOST_WAYS))
        ways = self.arrays.ways
        ways["link"][before:-1] = np.arange(before + 1, ways.size)
        ways["link"][-1] = self.loop["unused"]
        self.loop["unused"] = before
        self.loop["unused_count"] += ways.size - before
        return True

    def more_places(self, number: int) -> None:
        """Twice the room at a ps station, ranked pool or arm: its part of the shared arrays moves behind all others."""
        station = self.arrays.stations[number]
        at, room = int(station["at"]), int(station["room"])
        if station["discipline"] != Discipline.ARM:
            end = self.arrays.shares.size - HEAP_MARGIN
            shares = aligned(end + 2 * room + HEAP_MARGIN, ENTRY)
            shares[:end] = self.arrays.shares[:end]
            shares[end : end + room] = shares[at : at + room]
            self.arrays = self.arrays._replace(shares=shares)
        else:
            arrays, end = self.arrays, self.arrays.order.size
            part, fresh = slice(at, at + room), np.arange(end + room, end + 2 * room, dtype=np.uint32)
            order = np.concatenate([arrays.order, arrays.order[part] - at + end, fresh], dtype=np.uint32)
            owner = np.concatenate([arrays.owner, arrays.owner[part], fresh])
            columns = arrays.candidates
            candidates = np.hstack([columns, columns[:, part], np.zeros((5, room))])
            self.arrays = arrays._replace(order=order, owner=owner, candidates=candidates)
        station["at"], station["room"] = end, 2 * room


def _stations(stations: Stations) -> tuple[int, int, Records]:
    """Places for those present at ps stations or waiting at ranked pools, for those waiting for arms; the stations."""
    records = aligned(len(stations), STATION)
    records["discipline"] = stations.per_station("discipline")
    records["stage"] = stations.per_station("stage")
    records["servers"] = records["free"] = records["permits"] = stations.per_station("servers")
    records["timer"] = -1
    records["ranked"] = stations.per_station("ranked")
    shares = np.isin(records["discipline"], (Discipline.PS, Discipline.FLOW))
    shared = np.flatnonzero(shares | (records["ranked"] > 0))
    records["at"][shared] = HEAP_OFFSET + SHARES * np.arange(shared.size)
    records["room"][shared] = SHARES
    arms = np.flatnonzero(records["discipline"] == Discipline.ARM)
    records["at"][arms] = CANDIDATES * np.arange(arms.size)
    records["room"][arms] = CANDIDATES
    records["arm"][arms] = np.arange(arms.size)
    records["end"] = NOWHERE
    kind = 0
    for bank in stations.banks:
        if bank.arm is not None:
            part = slice(bank.first, bank.first + bank.count)
            records["phase"][part] = bank.arm.phase
            records["kind"][part] = kind
            kind += 1
    for place, bank in enumerate(_flows(stations)):
        part = slice(bank.first, bank.first + bank.count)
        records["kind"][part] = place
        records["permits"][part] = records["head"][part] = records["end"][part] = 0.0
    return SHARES * shared.size, CANDIDATES * arms.size, records


def _flows(stations: Stations) -> list[Bank]:
    return [bank for bank in stations.banks if bank.flow is not None]


def _totals(stations: Stations) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """What all present are given together, all of the length of the longest, and how long each is."""
    flows = [bank.flow.totals for bank in _flows(stations) if bank.flow is not None]
    lasts = np.array([each.shape[1] for each in flows], dtype=np.int64)
    totals = np.zeros((2, len(flows), max(lasts, default=0)))
    for place, each in enumerate(flows):
        totals[:, place, : each.shape[1]] = each
    return totals, lasts


def _kinds(arms: list[Arm]) -> tuple[Records, np.ndarray[Any, Any]]:
    """What the arms of each bank have in common, and their seek curves, all of the length of the longest."""
    kinds = np.zeros(len(arms), KIND)
    curves = np.zeros((4, len(arms), max((arm.edges.size for arm in arms), default=0)))
    # The last piece reaches as far as any distance: the pieces behind it are never looked at.
    curves[0] = np.inf
    for number, arm in enumerate(arms):
        kinds[number] = (arm.rule, arm.turns_per_s, arm.age_limit_s, arm.segments)
        pieces = arm.edges.size
        curves[0, number, : pieces - 1] = arm.edges[:-1]
        for place, column in enumerate((arm.a, arm.b, arm.c), start=1):
            curves[place, number, :pieces] = column
    return kinds, curves
