"""Media as visits: what a drive operation passes from entering its lane to leaving it."""

from __future__ import annotations

from abc import ABC, abstractmethod

from tailrace.hardware.drives import slowness
from tailrace.hardware.service import service_times
from tailrace.plan.drives import add_to_each
from tailrace.plan.links import LanesPlan
from tailrace.plan.operations import Operations
from tailrace.plan.path import Path, Series, visit
from tailrace.plan.stations import DISCIPLINES, Stations
from tailrace.scenario.tables.media import Generic
from tailrace.workload.streams import Purpose, Streams


class MediaPlan(ABC):
    """The drives of a server.

    ``foresight_s``: how far beyond a block of writes it must be known what arrives; 0 where it does not matter.
    """

    foresight_s: float = 0.0

    @abstractmethod
    def reads(self, operations: Operations) -> Path:
        """Read operations, the transfer back over the lane included."""

    @abstractmethod
    def writes(self, operations: Operations, durable: bool, random: bool, state: WriteState) -> Path:
        """Write operations, the transfer to the drive included.

        ``durable`` writes are acknowledged by the medium itself; ``state`` is what writes of the same source
        leave behind for the next block.
        """

    def new_state(self, streams: Streams) -> WriteState:
        """The state before the first block of the source of requests that draws from ``streams``."""
        del streams
        return WriteState()


class WriteState:
    """What a source of writes must remember from block to block: nothing, unless a medium says otherwise."""


class GenericPlan(MediaPlan):
    """Drives of ``servers`` each, with a service time that does not depend on the request."""

    def __init__(self, media: Generic, lanes: LanesPlan, stations: Stations) -> None:
        self._law, self._lanes = media.service, lanes
        discipline = DISCIPLINES[media.discipline]
        self._drive = add_to_each(stations, media, "drive", discipline, media.servers)
        self._slowness = slowness(media)

    def reads(self, operations: Operations) -> Path:
        extents = operations.extents
        back = self._lanes.from_drive(extents.drive, extents.size_bytes)
        return Series(len(operations), [*self._lanes.dispatch(operations), self._serve(operations), *back])

    def writes(self, operations: Operations, durable: bool, random: bool, state: WriteState) -> Path:
        del durable, random, state
        extents = operations.extents
        there = self._lanes.to_drive(extents.drive, extents.size_bytes)
        return Series(len(operations), [*self._lanes.dispatch(operations), *there, self._serve(operations)])

    def _serve(self, operations: Operations) -> Path:
        drive = operations.extents.drive
        work = service_times(self._law, operations.uniforms(Purpose.MEDIA)) * self._slowness[drive]
        return visit(len(operations), self._drive + drive, work)
