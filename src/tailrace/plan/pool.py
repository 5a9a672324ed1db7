"""A pool of drives as stations, and what requests do to its drives."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tailrace.arrays import IntArray
from tailrace.hardware.layout import Striping
from tailrace.plan.flash import FlashPlan
from tailrace.plan.links import LanesPlan, plan_lanes
from tailrace.plan.media import GenericPlan, MediaPlan, WriteState
from tailrace.plan.operations import Operations
from tailrace.plan.path import Path, fork
from tailrace.plan.spinning import SpinningPlan
from tailrace.plan.stations import Stations
from tailrace.scenario.flash import Flash
from tailrace.scenario.media import Generic
from tailrace.scenario.server import Pool
from tailrace.scenario.workload import Workload
from tailrace.workload.requests import Requests
from tailrace.workload.streams import Streams


@dataclass(frozen=True)
class DriveWork:
    """What requests do on the drives: the path of each, and the number of its drive operations, shape (requests,)."""

    path: Path
    operations: IntArray


class PoolPlan:
    """The lanes and drives of one pool, and how requests are laid over them."""

    def __init__(self, pool: Pool, seed: int, replication: int, stations: Stations) -> None:
        """``seed`` and ``replication`` decide what the hardware leaves to chance: the phases of the spindles."""
        before = len(stations.banks)
        hardware = Streams(seed, replication, pool.station_name("hardware"))
        lanes = plan_lanes(pool.lanes, pool.media.count, stations)
        self._media = _plan_media(pool, lanes, hardware, stations)
        self._striping = Striping(pool.media.count, int(pool.layout.stripe_unit))
        mine = stations.banks[before:]
        stations.banks[before:] = [replace(bank, name=pool.station_name(bank.name)) for bank in mine]

    def new_state(self, streams: Streams) -> WriteState:
        """The state before the first block of the source of requests that draws from ``streams``."""
        return self._media.new_state(streams)

    def reads(self, requests: Requests) -> DriveWork:
        """Reads of one class."""
        operations = self._operations(requests)
        counts = operations.extents.counts
        return DriveWork(fork(self._media.reads(operations), counts), counts)

    def writes(self, workload: Workload, requests: Requests, state: WriteState) -> DriveWork:
        """Writes of one class; ``state`` is what earlier blocks of the same source left, brought up to date."""
        operations = self._operations(requests)
        random = workload.pattern == "random"
        counts = operations.extents.counts
        return DriveWork(
            fork(self._media.writes(operations, workload.durable, random, state), counts), counts
        )

    def _operations(self, requests: Requests) -> Operations:
        return Operations(requests, self._striping.operations(requests.address, requests.size_bytes))


def _plan_media(pool: Pool, lanes: LanesPlan, hardware: Streams, stations: Stations) -> MediaPlan:
    piece = int(pool.transfer_piece)
    if isinstance(pool.media, Generic):
        return GenericPlan(pool.media, lanes, stations)
    if isinstance(pool.media, Flash):
        return FlashPlan(pool.media, pool.queue_slots or 1, piece, lanes, stations)
    return SpinningPlan(pool.media, piece, lanes, hardware, stations)
