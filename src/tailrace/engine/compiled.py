"""The compiled engine: the same answers as the reference engine, bit for bit, from one compiled event loop.

numba is needed, and imported only when the engine is used.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from importlib.util import find_spec
from typing import TYPE_CHECKING

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.engine.observations import Mark, Marks, Observations, by_banks, first_stations, mark_places
from tailrace.engine.stuck import stuck
from tailrace.physics.read_ahead import spent_s
from tailrace.plan.build import Plan
from tailrace.plan.columns import Chunk, Steps, bare_rows
from tailrace.plan.source import Source
from tailrace.plan.stations import Discipline, Stations

if TYPE_CHECKING:
    from tailrace.engine.loop.layout import Records


def available() -> bool:
    """Whether numba is installed."""
    return find_spec("numba") is not None


def prepare(announce: Callable[[], None] | None = None) -> None:
    """Load the compiled loop, or compile it, which takes tens of seconds; ``announce`` is called before that.

    Raises ImportError without numba.
    """
    from numba.core import event

    class Announcer(event.Listener):
        def __init__(self) -> None:
            self.told = announce is None

        def on_start(self, event: object) -> None:
            del event
            if announce is not None and not self.told:
                self.told = True
                announce()

        def on_end(self, event: object) -> None:
            del event

    with event.install_listener("numba:compile", Announcer()):
        run_compiled(Plan(Stations(), ("any",), (0,), _Nothing(1, 1), (), ()), requests=1)


class _Nothing(Source):
    """Requests that ask for nothing."""

    def _block(self, rows: int) -> Chunk:
        del rows
        found = bare_rows(np.zeros(1, dtype=np.int64), Steps.empty(1, with_access=False))
        found.gap_s[:] = 1.0
        return found


def run_compiled(plan: Plan, requests: int, marks: int = 21, most_present: int | None = None) -> Observations:
    """Run a plan until its first ``requests`` requests, in order of arrival, have completed.

    Load goes on arriving until then. ``marks`` snapshots are taken, evenly over the arrivals. With ``most_present``
    the run is given up when more than that many requests and detached ways are under way; in any case when there are
    more than 2^24 ways. Raises ImportError without numba, and StuckError if all that is under way waits for permits
    that nobody gives.
    """
    from tailrace.engine.loop.transfer import take_finished

    class_index = np.empty(requests, dtype=np.uint16)
    client = np.empty(requests, dtype=np.uint32)
    kind = np.empty(requests, dtype=np.uint8)
    size_bytes = np.empty(requests, dtype=np.int64)
    arrival_s, completion_s = np.empty(requests), np.empty(requests)
    wait_s, service_s = np.empty((requests, 4)), np.empty((requests, 4))
    columns = (class_index, client, kind, size_bytes, arrival_s, completion_s, wait_s, service_s)
    run = CompiledRun(plan, requests, marks, most_present)
    for finished in run.blocks():
        take_finished(finished, *columns)
    if not run.complete:
        columns = tuple(column[:0] for column in columns)  # type: ignore[assignment]
    return Observations(*columns, run.marks(), run.complete)


class CompiledRun:
    """A run whose requests are handed out in blocks as they finish, so that memory does not grow with their number."""

    def __init__(
        self,
        plan: Plan,
        requests: int,
        marks: int = 21,
        most_present: int | None = None,
        laps: bool = False,
        by_bank: bool = False,
    ) -> None:
        """As for `run_compiled`; with ``laps`` it is noted of every transaction when it has done each of its steps.

        With ``by_bank`` the marks hold sums over each bank.
        """
        from tailrace.engine.loop.state import State

        self._stations = plan.stations
        self._firsts = first_stations(plan.stations) if by_bank else None
        self._state = State(plan, requests, most_present, laps)
        self._laps: list[Records] = []
        self._numbers: dict[tuple[Discipline, ...], IntArray] = {}
        self._mark_at = mark_places(requests, marks)
        self._marks: list[Mark] = []
        self.complete = False

    def blocks(self) -> Iterator[Records]:
        """Run, and hand out the finished among the requests wanted, as records of type `layout.FINISHED`.

        They come in order of completion. A block is overwritten by the next one. Then ``complete`` says whether the
        run came to its end.
        """
        with closing(self._state):
            yield from self._run()

    def _run(self) -> Iterator[Records]:
        from tailrace.engine.loop import layout
        from tailrace.engine.loop.kernel import run

        state, loop = self._state, self._state.loop
        self._set_mark()
        while True:
            code = run(state.loops, state.arrays)
            asked = int(loop["asked"])
            if code == layout.NEEDS_ROWS:
                state.feed(asked)
            elif code == layout.FULL:
                self._take_laps()
                yield self._finished()
            elif code == layout.MARK:
                self._mark()
            elif code == layout.NEEDS_WAYS:
                if not state.more_ways(asked):
                    return
            elif code == layout.NEEDS_CALENDAR:
                state.more_events()
            elif code == layout.NEEDS_STATION:
                state.more_places(asked)
            elif code == layout.DONE:
                self.complete = True
                self._take_laps()
                yield self._finished()
                return
            elif code == layout.GIVEN_UP:
                return
            elif code == layout.STUCK:
                raise self._stuck()
            else:  # a pause, for the interpreter to see whether it has been interrupted
                assert code == layout.PAUSE

    def laps(self) -> Records:
        """The steps that transactions have done, as records of type `layout.LAPPED`, in order of time."""
        return np.concatenate([*self._laps, self._state.arrays.laps[:0]])

    def _take_laps(self) -> None:
        count = int(self._state.loop["lapped_count"])
        self._state.loop["lapped_count"] = 0
        self._laps.append(self._state.arrays.laps[:count].copy())

    def marks(self) -> Marks:
        """The marks that have been passed."""
        columns = len(self._stations) if self._firsts is None else self._firsts.size
        return Marks.of(self._marks, columns)

    def _finished(self) -> Records:
        count = int(self._state.loop["finished_count"])
        self._state.loop["finished_count"] = 0
        return self._state.arrays.finished[:count]

    def _set_mark(self) -> None:
        self._state.loop["next_mark"] = self._mark_at[-1] if self._mark_at else -1

    def _mark(self) -> None:
        """Note the state as the next request arrives: it counts as present already."""
        loop = self._state.loop
        now, arrived = float(loop["now"]), int(loop["arrived"]) + 1
        busy, waiting = (by_banks(self._firsts, each) for each in self._integrals(now))
        present = arrived - int(loop["completed"])
        self._marks.append((now, arrived, present, int(loop["detached"]), busy, waiting))
        self._mark_at.pop()
        self._set_mark()

    def _integrals(self, now: float) -> tuple[FloatArray, FloatArray]:
        """Integrals of the number of busy servers and of the number waiting, as the reference's stations add them."""
        stations, of = self._state.arrays.stations, self._of
        servers, waiting = stations["servers"], stations["waiting"].astype(np.float64)
        busy = (servers - stations["free"]).astype(np.float64)
        pools, shared = of(Discipline.TOKEN, Discipline.PRESENT), of(Discipline.PS)
        busy[pools] = servers[pools] - stations["permits"][pools]
        busy[shared] = np.minimum(waiting[shared], servers[shared])
        waiting[shared] -= busy[shared]
        flows = of(Discipline.FLOW)
        present = waiting[flows]
        busy[flows] = np.where(present > 0, stations["end"][flows], 0.0)
        waiting[flows] = np.where(present > 0, present - present * stations["head"][flows], present)
        busy_s, waiting_s = stations["busy_s"] + busy * now, stations["waiting_s"] + waiting * now
        for some in (shared, flows[present > 0]):
            elapsed = now - stations["changed_s"][some]
            busy_s[some] = stations["busy_s"][some] + busy[some] * elapsed
            waiting_s[some] = stations["waiting_s"][some] + waiting[some] * elapsed
        arms = of(Discipline.ARM)
        busy_s[arms] += [spent_s(now, each) for each in self._state.arrays.reading[: arms.size]]
        neither = of(Discipline.DELAY)
        busy_s[neither] = waiting_s[neither] = np.nan
        return busy_s, waiting_s

    def _of(self, *disciplines: Discipline) -> IntArray:
        """The numbers of all stations of these disciplines."""
        if disciplines not in self._numbers:
            among = np.isin(self._state.arrays.stations["discipline"], disciplines)
            self._numbers[disciplines] = np.flatnonzero(among)
        return self._numbers[disciplines]

    def _stuck(self) -> Exception:
        stations = self._state.arrays.stations
        held = stations["servers"] - stations["permits"]
        return stuck(self._stations, held, stations["waiting"])
