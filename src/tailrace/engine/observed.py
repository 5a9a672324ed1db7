"""A second look at a few requests: the reference engine once more, noting where they go and whom they meet there.

The run is the same to the last bit; nothing is noted of other requests, and the engine itself knows nothing of it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any

from tailrace.engine.flow import FlowStation
from tailrace.engine.gates import Bulk, Permits
from tailrace.engine.paths import Branch, Request, Walker
from tailrace.engine.reference import ReferenceRun
from tailrace.engine.stations import ArmStation, Delay, Fcfs, Ps
from tailrace.plan.build import Plan


@dataclass(frozen=True)
class Visit:
    """A stay at a station, or the wait for permits of a pool.

    ``ahead`` is how many were there on arrival, those in service among them (of a pool: the permits held, and those
    that waited for some; of bulk service: the one under way for all); None where nobody stands in the way of anybody,
    as in a delay.
    """

    station: int
    arrived_s: float
    wait_s: float
    service_s: float
    ahead: int | None


def observe(plan: Plan, chosen: Collection[int]) -> dict[int, list[Visit]]:
    """The visits of the requests with these numbers in order of arrival, along the way that ended last.

    ``plan`` is fresh, and the run as long as it takes the last of them to complete.
    """
    return _ObservedRun(plan, chosen).visits()


class _ObservedRun(ReferenceRun):
    def __init__(self, plan: Plan, chosen: Collection[int]) -> None:
        super().__init__(plan, max(chosen) + 1, marks=2)
        self._chosen = frozenset(chosen)
        self._trails: dict[Walker, list[Visit]] = {}
        self._ahead: dict[Walker, int | None] = {}
        self._found: dict[int, list[Visit]] = {}

    def _station(self, number: int, ranked: bool) -> Any:
        station = super()._station(number, ranked)
        name = {Permits: "take", Bulk: "collect"}.get(type(station), "arrive")
        # In place of the method of this one station: the engine goes on calling what it knows.
        setattr(station, name, self._noting(station, getattr(station, name)))
        return station

    def visits(self) -> dict[int, list[Visit]]:
        for _ in self.blocks():
            pass
        return self._found

    def _noting(self, station: Any, inner: Callable[..., Any]) -> Callable[..., Any]:
        def noted(path: Walker, *arguments: Any) -> Any:
            if self._trail(path) is not None:
                self._ahead[path] = _ahead(station)
            return inner(path, *arguments)

        return noted

    def _trail(self, path: Walker) -> list[Visit] | None:
        """The visits of a path so far; None if it belongs to no chosen request."""
        if path not in self._trails:
            chosen = (isinstance(path, Request) and path.order in self._chosen) or (
                isinstance(path, Branch) and self._trail(path.parent) is not None
            )
            if not chosen:
                return None
            self._trails[path] = []
        return self._trails[path]

    def _walk_on(self, path: Walker) -> None:
        trail = self._trail(path)
        if trail is not None:
            station = path.steps.arg[path.at]
            stay = path.arrived_s, path.wait_s, path.service_s
            trail.append(Visit(station, *stay, self._ahead.pop(path)))
        super()._walk_on(path)

    def _join(self, branch: Branch) -> None:
        trail, parent = self._trails.pop(branch, []), self._trail(branch.parent)
        if parent is not None and branch.parent.missing == 1:
            parent += trail
        super()._join(branch)

    def _complete(self, request: Request) -> Request | None:
        trail = self._trail(request)
        if trail is not None:
            self._found[request.order] = trail
            del self._trails[request]
        return super()._complete(request)


def _ahead(station: Any) -> int | None:
    match station:
        case Fcfs():
            waiting = len(station._queue) if station._ranked is None else len(station._ranked)
            return waiting + station._servers - station._free
        case Ps() | FlowStation():
            return len(station._present)
        case ArmStation():
            return len(station._slots) + int(station._busy)
        case Permits():
            held, waiting = station.load()
            return round(held) + waiting
        case Bulk():
            return len(station._queue) + int(station._free < station._places)
        case Delay():
            return None
    raise AssertionError(f"no such station: {station}")
