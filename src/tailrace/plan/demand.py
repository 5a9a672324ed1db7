"""What does a request ask of each station? Counted on a sample of the plan itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.physics.seek import SeekCurve, mean_seek_s
from tailrace.plan.columns import COLLECT, DETACH, DRAW, GIVE, QUORUM, SPLIT, TAKE_RANKED, VISIT, WRITE, Chunk
from tailrace.plan.stations import Stations


@dataclass(frozen=True)
class Visits:
    """All visits of a block of rows, in columns of shape (visits,).

    ``work_s`` is seconds of service; of an arm the transfer alone. A take from a pool that paces stands as a visit
    of as many seconds as service holds the permit, and ``within`` tells the visits made meanwhile. ``awaited`` is
    whether the request itself waits for it, ``split`` of shape (rows,) whether a request goes several ways at once.
    ``rank`` is that of a ranked take, and 0 for all else. ``log`` is the station of bulk service at which requests are
    collected for it, -1 where there is none.
    """

    row: IntArray
    station: IntArray
    work_s: FloatArray
    rank: IntArray
    log: IntArray
    awaited: BoolArray
    within: BoolArray
    split: BoolArray


@dataclass(frozen=True)
class Demand:
    """Mean demand of one request of a class, over a sample of ``requests``.

    ``service_s``, shape (stations,): seconds of service at each station, detached work included. Of an arm it is
    the transfer alone: what positioning takes depends on the queue. Of a pool that paces it is the time for which
    permits are held by service alone; of other pools, and of bulk service, 0. ``visits``, shape (stations,), counts
    visits, takes from a pool, or requests to be served in bulk. What one request does for all that are collected counts
    as if these were always as many as there may be.
    ``awaited_s`` is the service that the request itself waits for, side by side or not. ``scv``, shape (stations,), is
    the squared coefficient of variation of the service of one visit (of a pool that paces: of one hold), NaN where
    there is none. ``writing_s`` and ``drawn_s``, shape (stations,): of the service at stations of discipline FLOW that
    of writes, and all of it times the share of the byte rate that is drawn meanwhile.
    """

    requests: int
    service_s: FloatArray
    visits: FloatArray
    awaited_s: float
    scv: FloatArray
    writing_s: FloatArray
    drawn_s: FloatArray


@dataclass(frozen=True, eq=False)
class Sample:
    """A block of requests of each class and rebuild, by name, and what is counted on it, once: for reading only.

    Each is only equal to itself, so that what is found of it can be kept by it.
    """

    stations: Stations
    chunks: Mapping[str, Chunk]

    @cached_property
    def visits(self) -> Mapping[str, Visits]:
        """All visits of each block."""
        return {name: chunk_visits(chunk, self.stations) for name, chunk in self.chunks.items()}

    @cached_property
    def demands(self) -> Mapping[str, Demand]:
        """Mean demand of a request of each."""
        return {
            name: chunk_demand(chunk, self.stations, self.visits[name]) for name, chunk in self.chunks.items()
        }


def chunk_demand(chunk: Chunk, stations: Stations, known: Visits | None = None) -> Demand:
    """Mean demand of the rows of a block of one class, whose visits may be ``known``."""
    steps, rows = chunk.steps, len(chunk)
    visits = steps.op == VISIT
    count = len(stations)
    station, work, shares = steps.arg[visits], steps.work[visits], collected_shares(chunk, stations)
    service = np.bincount(station, work * shares[visits], count)
    asking = visits | (steps.op == COLLECT)
    asked = np.bincount(steps.arg[asking], shares[asking], count)
    permits, takes = permit_seconds(chunk, count, shares)
    permits *= stations.per_station("paces")
    awaited = float(steps.work[visits & ~detached(chunk)].sum())
    scv = _variability(known or chunk_visits(chunk, stations), count)
    draws = np.flatnonzero(steps.op == DRAW)
    drawing = steps.arg[draws + 1], steps.work[draws + 1] * shares[draws]
    writing, drawn = (
        np.bincount(drawing[0], drawing[1] * each, count) / rows
        for each in (steps.arg[draws] == WRITE, steps.work[draws])
    )
    return Demand(
        rows, (service + permits) / rows, (asked + takes) / rows, awaited / rows, scv, writing, drawn
    )


def chunk_visits(chunk: Chunk, stations: Stations) -> Visits:
    """The visits of a block, in the order in which they are written."""
    steps = chunk.steps
    paced = np.append(stations.per_station("paces"), 0)[np.where(_on_station(chunk), steps.arg, -1)] > 0
    took, gave = np.flatnonzero(paced & steps.takes()), np.flatnonzero(paced & (steps.op == GIVE))
    # One permit each, and never two of a pool at once on a written path: of every pool, takes and gives alternate.
    took = took[np.argsort(steps.arg[took], kind="stable")]
    gave = gave[np.argsort(steps.arg[gave], kind="stable")]
    elapsed = np.cumsum(np.where(steps.op == VISIT, steps.work, 0.0))
    work = steps.work.copy()
    work[took] = elapsed[gave] - elapsed[took]
    inside = np.zeros(steps.op.size, dtype=np.int64)
    inside[took], inside[gave] = 1, -1
    is_visit = steps.op == VISIT
    is_visit[took] = True
    at = np.flatnonzero(is_visit)
    splits = (
        np.searchsorted(chunk.first, np.flatnonzero((steps.op == SPLIT) | (steps.op == QUORUM)), side="right")
        - 1
    )
    return Visits(
        np.searchsorted(chunk.first, at, side="right") - 1,
        steps.arg[at].astype(np.int64),
        work[at],
        np.where(steps.op[at] == TAKE_RANKED, steps.work[at], 0.0).astype(np.int64),
        _collected_by(chunk)[at],
        ~detached(chunk)[at],
        (np.cumsum(inside)[at] > 0) & (steps.op[at] == VISIT),
        np.bincount(splits, minlength=len(chunk)) > 0,
    )


def positioning_s(stations: Stations) -> FloatArray:
    """What a visit at random asks of an arm that cannot choose, before its transfer: a mean seek and half a turn.

    Shape (stations,), 0 where there is no arm.
    """
    time_s = np.zeros(len(stations))
    for bank in stations.banks:
        if bank.arm is not None:
            curve = SeekCurve(bank.arm.edges, bank.arm.a, bank.arm.b, bank.arm.c)
            time_s[bank.first : bank.first + bank.count] = mean_seek_s(curve) + 0.5 / bank.arm.turns_per_s
    return time_s


def _on_station(chunk: Chunk) -> BoolArray:
    """Which steps name a station or a pool."""
    op = chunk.steps.op
    return np.asarray((op == VISIT) | chunk.steps.takes() | (op == GIVE))


def _variability(visits: Visits, stations: int) -> FloatArray:
    """Squared coefficient of variation of the work of a visit at each station."""
    count = np.bincount(visits.station, minlength=stations)
    total = np.bincount(visits.station, visits.work_s, stations)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total / count
        deviation = visits.work_s - mean[visits.station]
        return np.asarray(np.bincount(visits.station, deviation**2, stations) / count / mean**2)


def collected_shares(chunk: Chunk, stations: Stations) -> FloatArray:
    """Share of each step that falls to the request on whose path it is, if one always does it for as many as it can.

    Whatever else is short, more are collected the longer it takes: near saturation this is what is asked.
    """
    by = _collected_by(chunk)
    return np.where(by < 0, 1.0, 1.0 / stations.per_station("servers")[by])


def _collected_by(chunk: Chunk) -> IntArray:
    """The station of bulk service at which requests are collected for each step, -1 where they are not."""
    steps = chunk.steps
    by = np.full(steps.op.size, -1)
    collects = np.flatnonzero(steps.op == COLLECT)
    lengths = steps.work[collects].astype(np.int64) - 1
    within = np.repeat(collects + 1 - np.cumsum(lengths) + lengths, lengths) + np.arange(lengths.sum())
    by[within] = np.repeat(steps.arg[collects], lengths)
    return by


def permit_seconds(
    chunk: Chunk, stations: int, shares: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Seconds for which service holds each pool's permits, and the number of takes, each counted by its share.

    Service that lies between a take and its give on the written path counts: the sum over the gives less the sum
    over the takes, without any need to pair them.
    """
    steps = chunk.steps
    elapsed = np.cumsum(np.where(steps.op == VISIT, steps.work, 0.0))
    took, gave = np.flatnonzero(steps.takes()), np.flatnonzero(steps.op == GIVE)
    shares = np.ones(steps.op.size) if shares is None else shares
    permits = steps.permits() * shares

    def summed(at: IntArray) -> FloatArray:
        return np.bincount(steps.arg[at], elapsed[at] * permits[at], stations).astype(np.float64)

    takes = np.bincount(steps.arg[took], shares[took], stations).astype(np.float64)
    return summed(gave) - summed(took), takes


def depth_behind(chunk: Chunk) -> IntArray:
    """How many detached ways each step lies within, one that it begins itself among them; shape (steps,)."""
    steps = chunk.steps
    begin = np.flatnonzero(steps.op == DETACH)
    change = np.bincount(begin, minlength=steps.op.size + 1)
    change -= np.bincount(begin + 1 + steps.arg[begin], minlength=steps.op.size + 1)
    return np.cumsum(change[:-1])


def detached(chunk: Chunk) -> BoolArray:
    """Which steps lie on detached ways."""
    return depth_behind(chunk) > 0
