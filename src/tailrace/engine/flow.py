"""A station of the reference engine whose rate depends on how many requests it holds."""

from __future__ import annotations

from heapq import heappop, heappush

from simpy.core import Environment
from simpy.events import NORMAL, Event

from tailrace.engine.stations import Timer, WalkOn, Way
from tailrace.physics import flow
from tailrace.plan.columns import WRITE
from tailrace.plan.stations import Flow


class FlowStation:
    """Sharing as in `Ps`, where what all are given together depends on how many there are (`physics.flow`).

    Of each it is known of what kind it is, and which share of the byte rate it draws.
    """

    def __init__(self, env: Environment, walk_on: WalkOn, given: Flow) -> None:
        self._env = env
        self._walk_on = walk_on
        reads, writes = given.totals.tolist()
        self._given = (reads, writes, len(reads))
        self._present: list[tuple[float, int, Way, int, float]] = []
        self._arrivals = 0
        self._writing = 0
        self._drawn = 0.0
        self._pace = 0.0  # seconds of work that each is given a second
        self._in_use = 0.0
        self._virtual = 0.0
        self._changed_s = 0.0
        self._timer: Event | None = None
        self._busy_s = 0.0
        self._waiting_s = 0.0

    def arrive(self, way: Way, work_s: float, kind: int, share: float) -> None:
        """A path arrives and wants ``work_s`` of service."""
        way.arrived_s = now = self._env._now
        way.service_s = work_s
        self._advance(now)
        self._arrivals += 1
        heappush(self._present, (self._virtual + work_s, self._arrivals, way, kind, share))
        self._writing += kind == WRITE
        self._drawn += share
        self._set_timer()

    def _advance(self, now: float) -> None:
        elapsed = now - self._changed_s
        present = len(self._present)
        self._changed_s = now
        if present:
            self._virtual += elapsed * self._pace
            self._busy_s += elapsed * self._in_use
            self._waiting_s += elapsed * (present - present * self._pace)

    def _set_timer(self) -> None:
        present, writing, drawn = len(self._present), self._writing, self._drawn
        self._pace = flow.pace(present, writing, drawn, *self._given)
        self._in_use = flow.in_use(present, writing, drawn, self._pace, *self._given)
        self._timer = timer = Timer(self._leave)
        delay = (self._present[0][0] - self._virtual) / self._pace
        self._env.schedule(timer, NORMAL, max(0.0, delay))

    def _leave(self, timer: Event) -> None:
        if timer is not self._timer:
            return
        now = self._env._now
        self._advance(now)
        self._virtual, _, way, kind, share = heappop(self._present)
        self._writing -= kind == WRITE
        self._drawn -= share
        if self._present:
            self._set_timer()
        else:
            self._virtual = 0.0
            self._timer = None
        way.wait_s = max(0.0, now - way.arrived_s - way.service_s)
        self._walk_on(way)

    def integrals(self, now: float) -> tuple[float, float]:
        """Integrals of the share in use, and of the number present less those that full service would keep busy."""
        present, elapsed = len(self._present), now - self._changed_s
        if not present:
            return self._busy_s, self._waiting_s
        waiting = present - present * self._pace
        return self._busy_s + self._in_use * elapsed, self._waiting_s + waiting * elapsed
