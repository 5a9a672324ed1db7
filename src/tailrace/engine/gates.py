"""Where paths of the reference engine are let through rather than served: pools of permits, and bulk service."""

from __future__ import annotations

from bisect import insort
from collections import deque
from operator import itemgetter

from simpy.core import Environment
from simpy.events import URGENT

from tailrace.engine.stations import WalkOn, Way


class _Gate:
    """Where paths wait without being served."""

    def __init__(self, env: Environment, walk_on: WalkOn) -> None:
        self._env = env
        self._at_opening = [walk_on]
        self._waiting_s = 0.0

    def _wait(self, way: Way) -> None:
        now = self._env._now
        way.arrived_s, way.service_s = now, 0.0
        way.callbacks = self._at_opening
        self._waiting_s -= now

    def _let_go_on(self, way: Way) -> None:
        now = self._env._now
        self._waiting_s += now
        way.wait_s = now - way.arrived_s
        self._env.schedule(way, URGENT)


class Permits(_Gate):
    """Permits, taken strictly first come, first served: nobody overtakes one who waits for more.

    In a ranked pool those who wait go by rank (lower first), and then in the order in which they joined.
    """

    def __init__(self, env: Environment, walk_on: WalkOn, permits: int, ranked: bool) -> None:
        super().__init__(env, walk_on)
        self._permits = permits
        self._free = float(permits)
        self._ranked = ranked
        self._queue: deque[tuple[float, float, Way]] = deque()
        self._held_s = 0.0

    def take(self, way: Way, permits: float, rank: float) -> bool:
        """Take permits. False if the path has to wait for them: it becomes ready when they are granted."""
        now = self._env._now
        if not self._queue and self._free >= permits:
            self._free -= permits
            self._held_s -= permits * now
            return True
        self._wait(way)
        if self._ranked:
            insort(self._queue, (rank, permits, way), key=itemgetter(0))
        else:
            self._queue.append((rank, permits, way))
        return False

    def give(self, permits: float) -> None:
        """Give permits back; those who waited for them become ready, in order."""
        now = self._env._now
        self._free += permits
        self._held_s += permits * now
        while self._queue and self._queue[0][1] <= self._free:
            _, granted, way = self._queue.popleft()
            self._free -= granted
            self._held_s -= granted * now
            self._let_go_on(way)

    def load(self) -> tuple[float, int]:
        """Permits held, and how many wait."""
        return self._permits - self._free, len(self._queue)

    def integrals(self, now: float) -> tuple[float, float]:
        """Integrals of the number of permits held and of the number waiting, from 0 to now."""
        return self._held_s + (self._permits - self._free) * now, self._waiting_s + len(self._queue) * now


class Bulk(_Gate):
    """Serves as many at a time as it has places, by letting one of them walk on for all; the others come next.

    Who is served along, and who comes next, stand in one queue in order of arrival.
    """

    def __init__(self, env: Environment, walk_on: WalkOn, places: int) -> None:
        super().__init__(env, walk_on)
        self._places = self._free = places
        self._queue: deque[tuple[int, Way]] = deque()
        self._busy_s = 0.0

    def collect(self, way: Way, length: int) -> bool:
        """Walk on for itself, and True, if nothing is under way; ``length`` is how far on the RELEASE is."""
        if self._free == self._places:
            self._free -= 1
            self._busy_s -= self._env._now
            return True
        self._wait(way)
        self._queue.append((length, way))
        return False

    def release(self) -> None:
        """What was under way is done: those served along are through, and the first of all others walks on for them."""
        served = self._places - self._free
        self._busy_s += served * self._env._now
        for _ in range(served - 1):
            length, way = self._queue.popleft()
            way.at += length
            self._let_go_on(way)
        collected = min(len(self._queue), self._places)
        self._free = self._places - collected
        self._busy_s -= collected * self._env._now
        if collected:
            self._let_go_on(self._queue.popleft()[1])

    def integrals(self, now: float) -> tuple[float, float]:
        """Integrals of the number of places taken and of the number waiting, from 0 to now."""
        return self._busy_s + (self._places - self._free) * now, self._waiting_s + len(self._queue) * now
