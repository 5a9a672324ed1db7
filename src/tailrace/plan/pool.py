"""A pool of drives as stations, and what requests do to its drives."""

from __future__ import annotations

from dataclasses import replace

from tailrace.hardware.flash import FlashCost
from tailrace.hardware.geometry import Geometry
from tailrace.plan.flash import FlashPlan
from tailrace.plan.links import LanesPlan, plan_lanes
from tailrace.plan.measured import MeasuredPlan
from tailrace.plan.media import GenericPlan, MediaPlan, WriteState
from tailrace.plan.rebuild import RebuildPlan
from tailrace.plan.redundancy import DriveWork, Folding, Processors, plan_redundancy
from tailrace.plan.spinning import SpinningPlan
from tailrace.plan.stations import Stations
from tailrace.plan.unlike import UnlikeDrives
from tailrace.scenario.tables.flash import Flash
from tailrace.scenario.tables.measured import Measured
from tailrace.scenario.tables.media import Generic
from tailrace.scenario.tables.rebuild import rebuild_of
from tailrace.scenario.tables.server import Pool
from tailrace.scenario.tables.workload import Workload
from tailrace.workload.requests import Requests
from tailrace.workload.streams import Streams


class PoolPlan:
    """The lanes and drives of one pool, and how requests are laid over them."""

    def __init__(
        self,
        pool: Pool,
        seed: int,
        replication: int,
        processors: Processors | None,
        stations: Stations,
        servers: int = 1,
    ) -> None:
        """The stations are those of one of so many ``servers``.

        ``seed`` and ``replication`` decide what the hardware leaves to chance: the phases of the spindles.

        ``processors`` are those that compute parity, None where there are none with a price of their own.
        """
        before = len(stations.banks)
        hardware = Streams(seed, replication, pool.station_name("hardware"))
        lanes = plan_lanes(pool.lanes, pool.media.count, stations)
        self._media = _plan_media(pool, lanes, hardware, stations, servers)
        self.foresight_s = self._media.foresight_s
        folding = Folding(processors, pool.layout.parity_rate)
        geometry = Geometry.of(pool)
        self._redundancy = plan_redundancy(geometry, self._media, folding, stations, servers)
        rebuild = rebuild_of(pool)
        self.rebuild = None if rebuild is None else RebuildPlan(rebuild, geometry, self._media, folding)
        unlike = UnlikeDrives.of(pool, geometry)
        stations.banks[before:] = [
            replace(bank, name=pool.station_name(bank.name), alike=unlike.labels(bank))
            for bank in stations.banks[before:]
        ]

    def new_state(self, streams: Streams) -> WriteState:
        """The state before the first block of the source of requests that draws from ``streams``."""
        return self._media.new_state(streams)

    def reads(self, requests: Requests) -> DriveWork:
        """Reads of one class."""
        return self._redundancy.reads(requests)

    def writes(self, workload: Workload, requests: Requests, state: WriteState) -> DriveWork:
        """Writes of one class; ``state`` is what earlier blocks of the same source left, brought up to date."""
        return self._redundancy.writes(workload, requests, state)


def _plan_media(
    pool: Pool, lanes: LanesPlan, hardware: Streams, stations: Stations, servers: int
) -> MediaPlan:
    piece = int(pool.transfer_piece)
    if isinstance(pool.media, Generic):
        return GenericPlan(pool.media, lanes, stations)
    if isinstance(pool.media, Measured):
        return MeasuredPlan(pool.media, lanes, stations)
    if isinstance(pool.media, Flash):
        cost = FlashCost.of(pool.media, pool.lanes)
        return FlashPlan(pool.media, cost, pool.queue_slots or 1, piece, lanes, stations, servers)
    return SpinningPlan(pool.media, piece, lanes, hardware, stations)
