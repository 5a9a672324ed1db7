"""The reference engine: the model on SimPy, to be read as well as run.

Every path is a SimPy event that happens whenever it can go on: a request's own path, that of every branch of a split
and that of every detached way. Only four things take a place in the calendar: the end of a service or delay, the
timer of a processor-sharing station, the end of a think time, and the next open arrival. What becomes able to go on
without time passing (a new path, a path that was granted permits, a parent whose last branch has ended) is an
urgent event, taken in order before the calendar moves on.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import inf
from typing import Any

import numpy as np
from simpy.core import Environment
from simpy.events import NORMAL, URGENT

from tailrace.engine.finished import Finished
from tailrace.engine.flow import FlowStation
from tailrace.engine.gates import Bulk, Permits
from tailrace.engine.loop.layout import LAPPED, Records
from tailrace.engine.observations import Mark, Marks, Observations, by_banks, first_stations, mark_places
from tailrace.engine.paths import (
    Branch,
    Detached,
    Lists,
    OpenArrivals,
    PlannedRow,
    Quorum,
    Request,
    Slot,
    Walker,
    rows_of,
)
from tailrace.engine.stations import ArmStation, Delay, Fcfs, Ps, Visited
from tailrace.engine.stuck import StuckError, stuck
from tailrace.plan.build import Plan
from tailrace.plan.columns import (
    BRANCH,
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

    def __init__(
        self,
        plan: Plan,
        requests: int,
        marks: int = 21,
        most_present: int | None = None,
        laps: bool = False,
        by_bank: bool = False,
    ) -> None:
        """As for `run_reference`; with ``laps`` it is noted of every transaction when it has done each of its steps.

        With ``by_bank`` the marks hold sums over each bank.
        """
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
        self._done = Finished()
        self._lapped = requests if laps else 0
        self._laps: list[tuple[Any, ...]] = []
        self._mark_at = mark_places(requests, marks)
        self._firsts = first_stations(plan.stations) if by_bank else None
        self._marks: list[Mark] = []
        ranked = len(set(plan.priorities)) > 1
        self._stations = Visited(lambda number: self._station(number, ranked))
        self._stage = plan.stations.per_station("stage").tolist()
        self._at_start = [self._walk]

    def _station(
        self, number: int, ranked: bool
    ) -> Fcfs | Ps | FlowStation | Delay | ArmStation | Permits | Bulk:
        bank = self._plan.stations.bank_of(number)
        env, walk_on = self._env, self._walk_on
        match bank.discipline:
            case Discipline.FCFS:
                return Fcfs(env, walk_on, bank.servers, ranked)
            case Discipline.PS:
                return Ps(env, walk_on, bank.servers)
            case Discipline.FLOW:
                assert bank.flow is not None
                return FlowStation(env, walk_on, bank.flow)
            case Discipline.DELAY:
                return Delay(env, walk_on)
            case Discipline.TOKEN | Discipline.PRESENT:
                return Permits(env, walk_on, bank.servers, bank.ranked)
            case Discipline.BULK:
                return Bulk(env, walk_on, bank.servers)
            case Discipline.ARM:
                assert bank.arm is not None
                return ArmStation(env, walk_on, bank.arm, float(bank.arm.phase[number - bank.first]))

    def result(self) -> Observations:
        """Run, and report every request."""
        self._run()
        return self._done.observations(self.marks(), self.complete)

    def blocks(self) -> Iterator[Records]:
        """Run, and hand out the requests wanted, in order of completion, as records of type `layout.FINISHED`.

        Then ``complete`` says whether the run came to its end; if not, there are none.
        """
        self._run()
        yield from self._done.blocks() if self.complete else []

    def laps(self) -> Records:
        """The steps that transactions have done, as records of type `layout.LAPPED`, in order of time."""
        return np.array(self._laps, dtype=LAPPED)

    def marks(self) -> Marks:
        """The marks that have been passed."""
        columns = len(self._plan.stations) if self._firsts is None else self._firsts.size
        return Marks.of(self._marks, columns)

    def _run(self) -> None:
        if self._plan.open_source is not None:
            self._expect(OpenArrivals(self._plan.open_source, self._arrive))
        rows = [rows_of(source) for source in self._plan.closed]
        for source, client in self._plan.slots:
            slot = Slot(rows[source], client)
            slot.callbacks = [self._begin]
            self._env.schedule(slot, URGENT)
        try:
            self._env.run(until=self._finished)
        except RuntimeError as error:
            if self._env.peek() < inf:
                raise
            raise self._stuck() from error

    # Clients

    def _expect(self, arrivals: OpenArrivals) -> None:
        arrivals.callbacks = arrivals.at
        self._env.schedule(arrivals, NORMAL, arrivals.row[2])

    def _arrive(self, arrivals: OpenArrivals) -> None:
        row, arrivals.row = arrivals.row, next(arrivals.rows)
        self._expect(arrivals)
        self._walk(self._request(row, row[4], None))

    def _begin(self, slot: Slot) -> None:
        request = self._following(slot)
        if request is not None:
            self._walk(request)

    def _following(self, slot: Slot) -> Request | None:
        """The next request of a closed client's slot, None if it is issued after a think time."""
        slot.row = next(slot.rows)
        if slot.row[2] <= 0.0:
            return self._request(slot.row, slot.client, slot)
        slot.callbacks = [self._issue]
        self._env.schedule(slot, NORMAL, slot.row[2])
        return None

    def _issue(self, slot: Slot) -> None:
        self._walk(self._request(slot.row, slot.client, slot))

    def _request(self, row: PlannedRow, client: int, slot: Slot | None) -> Request:
        order = self._arrived
        self._arrived += 1
        if self._mark_at and order == self._mark_at[-1] and not self._finished.triggered:
            self._mark()
        if self._most_present is not None and self._present > self._most_present:
            self._stop(complete=False)
        return Request(row, self._plan.priorities[row[3]], client, order, self._env._now, slot)

    def _complete(self, request: Request) -> Request | None:
        """A request has completed. Returns the one that its slot issues at once, if any."""
        self._completed += 1
        if request.order < self._wanted:
            self._missing -= 1
            self._done.add(request, self._env._now)
            if self._missing == 0:
                self._stop(complete=True)
        if request.slot is None or self._finished.triggered:
            return None
        return self._following(request.slot)

    # Paths

    def _start(self, path: Walker) -> None:
        """The path can go on, in its turn, without time passing."""
        path.callbacks = self._at_start
        self._env.schedule(path, URGENT)

    def _walk_on(self, path: Walker) -> None:
        """A stay of the path is over, its permits are granted or it was collected: charge it, and walk on."""
        place, record = self._stage[path.steps.arg[path.at]], path.record
        record[place] += path.wait_s
        record[place + 4] += path.service_s
        path.at += 1
        self._walk(path)

    def _walk(self, path: Walker) -> None:
        """Walk until the path must wait, or has ended."""
        stations, steps, at = self._stations, path.steps, path.at
        op, arg, work = steps.op, steps.arg, steps.work
        while True:
            code = op[at]
            if code == VISIT:
                path.at = at
                station = stations[arg[at]]
                if type(station) is ArmStation:
                    station.arrive(path, work[at], steps.access[at])
                elif type(station) is FlowStation:
                    station.arrive(path, work[at], arg[at - 1], work[at - 1])
                else:
                    station.arrive(path, work[at])
                return
            if code in (TAKE, TAKE_RANKED):
                path.at = at
                permits, order = (work[at], 0.0) if code == TAKE else (1.0, work[at])
                if not stations[arg[at]].take(path, permits, order):
                    return
                at += 1
            elif code == GIVE:
                stations[arg[at]].give(work[at])
                at += 1
            elif code == COLLECT:
                path.at = at
                if not stations[arg[at]].collect(path, int(work[at])):
                    return
                at += 1
            elif code == RELEASE:
                stations[arg[at]].release()
                at += 1
            elif code == DRAW:  # read at the visit that follows
                at += 1
            elif code == LAP:
                assert isinstance(path, Request)
                if path.order < self._lapped:
                    self._note_lap(path, arg[at])
                at += 1
            elif code == DETACH:
                self._detached += 1
                self._start(Detached(steps, at + 1, path.rank))
                at += 1 + arg[at]
            elif code == SPLIT:
                path.missing = branches = arg[at]
                at += 1
                for _ in range(branches):
                    assert op[at] == BRANCH
                    self._start(Branch(steps, at + 1, path))
                    at += 1 + arg[at]
                path.at = at
                return
            elif code == QUORUM:
                path.missing = int(work[at])
                path.at = self._send(path, at + 1, Quorum(arg[at], path.missing))
                return
            elif code == CHOOSE:
                at = self._alternative(steps, at) + 1
            elif code == JUMP:
                at += arg[at]
            else:
                assert code == END
                following = self._ended(path)
                if following is None:
                    return
                path = following
                steps, at = path.steps, path.at
                op, arg, work = steps.op, steps.arg, steps.work

    def _send(self, path: Walker, at: int, quorum: Quorum) -> int:
        """Send the branches of a quorum on their way, from the first one on, and return where the path goes on."""
        steps = path.steps
        for _ in range(quorum.under_way):
            assert steps.op[at] == BRANCH
            self._start(Branch(steps, at + 1, path, quorum))
            at += 1 + steps.arg[at]
        return at

    def _alternative(self, steps: Lists, at: int) -> int:
        """Where the alternative begins at whose pool fewest are present, the first of them if there are several."""
        alternatives = []
        place = at + 1
        for _ in range(steps.arg[at]):
            assert steps.op[place] == BRANCH
            alternatives.append(place)
            place += 1 + steps.arg[place]
        return min(alternatives, key=lambda each: self._stations[int(steps.work[each])].load()[0])

    def _note_lap(self, request: Request, step: int) -> None:
        """A transaction has done one of its steps."""
        wait_s, service_s = tuple(request.record[:4]), tuple(request.record[4:])
        self._laps.append((request.order, step, self._env._now, wait_s, service_s))

    def _ended(self, path: Walker) -> Walker | None:
        """A path has ended. Returns the one that is walked on in the same breath, if any."""
        if isinstance(path, Request):
            return self._complete(path)
        if isinstance(path, Branch):
            self._join(path)
        else:
            self._detached -= 1
        return None

    def _join(self, branch: Branch) -> None:
        parent, quorum = branch.parent, branch.quorum
        if quorum is not None:
            quorum.under_way -= 1
            if quorum.needed == 0:  # nobody waits for it any more
                self._detached -= 1
                return
            quorum.needed -= 1
            if quorum.needed == 0:
                self._detached += quorum.under_way
        parent.missing -= 1
        if parent.missing == 0:  # the branch that ends last is the one the request has waited for
            for place, seconds in enumerate(branch.record):
                parent.record[place] += seconds
            self._start(parent)

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
        present = self._arrived - self._completed
        delays = self._plan.stations.per_station("discipline") == Discipline.DELAY
        busy = np.where(delays, np.nan, 0.0)
        waiting = busy.copy()
        for number, station in self._stations.items():
            busy[number], waiting[number] = station.integrals(now)
        busy, waiting = by_banks(self._firsts, busy), by_banks(self._firsts, waiting)
        self._marks.append((now, self._arrived, present, self._detached, busy, waiting))

    def _stuck(self) -> StuckError:
        held, waiting = np.zeros(len(self._plan.stations)), np.zeros(len(self._plan.stations), dtype=np.int64)
        for number, each in self._stations.items():
            if isinstance(each, Permits):
                held[number], waiting[number] = each.load()
        return stuck(self._plan.stations, held, waiting)
