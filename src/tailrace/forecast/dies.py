"""How much longer than service takes are dies of flash drives held, once all of them always have work?

A die keeps hold of what it does while it waits for its bus, so dies carry less than their service alone says: the
machines and the repairman. How much less depends on how regularly programs, copies and reads come to the bus, so it is
found by a short closed run of one drive's dies and buses, with nothing else in the way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.engine.choice import at_hand, runner
from tailrace.plan.build import Plan, sample_requests
from tailrace.plan.columns import (
    DETACH,
    END,
    GIVE,
    TAKE,
    TAKE_RANKED,
    VISIT,
    Chunk,
    Stage,
    Steps,
    bare_rows,
)
from tailrace.plan.source import Source
from tailrace.plan.stations import Bank, Dies, Discipline, Stations
from tailrace.scenario.tables.scenario import Scenario

JOBS = 8192
"""Jobs of dies that pass before the micro-run is measured, and at least as many while it is."""

PROGRAMS, PROGRAMS_A_DIE = 256, 3
"""Programs in the write buffer, in all or for each die, with which the micro-run is content: more of them carry no
more, and only take longer to settle."""

READS_BESIDE, READS_ALONE = 4, 32
"""Reads for each die: beside programs, which keep all dies at work, a few will do."""

ERROR = 0.0075
"""Relative error of what dies can carry as the micro-run finds it (by trial against long runs of whole drives)."""


@dataclass(frozen=True)
class _Jobs:
    """What dies have to do for requests of one class, each a stretch of steps of its block.

    A job is a read or a program with all its slices, and the copies that a program sets in motion. ``begin`` and
    ``end``, shape (jobs,), are the first step and the one behind the last; ``per_request`` is how many there are, and
    ``random`` says whether the class goes to places at random.
    """

    steps: Steps
    begin: IntArray
    end: IntArray
    per_request: float
    random: bool


@lru_cache(maxsize=16)
def stretch_of_dies(scenario: Scenario, seed: int, first: int) -> float:
    """Mean time for which a die is held over the mean service meanwhile, where all dies of a drive have work.

    Of the bank of dies that begins with the station ``first``. Jobs of the open classes and rebuilds, as their rates
    mix them, are put to a single drive, which has always enough of them. 1 where nothing is asked. Found to ``ERROR``.
    """
    stations, chunks = sample_requests(scenario, seed)
    bank, disciplines = stations.bank_of(first), stations.per_station("discipline")
    jobs, rates = list[_Jobs](), list[float]()
    for factor, classes in ((scenario.load, scenario.workload), (1.0, scenario.background)):
        for workload in classes:
            found = _jobs(chunks[workload.name], bank, workload.pattern == "random")
            if workload.is_open and found.begin.size:
                jobs.append(found)
                rates.append(workload.rate_at(factor) * found.per_request)
    if not jobs:
        return 1.0
    return _stretch(*_mixed(jobs, np.array(rates)), bank, disciplines, seed)


def _jobs(chunk: Chunk, bank: Bank, random: bool) -> _Jobs:
    steps = chunk.steps
    mine = (steps.arg >= bank.first) & (steps.arg < bank.first + bank.count)
    takes, gives = np.flatnonzero(steps.takes() & mine), np.flatnonzero((steps.op == GIVE) & mine)
    copies = _copies(steps, gives)
    behind = np.zeros(steps.op.size + 1, dtype=np.int64)
    np.add.at(behind, copies, 1)
    np.subtract.at(behind, copies + steps.arg[copies], 1)
    own = np.cumsum(behind)[takes] == 0
    takes, gives = takes[own], gives[own]
    # What follows at once on the same die is the rest of a program.
    goes_on = (takes[1:] == gives[:-1] + 1) & (steps.arg[takes[1:]] == steps.arg[takes[:-1]])
    begin = takes[np.append(True, ~goes_on)[: takes.size]]
    end = gives[np.append(~goes_on, True)[: takes.size]] + 1
    follows = np.zeros(steps.op.size + 1, dtype=np.int64)
    follows[:-1][steps.op == GIVE] = 1
    follows[copies] = steps.arg[copies] + 1
    while (further := follows[end]).any():
        end = end + further
    return _Jobs(steps, begin, end, begin.size / len(chunk), random)


def _copies(steps: Steps, gives: IntArray) -> IntArray:
    """Where ways are detached right behind a program: at its end, at the room that it gives back, or one another."""
    at = np.flatnonzero(steps.op == DETACH)
    ends = set(gives.tolist())
    found = []
    for begin in at.tolist():
        last = begin - 1
        while last >= 0 and last not in ends and steps.op[last] == GIVE:
            last -= 1
        if last in ends:
            found.append(begin)
            ends.add(begin + int(steps.arg[begin]))
    return np.array(found, dtype=np.int64)


def _mixed(jobs: Sequence[_Jobs], rates: FloatArray) -> tuple[Steps, IntArray, IntArray, BoolArray]:
    """Jobs of several classes in one row, as many of each as their rates say and evenly spread.

    The steps of all, first step and end of each job, and which are of classes that go to places at random.
    """
    steps = Steps.joined([each.steps for each in jobs])
    offsets = np.cumsum([0, *(each.steps.op.size for each in jobs)])
    places, columns = list[FloatArray](), list[IntArray]()
    for each, share, offset in zip(jobs, rates / rates.sum(), offsets, strict=False):
        count = each.begin.size if len(jobs) == 1 else max(round(share * JOBS), 1)
        taken = np.arange(count) % each.begin.size
        places.append((np.arange(count) + 0.5) / count)
        ends = (each.begin[taken] + offset, each.end[taken] + offset)
        columns.append(np.stack([*ends, np.full(count, each.random)]))
    order = np.argsort(np.concatenate(places), kind="stable")
    begin, end, random = np.concatenate(columns, axis=1)[:, order]
    return steps, begin, end, random > 0


def _stretch(
    steps: Steps,
    begin: IntArray,
    end: IntArray,
    random: BoolArray,
    bank: Bank,
    disciplines: IntArray,
    seed: int,
) -> float:
    assert bank.dies is not None
    drive, count = bank.dies, begin.size
    programs = (steps.op[begin] == TAKE_RANKED) & (steps.work[begin] > 0)
    held = min(drive.programs, max(PROGRAMS_A_DIE * drive.each, PROGRAMS))
    reads_a_die = READS_ALONE if not programs.any() else READS_BESIDE if not programs.all() else 0
    present = reads_a_die * drive.each + (held if programs.any() else 0)
    jobs = _OneDrive(
        _written(steps, begin, end, programs, bank, disciplines), programs, random, drive, present, seed
    )
    stations = Stations()
    stations.add("die", Stage.MEDIA, Discipline.TOKEN, count=drive.each, ranked=True)
    bus = stations.add("bus", Stage.MEDIA, Discipline.FCFS, count=drive.channels)
    cell = stations.add("cell", Stage.MEDIA, Discipline.FCFS, drive.each)  # one for each die: nobody waits
    stations.add("room", Stage.MEDIA, Discipline.TOKEN, held)
    plan = Plan(stations, ("",), (0,), None, (jobs,), tuple((0, 0) for _ in range(present)))
    rounds = max(-(-JOBS // count), 1)
    marks = runner(at_hand())(plan, requests=2 * rounds * count, marks=3).marks
    served_s = marks.busy_s[:, bus : cell + 1].sum(axis=1)
    # Reads alone may leave a die idle here, but not where any number of them waits.
    held_s = drive.each * marks.time_s if programs.any() else marks.busy_s[:, :bus].sum(axis=1)
    return float((held_s[2] - held_s[1]) / (served_s[2] - served_s[1]))


def _written(
    steps: Steps, begin: IntArray, end: IntArray, programs: BoolArray, bank: Bank, disciplines: IntArray
) -> Chunk:
    """Jobs as paths over one drive: stations 0 on are its dies, then come the buses, the cells and the room.

    Room is taken before each program and given back behind it. What is not done while a die is held takes no time.
    """
    assert bank.dies is not None
    cell = bank.dies.each + bank.dies.channels
    room = cell + 1
    lengths = end - begin + 3
    first = np.cumsum(lengths) - lengths
    last = first + lengths - 2
    within = np.repeat(begin - first - 1, lengths) + np.arange(lengths.sum())
    within[first], within[last], within[last + 1] = begin, begin, begin
    made = steps.at(within)
    for at, op in ((first, TAKE), (last, GIVE)):
        made.op[at], made.arg[at], made.work[at] = VISIT, -1, 0.0
        made.op[at[programs]], made.work[at[programs]] = op, 1.0
    made.op[last + 1] = END

    takes, gives = made.takes(), made.op == GIVE
    at_die = (made.arg >= bank.first) & (made.arg < bank.first + bank.count) & (takes | gives)
    number = (made.arg - bank.first) % bank.dies.each
    number = number[np.maximum.accumulate(np.where(at_die & takes, np.arange(number.size), 0))]
    holding = np.cumsum(np.where(at_die, np.where(takes, 1, -1), 0)) > 0
    served = (made.op == VISIT) & holding
    at_bus = served.copy()
    at_bus[served] = disciplines[made.arg[served]] == Discipline.FCFS
    at_room = np.zeros(number.size, dtype=bool)
    at_room[first[programs]] = at_room[last[programs]] = True
    nothing = ~at_die & ~served & ~at_room & ((made.op == VISIT) | takes | gives)
    made.op[nothing], made.work[nothing] = VISIT, 0.0
    made.arg[nothing | served] = cell
    made.arg[at_die] = number[at_die]
    made.arg[at_bus] = bank.dies.each + number[at_bus] % bank.dies.channels
    made.arg[at_room] = room

    return bare_rows(first, made)


class _OneDrive(Source):
    """The same jobs over and over, reads at random each time at other dies; before all, so many programs at once."""

    def __init__(
        self, chunk: Chunk, programs: BoolArray, random: BoolArray, dies: Dies, present: int, seed: int
    ) -> None:
        """``programs`` and ``random``, shape (jobs,): which jobs are programs, which go to places at random."""
        super().__init__(len(chunk), chunk.steps.op.size)
        self._chunk, self._dies, self._draw = chunk, dies, np.random.default_rng(seed)
        self._first = np.resize(np.flatnonzero(programs), present) if programs.any() else None
        steps = chunk.steps
        loose = np.repeat(random & ~programs, np.diff(chunk.first, append=steps.op.size))
        loose &= (steps.op != END) & (steps.arg < dies.each + dies.channels)
        self._loose = np.flatnonzero(loose)
        self._row = np.searchsorted(chunk.first, self._loose, side="right") - 1

    def _block(self, rows: int) -> Chunk:
        del rows
        chunk = self._chunk
        if self._first is not None:
            at, self._first = self._first, None
            return bare_rows(chunk.first[at], chunk.steps)
        if self._loose.size:
            die = self._draw.integers(self._dies.each, size=len(chunk))[self._row]
            arg = chunk.steps.arg.copy()
            is_die = arg[self._loose] < self._dies.each
            arg[self._loose] = np.where(is_die, die, self._dies.each + die % self._dies.channels)
            chunk = replace(chunk, steps=replace(chunk.steps, arg=arg))
        return chunk
