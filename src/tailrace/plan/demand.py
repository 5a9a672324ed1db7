"""What does a request ask of each station, on average? Counted on a sample of the plan itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.plan.columns import DETACH, GIVE, TAKE, VISIT, Chunk
from tailrace.plan.stations import Stations


@dataclass(frozen=True)
class Demand:
    """Mean demand of one request of a class, over a sample of ``requests``.

    ``service_s``, shape (stations,): seconds of service at each station, detached work included. Of an arm it is
    the transfer alone: what positioning takes depends on the queue. Of a pool that paces it is the time for which
    permits are held by service alone; of other pools 0. ``visits``, shape (stations,), counts visits, or takes from a
    pool.
    ``awaited_s`` is the service that the request itself waits for, side by side or not.
    """

    requests: int
    service_s: FloatArray
    visits: FloatArray
    awaited_s: float


def chunk_demand(chunk: Chunk, stations: Stations) -> Demand:
    """Mean demand of the rows of a block of one class."""
    steps, rows = chunk.steps, len(chunk)
    visits = steps.op == VISIT
    count = len(stations)
    station, work = steps.arg[visits], steps.work[visits]
    service = np.bincount(station, work, count)
    asked = np.bincount(station, minlength=count).astype(np.float64)
    permits, takes = _permit_seconds(chunk, count)
    permits *= stations.per_station("paces")
    awaited = float(steps.work[visits & ~_detached(chunk)].sum())
    return Demand(rows, (service + permits) / rows, (asked + takes) / rows, awaited / rows)


def _permit_seconds(chunk: Chunk, stations: int) -> tuple[FloatArray, FloatArray]:
    """Seconds for which service holds each pool's permits, and the number of takes.

    Service that lies between a take and its give on the written path counts: the sum over the gives less the sum
    over the takes, without any need to pair them.
    """
    steps = chunk.steps
    elapsed = np.cumsum(np.where(steps.op == VISIT, steps.work, 0.0))
    took, gave = np.flatnonzero(steps.op == TAKE), np.flatnonzero(steps.op == GIVE)

    def summed(at: IntArray) -> FloatArray:
        return np.bincount(steps.arg[at], elapsed[at] * steps.work[at], stations).astype(np.float64)

    takes = np.bincount(steps.arg[took], minlength=stations).astype(np.float64)
    return summed(gave) - summed(took), takes


def _detached(chunk: Chunk) -> BoolArray:
    """Which steps lie on detached ways."""
    begin = np.flatnonzero(chunk.steps.op == DETACH)
    depth = np.zeros(chunk.steps.op.size + 1, dtype=np.int64)
    np.add.at(depth, begin + 1, 1)
    np.subtract.at(depth, begin + 1 + chunk.steps.arg[begin], 1)
    return np.cumsum(depth[:-1]) > 0
