"""Stations of the reference engine: each keeps its own queue on a SimPy environment.

A path waits for one thing at a time, so it is itself the event that it waits for (:class:`Way`) and happens again
and again. The station schedules it when service starts, so that its end is known, and is the first to be called
back when it happens; then the path walks on.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from heapq import heappop, heappush
from typing import Any, TypeAlias

from simpy.core import Environment
from simpy.events import NORMAL, Event

from tailrace.physics import read_ahead
from tailrace.physics.arm import APART, CONTINUES, CONTINUES_LATE, NOWHERE, choose, positioning_s
from tailrace.plan.stations import Arm

NAN = float("nan")

Where: TypeAlias = tuple[float, float, float, float, float, float]
"""What an arm must know of a visit: the columns of `plan.columns.Access`."""


class Way(Event):
    """A path that is being walked, and the event that it waits for.

    At a station it has arrived at ``arrived_s``; when the stay is over, it is charged ``wait_s`` and ``service_s``.
    """

    # As simpy.Timeout: the event is born with its value, and happens when it is scheduled.
    _ok, _value = True, None
    arrived_s = wait_s = service_s = 0.0
    callbacks: Any
    rank: int
    at: int


WalkOn: TypeAlias = Callable[[Any], None]
"""Called with a way whose stay is over."""


class Timer(Event):
    """An event that is there for one callback."""

    _ok, _value = True, None

    def __init__(self, callback: Callable[[Any], None]) -> None:
        self.callbacks: Any = [callback]


class Fcfs:
    """c servers and one queue, by rank (lower first) and then in order of arrival."""

    def __init__(self, env: Environment, walk_on: WalkOn, servers: int, ranked: bool) -> None:
        """``ranked`` says whether ranks differ; otherwise the queue is a plain one."""
        self._env = env
        self._at_end: list[WalkOn] = [self._finish, walk_on]
        self._free = servers
        self._servers = servers
        self._queue: deque[Way] = deque()
        self._ranked: list[tuple[int, int, Way]] | None = [] if ranked else None
        self._joined = 0
        self._busy_s = 0.0  # instants of service ends less those of starts: the rest is what is under way
        self._waiting_s = 0.0

    def arrive(self, way: Way, work_s: float) -> None:
        """A path arrives and wants ``work_s`` of service."""
        env = self._env
        way.arrived_s = now = env._now
        way.service_s = work_s
        way.callbacks = self._at_end
        if self._free:
            self._free -= 1
            self._busy_s -= now
            way.wait_s = 0.0
            heappush(env._queue, (now + work_s, NORMAL, next(env._eid), way))
            return
        self._waiting_s -= now
        if self._ranked is None:
            self._queue.append(way)
        else:
            self._joined += 1
            heappush(self._ranked, (way.rank, self._joined, way))

    def _finish(self, _: Way) -> None:
        env = self._env
        now = env._now
        if self._queue:
            way = self._queue.popleft()
        elif self._ranked:
            way = heappop(self._ranked)[2]
        else:
            self._free += 1
            self._busy_s += now
            return
        way.wait_s = now - way.arrived_s
        self._waiting_s += now
        heappush(env._queue, (now + way.service_s, NORMAL, next(env._eid), way))

    def integrals(self, now: float) -> tuple[float, float]:
        """Integrals of the number of busy servers and of the number waiting, from 0 to now."""
        waiting = len(self._queue) if self._ranked is None else len(self._ranked)
        return self._busy_s + (self._servers - self._free) * now, self._waiting_s + waiting * now


class Ps:
    """Processor sharing with c servers: each of n present is served at the rate min(1, c / n).

    Virtual time runs at that rate. A path that arrives at virtual time v and wants w of work leaves at v + w, so
    the next to leave is the least of a heap. One timer is alive; whatever changes the number present sets a new
    one, and the old ones are ignored when they go off.
    """

    def __init__(self, env: Environment, walk_on: WalkOn, servers: int = 1) -> None:
        self._env = env
        self._walk_on = walk_on
        self._servers = servers
        self._present: list[
            tuple[Any, ...]
        ] = []  # virtual time of leaving, number, path, and what else it draws
        self._arrivals = 0
        self._virtual = 0.0
        self._changed_s = 0.0
        self._timer: Event | None = None
        self._busy_s = 0.0
        self._waiting_s = 0.0

    def arrive(self, way: Way, work_s: float) -> None:
        """A path arrives and wants ``work_s`` of service."""
        self._enter(way, work_s)

    def _enter(self, way: Way, work_s: float, *drawn: float) -> None:
        way.arrived_s = now = self._env._now
        way.service_s = work_s
        self._advance(now)
        self._arrivals += 1
        heappush(self._present, (self._virtual + work_s, self._arrivals, way, *drawn))
        self._set_timer()

    def _advance(self, now: float) -> None:
        elapsed = now - self._changed_s
        present = len(self._present)
        self._changed_s = now
        servers = self._servers
        if present > servers:
            self._virtual += elapsed / (present / servers)
            self._busy_s += servers * elapsed
            self._waiting_s += (present - servers) * elapsed
        elif present:
            self._virtual += elapsed
            self._busy_s += present * elapsed

    def _set_timer(self) -> None:
        delay = self._present[0][0] - self._virtual
        present = len(self._present)
        if present > self._servers:
            delay *= present / self._servers
        self._end_in(delay)

    def _end_in(self, delay: float) -> None:
        self._timer = timer = Timer(self._leave)
        self._env.schedule(timer, NORMAL, max(0.0, delay))

    def _leave(self, timer: Event) -> None:
        if timer is not self._timer:
            return
        now = self._env._now
        self._advance(now)
        self._virtual, _, way, *drawn = heappop(self._present)
        self._left(*drawn)
        if self._present:
            self._set_timer()
        else:
            self._virtual = 0.0  # no drift: an empty station starts afresh
            self._timer = None
        way.wait_s = max(0.0, now - way.arrived_s - way.service_s)
        self._walk_on(way)  # within this very event, as from a service end

    def _left(self, *drawn: Any) -> None:
        """A path has left that drew so much besides."""

    def integrals(self, now: float) -> tuple[float, float]:
        """Integrals of the number of busy servers and of the number waiting, from 0 to now."""
        present = len(self._present)
        busy, elapsed = min(present, self._servers), now - self._changed_s
        return self._busy_s + busy * elapsed, self._waiting_s + (present - busy) * elapsed


class Delay:
    """No queue: everyone is served at once."""

    def __init__(self, env: Environment, walk_on: WalkOn) -> None:
        self._env = env
        self._at_end = [walk_on]

    def arrive(self, way: Way, work_s: float) -> None:
        """A path arrives and stays for ``work_s``."""
        env = self._env
        way.arrived_s = now = env._now
        way.wait_s, way.service_s = 0.0, work_s
        way.callbacks = self._at_end
        heappush(env._queue, (now + work_s, NORMAL, next(env._eid), way))

    def integrals(self, now: float) -> tuple[float, float]:
        """A delay is neither busy nor waited for."""
        del now
        return NAN, NAN


class ArmStation:
    """One arm over turning platters; it picks the next request when it has finished one.

    With segments it reads on while nothing waits, by the rules of :mod:`tailrace.physics.read_ahead`.
    """

    def __init__(self, env: Environment, walk_on: WalkOn, arm: Arm, phase: float) -> None:
        self._env = env
        self._at_hit: list[WalkOn] = [walk_on]
        self._at_end: list[WalkOn] = [self._finish, walk_on]
        self._arm = arm
        curve = (arm.edges.tolist(), arm.a.tolist(), arm.b.tolist(), arm.c.tolist())
        self._turning = (arm.turns_per_s, phase, *curve)
        self._head = 0.0
        self._end = NOWHERE
        self._busy = False
        self._slots: list[int] = []  # places of the waiting in the columns below, in order of arrival
        self._unused: list[int] = []
        self._ways: list[Way] = []
        self._arrived: list[float] = []
        self._start: list[float] = []
        self._target: list[float] = []
        self._angle: list[float] = []
        self._settle: list[float] = []
        self._stop: list[float] = []
        self._ahead: list[float] = []
        self._served = 0.0, 0.0, 0.0, 0.0  # start, end, ahead and transfer time of what is served
        low, high, used = ([value] * arm.segments for value in read_ahead.NO_SEGMENT)
        self._low, self._high, self._used = low, high, used
        self._reading = list(read_ahead.NOT_READING)
        self._busy_s = 0.0
        self._waiting_s = 0.0

    def arrive(self, way: Way, work_s: float, access: Where) -> None:
        """A path arrives with a transfer of ``work_s``."""
        way.arrived_s = now = self._env._now
        if self._low and access[-1] >= 0.0 and self._answers(work_s, access):
            way.wait_s = way.service_s = 0.0
            way.callbacks = self._at_hit
            self._env.schedule(way, NORMAL, 0.0)
            return
        way.service_s = work_s
        way.callbacks = self._at_end
        target, angle, settle_s, start, end, ahead = access
        if self._unused:
            slot = self._unused.pop()
        else:
            slot = len(self._ways)
            for column in (self._arrived, self._start, self._target, self._angle, self._settle):
                column.append(0.0)
            self._stop.append(0.0)
            self._ahead.append(0.0)
            self._ways.append(way)
        self._ways[slot] = way
        self._arrived[slot] = now
        self._start[slot], self._stop[slot], self._ahead[slot] = start, end, ahead
        self._target[slot], self._angle[slot], self._settle[slot] = target, angle, settle_s
        self._slots.append(slot)
        self._waiting_s -= now
        if not self._busy:
            self._busy = True
            self._busy_s -= now
            self._serve_next(at_service_end=False)

    def _finish(self, _: Way) -> None:
        if self._low:
            self._keep()
        if self._slots:
            self._serve_next(at_service_end=True)
        else:
            self._busy = False
            self._busy_s += self._env._now

    def _serve_next(self, at_service_end: bool) -> None:
        now, arm = self._env._now, self._arm
        continuing_s = -1.0
        if self._low and not at_service_end:
            continuing_s = self._stop_reading()
        place = choose(
            arm.rule,
            now,
            len(self._slots),
            self._slots,
            self._arrived,
            self._start,
            self._target,
            self._angle,
            self._settle,
            self._head,
            self._end,
            at_service_end,
            arm.age_limit_s,
            *self._turning,
        )
        slot = self._slots.pop(place)
        self._unused.append(slot)
        way, target = self._ways[slot], self._target[slot]
        transfer_s = way.service_s
        if continuing_s >= 0.0:
            way.service_s = continuing_s
        else:
            continues = APART
            if self._start[slot] == self._end:
                continues = CONTINUES if at_service_end else CONTINUES_LATE
            position = positioning_s(
                now, self._head, target, self._angle[slot], self._settle[slot], continues, *self._turning
            )
            way.service_s = position + transfer_s
        self._head, self._end = target, self._stop[slot]
        if self._low:
            self._served = self._start[slot], self._end, self._ahead[slot], transfer_s
            if self._ahead[slot] < 0.0:
                read_ahead.drop(self._start[slot], self._end, self._low, self._high, self._used)
        way.wait_s = now - way.arrived_s
        self._waiting_s += now
        self._env.schedule(way, NORMAL, way.service_s)

    def _answers(self, transfer_s: float, access: Where) -> bool:
        """Whether a read that arrives is a hit; it may send an idle arm to read on."""
        now, reading, low, high = self._env._now, self._reading, self._low, self._high
        target, angle, settle_s, start, end, ahead = access
        read_ahead.read_so_far(now, reading, low, high)
        segment = read_ahead.holder(start, end, low, high)
        if segment < 0:
            return False
        idle = not self._busy
        if read_ahead.hit(now, segment, idle, start, end, ahead, reading, high, self._used):
            self._head, self._end = read_ahead.stop(now, self._head, self._end, reading, high)
            at = high[segment]
            there = read_ahead.angle_at(at, start, end, angle, transfer_s, self._arm.turns_per_s)
            continues = CONTINUES_LATE if at == self._end else APART
            from_s = now + positioning_s(now, self._head, target, there, settle_s, continues, *self._turning)
            read_ahead.begin(now, from_s, at, segment, start, end, ahead, transfer_s, target, reading, high)
        return True

    def _stop_reading(self) -> float:
        """The arm, idle till now, is needed by the one that waits: what its service takes if it continues, or -1."""
        now, reading, low, high = self._env._now, self._reading, self._low, self._high
        read_ahead.read_so_far(now, reading, low, high)
        slot, seconds = self._slots[0], -1.0
        if self._ahead[slot] >= 0.0:
            seconds = read_ahead.continuing_s(
                now,
                self._start[slot],
                self._stop[slot],
                self._ways[slot].service_s,
                reading,
                low,
                high,
            )
        self._head, self._end = read_ahead.stop(now, self._head, self._end, reading, high)
        return seconds

    def _keep(self) -> None:
        """A read that may be followed by others has been served: its bytes stay, and an arm not needed reads on."""
        start, end, ahead, transfer_s = self._served
        if ahead <= 0.0:
            return
        reading, high = self._reading, self._high
        segment = read_ahead.keep(start, end, ahead, reading, self._low, high, self._used)
        if not self._slots:
            now, target = self._env._now, self._head
            read_ahead.begin(now, now, end, segment, start, end, ahead, transfer_s, target, reading, high)

    def integrals(self, now: float) -> tuple[float, float]:
        """Integrals of busy (0 or 1), with requests or reading on, and of the number waiting, from 0 to now."""
        busy_s = self._busy_s + now if self._busy else self._busy_s
        return busy_s + read_ahead.spent_s(now, self._reading), self._waiting_s + len(self._slots) * now


class Visited(dict[int, Any]):
    """Stations by number, each made when it is first visited: of many drives a run sees few."""

    def __init__(self, made: Callable[[int], Any]) -> None:
        self._made = made

    def __missing__(self, number: int) -> Any:
        station = self[number] = self._made(number)
        return station
