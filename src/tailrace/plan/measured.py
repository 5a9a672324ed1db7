"""Measured drives as visits: each a station whose rate depends on how many requests it holds."""

from __future__ import annotations

from tailrace.hardware.drives import slowness
from tailrace.hardware.measured import MeasuredCost
from tailrace.plan.columns import READ, WRITE
from tailrace.plan.drives import add_to_each
from tailrace.plan.links import LanesPlan
from tailrace.plan.media import MediaPlan, WriteState
from tailrace.plan.operations import Operations
from tailrace.plan.path import Path, Series, draw, visit
from tailrace.plan.stations import Discipline, Flow, Stations
from tailrace.scenario.tables.measured import Measured
from tailrace.workload.streams import Purpose


class MeasuredPlan(MediaPlan):
    """Drives that do what was measured of one, each by itself."""

    def __init__(self, media: Measured, lanes: LanesPlan, stations: Stations) -> None:
        self._cost, self._lanes = MeasuredCost.of(media), lanes
        self._slowness = slowness(media)
        flow = Flow(self._cost.totals)
        self._drive = add_to_each(stations, media, "drive", Discipline.FLOW, flow=flow)

    def reads(self, operations: Operations) -> Path:
        extents = operations.extents
        back = self._lanes.from_drive(extents.drive, extents.size_bytes)
        path = [*self._lanes.dispatch(operations), *self._serve(operations, READ), *back]
        return Series(len(operations), path)

    def writes(self, operations: Operations, durable: bool, random: bool, state: WriteState) -> Path:
        del durable, random, state
        extents = operations.extents
        there = self._lanes.to_drive(extents.drive, extents.size_bytes)
        path = [*self._lanes.dispatch(operations), *there, *self._serve(operations, WRITE)]
        return Series(len(operations), path)

    def _serve(self, operations: Operations, kind: int) -> list[Path]:
        drive, cost = operations.extents.drive, self._cost.of_kind(kind == READ)
        mean_s, share = cost.asked(operations.extents.size_bytes)
        work = cost.work_s(mean_s, operations.uniforms(Purpose.MEDIA)) * self._slowness[drive]
        count = len(operations)
        return [draw(count, kind, share), visit(count, self._drive + drive, work)]
