"""The reference engine: the model as SimPy processes, to be read as well as run.

Every request is a process that walks its path step by step; so is every branch of a split and every detached
way, and every slot of a closed client. Only four things take a place in SimPy's calendar: the end of a service
or delay, the timer of a processor-sharing station, the end of a think time, and the next open arrival. What
becomes able to go on without time passing (a new path, a path that was granted permits, a parent whose last
branch has ended) is an urgent event, taken in order before the calendar moves on.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from math import inf
from typing import Any, TypeAlias

import numpy as np
from simpy.core import Environment
from simpy.events import URGENT, Event, Initialize, Process

from tailrace.engine.loop.layout import FINISHED, Records
from tailrace.engine.observations import Mark, Marks, Observations, mark_places
from tailrace.engine.stations import ArmStation, Delay, Fcfs, Pool, Ps, Where
from tailrace.engine.stuck import StuckError, stuck
from tailrace.plan.build import Plan
from tailrace.plan.columns import BRANCH, DETACH, END, GIVE, SPLIT, TAKE, TAKE_RANKED, VISIT, Chunk, Steps
from tailrace.plan.source import Source
from tailrace.plan.stations import Discipline

Way: TypeAlias = Generator[Event, Any, None]
Record: TypeAlias = list[float]
"""Wait seconds of the four stages, then their service seconds."""

BLOCK = 8192
"""Requests kept as Python objects before they are packed into arrays."""


class _Steps:
    """Steps as plain lists: the interpreter reads those three times as fast as arrays."""

    def __init__(self, steps: Steps) -> None:
        self.op = steps.op.tolist()
        self.arg = steps.arg.tolist()
        self.work = steps.work.tolist()
        self.access: list[Where] = []
        if steps.access is not None:
            columns = (column.tolist() for column in steps.access.columns())
            self.access = list(zip(*columns, strict=True))


Row: TypeAlias = tuple[_Steps, int, float, int, int, int, int]
"""Steps, first step, gap, class, client, bytes, kind."""


def _rows(source: Source) -> Iterator[Row]:
    while True:
        chunk: Chunk = source.next_chunk()
        steps = _Steps(chunk.steps)
        columns = (chunk.first, chunk.gap_s, chunk.class_index, chunk.client, chunk.size_bytes, chunk.kind)
        for row in zip(*(column.tolist() for column in columns), strict=True):
            yield (steps, *row)


class _Walker(Process):
    """A process whose end nobody waits for: it leaves no event behind."""

    def __init__(self, env: Environment, way: Way) -> None:
        self.env = env
        self._generator = way
        self._send = way.send
        self._go_on = self._resume
        Initialize(env, self)

    def _resume(self, event: Event) -> None:
        del event
        try:
            self._send(None).callbacks.append(self._go_on)
        except StopIteration:
            del self._go_on  # a method bound to its own object keeps that alive until cycles are collected


class _Join(Event):
    """What a split path waits for: its branches."""

    def __init__(self, env: Environment, branches: int) -> None:
        super().__init__(env)
        self._ok, self._value = True, None
        self.left = branches
        self.record: Record = []


def run_reference(
    plan: Plan, requests: int, marks: int = 21, most_present: int | None = None
) -> Observations:
    """Run a plan until its first ``requests`` requests, in order of arrival, have completed.

    Load goes on arriving until then. ``marks`` snapshots are taken, evenly over the arrivals. With ``most_present``
    the run is given up when more than that many requests and detached ways are under way.
    """
    return ReferenceRun(plan, requests, marks, most_present).result()


class ReferenceRun:
    """A run whose requests are handed out in blocks of records, as the compiled engine does."""

    def __init__(self, plan: Plan, requests: int, marks: int = 21, most_present: int | None = None) -> None:
        """As for `run_reference`."""
        self._plan = plan
        self._env = Environment()
        self._wanted = requests
        self._missing = requests
        self._most_present = most_present
        self._finished = self._env.event()
        self._arrived = 0
        self._completed = 0
        self._detached = 0
        self.complete = False
        self._records: list[tuple[Any, ...]] = []
        self._blocks: list[np.ndarray[Any, Any]] = []
        self._mark_at = mark_places(requests, marks)
        self._marks: list[Mark] = []
        ranked = len(set(plan.priorities)) > 1
        self._stations: list[Any] = [self._station(number, ranked) for number in range(len(plan.stations))]
        self._stage = plan.stations.per_station("stage").tolist()

    def _station(self, number: int, ranked: bool) -> Fcfs | Ps | Delay | ArmStation | Pool:
        bank = self._plan.stations.bank_of(number)
        env = self._env
        match bank.discipline:
            case Discipline.FCFS:
                return Fcfs(env, bank.servers, ranked)
            case Discipline.PS:
                return Ps(env, bank.servers)
            case Discipline.DELAY:
                return Delay(env)
            case Discipline.TOKEN:
                return Pool(env, bank.servers, bank.ranked)
            case Discipline.ARM:
                assert bank.arm is not None
                return ArmStation(env, bank.arm, float(bank.arm.phase[number - bank.first]))

    def result(self) -> Observations:
        """Run, and report every request."""
        self._run()
        return self._observations()

    def blocks(self) -> Iterator[Records]:
        """Run, and hand out the requests wanted, in order of completion, as records of type `layout.FINISHED`.

        Then ``complete`` says whether the run came to its end; if not, there are none.
        """
        self._run()
        self._pack()
        for table in self._blocks if self.complete else []:
            block = np.empty(len(table), dtype=FINISHED)
            fields = ("order", "class_index", "client", "kind", "size_bytes", "arrival_s", "completion_s")
            for place, field in enumerate(fields):
                block[field] = table[:, place]
            block["wait_s"], block["service_s"] = table[:, 7:11], table[:, 11:15]
            yield block

    def marks(self) -> Marks:
        """The marks that have been passed."""
        return Marks.of(self._marks, len(self._stations))

    def _run(self) -> None:
        if self._plan.open_source is not None:
            _Walker(self._env, self._arrivals(self._plan.open_source))
        rows = [_rows(source) for source in self._plan.closed]
        for source, client in self._plan.slots:
            _Walker(self._env, self._slot(rows[source], client))
        try:
            self._env.run(until=self._finished)
        except RuntimeError as error:
            if self._env.peek() < inf:
                raise
            raise self._stuck() from error

    # Clients

    def _arrivals(self, source: Source) -> Way:
        rows = _rows(source)
        row = next(rows)
        arrival = self._env.timeout(row[2])
        while True:
            yield arrival
            following = next(rows)
            arrival = self._env.timeout(following[2])
            _Walker(self._env, self._request(row, row[4]))
            row = following

    def _slot(self, rows: Iterator[Row], client: int) -> Way:
        for row in rows:
            if row[2] > 0.0:
                yield self._env.timeout(row[2])
            yield from self._request(row, client)
            if self._finished.triggered:
                return

    def _request(self, row: Row, client: int) -> Way:
        steps, first, _, number, _, size, kind = row
        order = self._arrived
        self._arrived += 1
        if self._mark_at and order == self._mark_at[-1] and not self._finished.triggered:
            self._mark()
        if self._most_present is not None and self._present > self._most_present:
            self._stop(complete=False)
        arrived = self._env.now
        record = [0.0] * 8
        yield from self._walk(steps, first, record, self._plan.priorities[number])
        self._completed += 1
        if order < self._wanted:
            self._missing -= 1
            self._records.append((order, number, client, kind, size, arrived, self._env.now, *record))
            if len(self._records) == BLOCK:
                self._pack()
            if self._missing == 0:
                self._stop(complete=True)

    # Paths

    def _walk(self, steps: _Steps, at: int, record: Record, rank: int) -> Way:
        """Walk from step ``at`` to the END, adding wait and service to the record."""
        op, arg, work = steps.op, steps.arg, steps.work
        stations, stage, env = self._stations, self._stage, self._env
        while True:
            code = op[at]
            if code == VISIT:
                number = arg[at]
                station = stations[number]
                if type(station) is ArmStation:
                    stay = station.arrive(work[at], steps.access[at])
                else:
                    stay = station.arrive(work[at], rank)
                yield stay
                place = stage[number]
                record[place] += stay.wait_s
                record[place + 4] += stay.service_s
                at += 1
            elif code in (TAKE, TAKE_RANKED):
                number = arg[at]
                permits, order = (work[at], 0.0) if code == TAKE else (1.0, work[at])
                stay = stations[number].take(permits, order)
                if stay is not None:
                    yield stay
                    record[stage[number]] += stay.wait_s
                at += 1
            elif code == GIVE:
                stations[arg[at]].give(work[at])
                at += 1
            elif code == DETACH:
                self._detached += 1
                _Walker(env, self._detached_way(steps, at + 1, rank))
                at += 1 + arg[at]
            elif code == SPLIT:
                join = _Join(env, arg[at])
                branches = arg[at]
                at += 1
                for _ in range(branches):
                    assert op[at] == BRANCH
                    _Walker(env, self._branch(steps, at + 1, join, rank))
                    at += 1 + arg[at]
                yield join
                for place, seconds in enumerate(join.record):
                    record[place] += seconds
            else:
                assert code == END
                return

    def _branch(self, steps: _Steps, at: int, join: _Join, rank: int) -> Way:
        record = [0.0] * 8
        yield from self._walk(steps, at, record, rank)
        join.left -= 1
        if join.left == 0:  # the branch that ends last is the one the request has waited for
            join.record = record
            self._env.schedule(join, URGENT)

    def _detached_way(self, steps: _Steps, at: int, rank: int) -> Way:
        yield from self._walk(steps, at, [0.0] * 8, rank)
        self._detached -= 1

    # Observation

    @property
    def _present(self) -> int:
        return self._arrived - self._completed + self._detached

    def _stop(self, complete: bool) -> None:
        if not self._finished.triggered:
            self.complete = complete
            self._finished.succeed()

    def _mark(self) -> None:
        self._mark_at.pop()
        now = self._env.now
        integrals = [station.integrals(now) for station in self._stations]
        present = self._arrived - self._completed
        busy, waiting = zip(*integrals, strict=True)
        self._marks.append((now, self._arrived, present, self._detached, list(busy), list(waiting)))

    def _stuck(self) -> StuckError:
        loads = [each.load() if isinstance(each, Pool) else (0.0, 0) for each in self._stations]
        held, waiting = zip(*loads, strict=True)
        return stuck(self._plan.stations, held, waiting)

    def _pack(self) -> None:
        self._blocks.append(np.array(self._records, dtype=np.float64).reshape(-1, 15))
        self._records.clear()

    def _observations(self) -> Observations:
        self._pack()
        table = np.concatenate(self._blocks)
        table = table[np.argsort(table[:, 0])] if self.complete else table[:0]
        return Observations(
            class_index=table[:, 1].astype(np.uint16),
            client=table[:, 2].astype(np.uint32),
            kind=table[:, 3].astype(np.uint8),
            size_bytes=table[:, 4].astype(np.int64),
            arrival_s=table[:, 5].copy(),
            completion_s=table[:, 6].copy(),
            wait_s=table[:, 7:11].copy(),
            service_s=table[:, 11:15].copy(),
            marks=self.marks(),
            complete=self.complete,
        )
