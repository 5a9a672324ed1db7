"""A station of the reference engine whose rate depends on how many requests it holds."""

from __future__ import annotations

from typing import Any

from simpy.core import Environment

from tailrace.engine.stations import Ps, WalkOn, Way
from tailrace.physics import flow
from tailrace.plan.columns import READ, WRITE
from tailrace.plan.stations import Flow


class FlowStation(Ps):
    """Sharing as in `Ps`, where what all are given together depends on how many there are (`physics.flow`).

    Of each it is known of what kind it is, and which share of the byte rate it draws.
    """

    def __init__(self, env: Environment, walk_on: WalkOn, given: Flow) -> None:
        super().__init__(env, walk_on)
        reads, writes = given.totals.tolist()
        self._given = (reads, writes, len(reads))
        self._writing = 0
        self._drawn = 0.0
        self._pace = 0.0  # seconds of work that each is given a second
        self._in_use = 0.0

    def arrive(self, way: Way, work_s: float, kind: int = READ, share: float = 0.0) -> None:
        """A path arrives and wants ``work_s`` of service."""
        self._writing += kind == WRITE
        self._drawn += share
        self._enter(way, work_s, kind, share)

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
        self._end_in((self._present[0][0] - self._virtual) / self._pace)

    def _left(self, *drawn: Any) -> None:
        kind, share = drawn
        self._writing -= kind == WRITE
        self._drawn -= share

    def integrals(self, now: float) -> tuple[float, float]:
        """Integrals of the share in use, and of the number present less those that full service would keep busy."""
        present, elapsed = len(self._present), now - self._changed_s
        if not present:
            return self._busy_s, self._waiting_s
        waiting = present - present * self._pace
        return self._busy_s + self._in_use * elapsed, self._waiting_s + waiting * elapsed
