"""Media as visits: what a drive operation passes from entering its lane to leaving it."""

from __future__ import annotations

from abc import ABC, abstractmethod

import numpy as np

from tailrace.hardware.drives import slowness
from tailrace.hardware.extents import Extents
from tailrace.hardware.service import service_times
from tailrace.hardware.spinning import SpinningCost
from tailrace.physics.arm import RULES
from tailrace.plan.columns import Access, Stage
from tailrace.plan.drives import add_to_each
from tailrace.plan.links import LanesPlan
from tailrace.plan.operations import Operations
from tailrace.plan.path import Path, Series, fork, give, take, visit
from tailrace.plan.stations import DISCIPLINES, Arm, Discipline, Stations
from tailrace.scenario.media import Generic, Spinning
from tailrace.workload.streams import Purpose, Streams


class MediaPlan(ABC):
    """The drives of a server."""

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


class SpinningPlan(MediaPlan):
    """Spinning drives: an arm each, and queue slots that bound what the arm can choose from."""

    def __init__(
        self, media: Spinning, piece: int, lanes: LanesPlan, streams: Streams, stations: Stations
    ) -> None:
        """``piece`` in bytes: larger reads leave the drive in pieces, so that medium and lane overlap."""
        self._cost, self._piece, self._lanes = SpinningCost.of(media), piece, lanes
        phase = streams.uniforms(Purpose.ROTATION, np.arange(media.count))
        self._slots = stations.add(
            "queue slots", Stage.MEDIA, Discipline.TOKEN, media.queue_slots, media.count, paces=False
        )
        rule, turns_per_s = RULES[media.scheduling], self._cost.turns_per_s
        arm = Arm(rule, turns_per_s, media.age_limit, *self._cost.curve, phase=phase, slots=self._slots)
        self._arm = stations.add("arm", Stage.MEDIA, Discipline.ARM, count=media.count, arm=arm)

    def reads(self, operations: Operations) -> Path:
        parts = operations.extents.cut(self._piece, only_larger=True)
        transfer = self._lanes.from_drive(parts.drive, parts.size_bytes)
        pieces = Series(len(parts), [self._access(parts, 0.0), *transfer])
        return self._in_slot(operations, [fork(pieces, parts.counts)])

    def writes(self, operations: Operations, durable: bool, random: bool, state: WriteState) -> Path:
        del durable, random, state  # without a write cache every write is acknowledged by the medium
        extents = operations.extents
        transfer = self._lanes.to_drive(extents.drive, extents.size_bytes)
        return self._in_slot(operations, [*transfer, self._access(extents, self._cost.write_settle_s)])

    def _in_slot(self, operations: Operations, inside: list[Path]) -> Path:
        count, slots = len(operations), self._slots + operations.extents.drive
        way = self._lanes.dispatch(operations)
        return Series(count, [take(count, slots), *way, *inside, give(count, slots)])

    def _access(self, extents: Extents, settle_s: float) -> Path:
        count = len(extents)
        target, angle = self._cost.position(extents.address)
        start = extents.address.astype(np.float64)
        access = Access(target, angle, np.full(count, settle_s), start, start + extents.size_bytes)
        transfer_s = self._cost.transfer_s(extents.address, extents.size_bytes)
        return visit(count, self._arm + extents.drive, transfer_s, access)
