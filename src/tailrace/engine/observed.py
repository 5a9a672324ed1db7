"""A second look at a few requests: the reference engine once more, noting where they go and whom they meet there.

The run is the same to the last bit; nothing is noted of other requests, and the engine itself knows nothing of it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Any

from simpy.events import Event

from tailrace.engine.reference import ReferenceRun, Row, Way
from tailrace.engine.stations import ArmStation, Delay, Fcfs, Pool, Ps, Stay
from tailrace.plan.build import Plan


@dataclass(frozen=True)
class Visit:
    """A stay at a station, or the wait for permits of a pool.

    ``ahead`` is how many were there on arrival, those in service among them (of a pool: those that waited for its
    permits); None where nobody stands in the way of anybody, as in a delay.
    """

    station: int
    arrived_s: float
    wait_s: float
    service_s: float
    ahead: int | None


@dataclass
class _Trail:
    """The stays of one way so far, with whom they met; None as ``parent`` means a request."""

    order: int | None = None
    parent: _Trail | None = None
    stays: list[tuple[int, Stay, int | None]] = field(default_factory=list)


def observe(plan: Plan, chosen: Collection[int]) -> dict[int, list[Visit]]:
    """The visits of the requests with these numbers in order of arrival, along the way that ended last.

    ``plan`` is fresh, and the run as long as it takes the last of them to complete.
    """
    return _ObservedRun(plan, chosen).visits()


class _ObservedRun(ReferenceRun):
    def __init__(self, plan: Plan, chosen: Collection[int]) -> None:
        super().__init__(plan, max(chosen) + 1, marks=2)
        self._chosen = frozenset(chosen)
        self._trails: dict[int, _Trail] = {}
        self._current: _Trail | None = None
        for number, station in enumerate(self._stations):
            name = "take" if isinstance(station, Pool) else "arrive"
            # In place of the method of this one station: the engine goes on calling what it knows.
            setattr(station, name, self._noting(number, station, getattr(station, name)))

    def visits(self) -> dict[int, list[Visit]]:
        for _ in self.blocks():
            pass
        return {
            order: [
                Visit(number, stay.arrived_s, stay.wait_s, stay.service_s, ahead)
                for number, stay, ahead in trail.stays
            ]
            for order, trail in self._trails.items()
        }

    def _noting(
        self, number: int, station: Any, inner: Callable[..., Stay | None]
    ) -> Callable[..., Stay | None]:
        def noted(*arguments: Any) -> Stay | None:
            trail = self._current
            if trail is None:
                return inner(*arguments)
            ahead = _ahead(station)
            stay = inner(*arguments)
            if stay is not None:
                trail.stays.append((number, stay, ahead))
            return stay

        return noted

    # Each way says before every step of its own whose it is.

    def _request(self, row: Row, client: int) -> Way:
        way = super()._request(row, client)
        order = self._arrived
        trail = None
        if order in self._chosen:
            trail = self._trails[order] = _Trail(order)
        yield from self._marked(way, trail)

    def _branch(self, steps: Any, at: int, join: Any, rank: int) -> Way:
        way = super()._branch(steps, at, join, rank)
        return self._branch_of(self._current, way, join)

    def _branch_of(self, parent: _Trail | None, way: Way, join: Any) -> Way:
        trail = None if parent is None else _Trail(parent=parent)
        yield from self._marked(way, trail)
        if parent is not None and trail is not None and join.left == 0:
            parent.stays += trail.stays

    def _detached_way(self, steps: Any, at: int, rank: int) -> Way:
        return self._marked(super()._detached_way(steps, at, rank), None)

    def _marked(self, way: Way, trail: _Trail | None) -> Way:
        while True:
            self._current = trail
            try:
                event: Event = way.send(None)
            except StopIteration:
                return
            finally:
                self._current = None
            yield event


def _ahead(station: Any) -> int | None:
    match station:
        case Fcfs():
            waiting = len(station._queue) if station._ranked is None else len(station._ranked)
            return waiting + station._servers - station._free
        case Ps():
            return len(station._present)
        case ArmStation():
            return len(station._slots) + int(station._busy)
        case Pool():
            return station.load()[1]
        case Delay():
            return None
    raise AssertionError(f"no such station: {station}")
