"""Spinning drives as visits: an arm each, the queue slots that bound its choice, and the write cache before it."""

from __future__ import annotations

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.hardware.drives import slowness
from tailrace.hardware.extents import Extents
from tailrace.hardware.spinning import SpinningCost
from tailrace.physics.arm import RULES
from tailrace.physics.read_ahead import A_WRITE
from tailrace.plan.columns import Access, Stage
from tailrace.plan.drives import add_to_each
from tailrace.plan.links import LanesPlan
from tailrace.plan.media import MediaPlan, WriteState
from tailrace.plan.operations import Operations
from tailrace.plan.path import Behind, Path, Series, fork, give, take, visit
from tailrace.plan.stations import Arm, Discipline, Stations
from tailrace.scenario.tables.spinning import WRITE_CACHE_UNIT, Spinning
from tailrace.workload.streams import Purpose, Streams


class SpinningPlan(MediaPlan):
    """Spinning drives: an arm each, and queue slots that bound what the arm can choose from."""

    def __init__(
        self, media: Spinning, piece: int, lanes: LanesPlan, streams: Streams, stations: Stations
    ) -> None:
        """``piece`` in bytes: larger reads leave the drive in pieces, so that medium and lane overlap."""
        self._cost, self._piece, self._lanes = SpinningCost.of(media), piece, lanes
        self._slowness = slowness(media)
        self._media, self._stations = media, stations
        self._slots = self._pool("queue slots", media.queue_slots, "queue_slots")
        self._command = add_to_each(stations, media, "command processor", Discipline.FCFS)
        self._cache: int | None = None
        if media.write_cache is not None:
            units = int(media.write_cache) // WRITE_CACHE_UNIT
            self._cached_piece = min(piece, units * WRITE_CACHE_UNIT)
            self._cache = self._pool("write cache", units, "write_cache")
            self._destages = self._pool("destage slots", media.queue_slots, "queue_slots")
        self._arm = self._arms(streams.uniforms(Purpose.ROTATION, np.arange(media.count)))

    def _pool(self, name: str, permits: int, key: str) -> int:
        """A pool of permits for each drive, of slow drives in a bank of their own; the number of the first."""
        first = len(self._stations)
        for prefix, drives in self._banks():
            count = drives.stop - drives.start
            self._stations.add(
                prefix + name, Stage.MEDIA, Discipline.TOKEN, permits, count, paces=False, key=key
            )
        return first

    def _arms(self, phase: FloatArray) -> int:
        """An arm for each drive, likewise. ``phase`` in turns, shape (drives,)."""
        media, first = self._media, len(self._stations)
        for prefix, drives in self._banks():
            arm = Arm(
                RULES[media.scheduling],
                self._cost.turns_per_s,
                media.age_limit,
                *self._cost.curve,
                phase=phase[drives],
                slots=self._slots + drives.start,
                segments=0 if media.read_ahead is None else media.segments,
            )
            count = drives.stop - drives.start
            self._stations.add(prefix + "arm", Stage.MEDIA, Discipline.ARM, count=count, arm=arm)
        return first

    def _banks(self) -> list[tuple[str, slice]]:
        slow, count = self._media.slow_drives, self._media.count
        banks = [("slow ", slice(0, slow)), ("", slice(slow, count))]
        return [(prefix, drives) for prefix, drives in banks if drives.stop > drives.start]

    def reads(self, operations: Operations) -> Path:
        parts = operations.extents.cut(self._piece, only_larger=True)
        transfer = self._lanes.from_drive(parts.drive, parts.size_bytes)
        pieces = Series(len(parts), [self._access(parts, write=False), *transfer])
        return self._in_slot(operations, [fork(pieces, parts.counts)])

    def writes(self, operations: Operations, durable: bool, random: bool, state: WriteState) -> Path:
        del random, state
        if self._cache is not None and not durable:
            return self._in_slot(operations, [self._cached(operations.extents, self._cache)])
        extents = operations.extents
        transfer = self._lanes.to_drive(extents.drive, extents.size_bytes)
        return self._in_slot(operations, [*transfer, self._access(extents, write=True)])

    def _cached(self, extents: Extents, cache: int) -> Path:
        """Transfers into the write cache, piece by piece, each with its way to the platter behind it.

        Room is taken before the data cross the lane, so that a full cache holds them back at the host, and given back
        when they are on the platter. At most as many destages as there are queue slots are at the arm at once, or a
        large cache would give it more to choose from than a drive's scheduler sees.
        """
        parts = extents.cut(self._cached_piece, only_larger=True)
        count, drive = len(parts), parts.drive
        units = (-(-parts.size_bytes // WRITE_CACHE_UNIT)).astype(np.float64)
        destage = Series(
            count,
            [
                take(count, self._destages + drive),
                self._access(parts, write=True),
                give(count, self._destages + drive),
                give(count, cache + drive, units),
            ],
        )
        transfer = self._lanes.to_drive(drive, parts.size_bytes)
        behind = Behind(destage, np.ones(count, dtype=np.int64))
        pieces = Series(count, [take(count, cache + drive, units), *transfer, behind])
        return fork(pieces, parts.counts)

    def _in_slot(self, operations: Operations, inside: list[Path]) -> Path:
        count, slots = len(operations), self._slots + operations.extents.drive
        drive = operations.extents.drive
        command = visit(count, self._command + drive, self._slowness[drive] / self._media.command_rate)
        way = [*self._lanes.dispatch(operations), command]
        return Series(count, [take(count, slots), *way, *inside, give(count, slots)])

    def _access(self, extents: Extents, write: bool) -> Path:
        target, angle = self._cost.position(extents.address)
        slower = self._slowness[extents.drive]
        start = extents.address.astype(np.float64)
        end, settle_s = start + extents.size_bytes, self._cost.settle_s(write, slower)
        if write:
            ahead = np.full(len(extents), A_WRITE)
        else:
            ahead = np.clip(self._cost.capacity - end, 0.0, float(self._media.read_ahead or 0))
        access = Access(target, angle, settle_s, start, end, ahead)
        transfer_s = self._cost.transfer_s(extents.address, extents.size_bytes) * slower
        return visit(len(extents), self._arm + extents.drive, transfer_s, access)
