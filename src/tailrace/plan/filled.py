"""With what do buffers begin? As full as they will be, where closed clients fill them sooner than drives empty them.

Such a buffer is full for good, but a run that starts with an empty one first shows how fast the server is without it,
and room for many writes fills slowly. So the first request of such a class finds there what writes before it left: the
detached part of further requests of the class, which takes room and goes on behind, as theirs does. What goes on behind
that again, as the copies behind a program do, gathers while all of it is replaced a few times, and measuring waits for
that. (Copies that lie there from the beginning, of the same writes, are an echo that takes five times as long to die
away: own trial.) Where less is known buffers begin empty, and whether they fill is for the answer to find out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.plan.columns import GIVE, VISIT, Chunk, Steps
from tailrace.plan.demand import Sample, depth_behind, detached, positioning_s
from tailrace.plan.stations import Discipline, Stations
from tailrace.scenario.tables.scenario import Scenario

SURELY = 1.25
"""How many times what the scarcest station can do closed clients would ask of it if nothing waited, at least."""
SCARCE = 0.98
"""Share of the load of the scarcest station from which on another is as scarce."""
MOSTLY_BEHIND = 0.5
"""Share of that load, at least, for which nobody waits: else who waits for the rest holds the writes back."""
MORE_ROWS = 1.2
"""Rows that are planned to fill buffers, over those that would do if they fell evenly on all of them."""
SETTLED, SETTLED_BEHIND = 2, 6
"""How often all that buffers hold is replaced until it is as if they had been full for ever; and where work behind a
write has work behind it (own trial, a drive at depth 256: after five times neither the mean of latency nor the share of
the slowest changes any more)."""
MOST_STEPS = 2**21
"""Steps of what begins in the buffers of a class, at most: beyond, they begin as full as that makes them."""


@dataclass(frozen=True)
class Filling:
    """What requests of a class find in the buffers: ``room`` permits of each pool, shape (stations,), theirs alone."""

    room: FloatArray
    rows: int
    rounds: int = SETTLED

    @property
    def start(self) -> int:
        """Requests of the class that pass until what goes on behind it has come to its level: ``rounds`` fillings."""
        return int(self.rounds * self.rows / MORE_ROWS)

    def steps(self, chunk: Chunk) -> Steps:
        """What the rows of a block leave in the buffers, as far as there is room: the takes, and the ways behind."""
        steps, row = chunk.steps, _rows(chunk)
        held, behind = _held(chunk), detached(chunk)
        moves = np.flatnonzero(held)
        moves = moves[self.room[steps.arg[moves]] > 0.0]
        order = moves[np.argsort(steps.arg[moves], kind="stable")]
        pool = steps.arg[order]
        level = np.cumsum(held[order])
        begins = np.searchsorted(pool, pool)
        level -= level[begins] - held[order][begins]
        fits = np.bincount(row[moves], held[moves], len(chunk)) > 0.0
        fits[row[order[level > self.room[pool]]]] = False
        kept = behind.copy()
        kept[moves] = True
        return steps.at(np.flatnonzero(kept & fits[row]))


def put_before(before: Steps, chunk: Chunk) -> Chunk:
    """The block with further steps at the beginning of its first row."""
    first = chunk.first + before.op.size
    first[0] = 0
    return replace(chunk, first=first, steps=Steps.joined([before, chunk.steps]))


def fillings(scenario: Scenario, sample: Sample) -> dict[str, Filling]:
    """What the closed classes find in the buffers, by name; nothing of a class whose buffers begin empty.

    ``sample`` holds a block of requests of each class and rebuild. Closed clients for whom nothing waits ask most of a
    station: their number over thinking and the service that they wait for (Lazowska, Zahorjan, Graham and Sevcik,
    Quantitative System Performance, 1984, ch. 5, from memory). Where that is beyond what it can do, and mostly work
    behind writes, these come to wait for room.
    """
    stations, chunks = sample.stations, sample.chunks
    count = len(stations)
    asked = np.zeros((2, count))  # in all, and behind
    left: dict[str, FloatArray] = {}  # permits a second
    for factor, classes in ((scenario.load, scenario.workload), (1.0, scenario.background)):
        for workload in classes:
            chunk = chunks[workload.name]
            visits = sample.visits[workload.name]
            position_s = positioning_s(stations)[visits.station] * (workload.pattern == "random")
            work = (visits.work_s + position_s) / len(chunk)
            behind = np.bincount(visits.station, work * ~visits.awaited, count)
            waited_s = float(work[visits.awaited].sum())
            rate = workload.rate_at(factor)
            if not workload.is_open:
                circle_s = (workload.think_time or 0.0) + waited_s
                rate = workload.clients * (workload.queue_depth or 1) / circle_s
                left[workload.name] = rate * _left(chunk, stations)
            asked += rate * np.stack([np.bincount(visits.station, work, count), behind])
    load = np.stack([_alike(stations, each) for each in asked / stations.per_station("servers")])
    load[:, stations.per_station("discipline") == Discipline.DELAY] = 0.0
    scarce = (load[0] >= max(SURELY, SCARCE * float(load[0].max()))) & (load[1] >= MOSTLY_BEHIND * load[0])
    permits = stations.per_station("servers")
    total = sum(left.values(), np.zeros(count))
    found = {}
    for name, mine in left.items():
        buffers = np.flatnonzero(_emptied_by(scarce, chunks[name], count) & (mine > 0.0))
        if buffers.size:
            room = np.zeros(count)
            room[buffers] = np.floor(permits[buffers] * mine[buffers] / total[buffers])
            a_row = _left(chunks[name], stations)[buffers].sum()
            steps_a_row = chunks[name].steps.op.size / len(chunks[name])
            rows = min(MORE_ROWS * room.sum() / a_row, MOST_STEPS / steps_a_row)
            rounds = SETTLED_BEHIND if (depth_behind(chunks[name]) > 1).any() else SETTLED
            found[name] = Filling(room, int(rows) + 1, rounds)
    return found


def _rows(chunk: Chunk) -> IntArray:
    """The row of each step."""
    return np.repeat(np.arange(len(chunk)), np.diff(chunk.first, append=chunk.steps.op.size))


def _held(chunk: Chunk) -> FloatArray:
    """Permits that each step adds to those that its request holds, or gives back; 0 on ways behind it."""
    return np.where(detached(chunk), 0.0, _change(chunk.steps))


def _change(steps: Steps) -> FloatArray:
    """Permits that each step takes, less those that it gives back."""
    return np.asarray(steps.permits() * (steps.takes().astype(np.float64) - (steps.op == GIVE)))


def _left(chunk: Chunk, stations: Stations) -> FloatArray:
    """Permits of each pool that bounds what is under way that a request leaves to be given back behind it."""
    held = _held(chunk)
    at = np.flatnonzero(held)
    left = np.bincount(chunk.steps.arg[at], held[at], len(stations)) / len(chunk)
    return np.where(stations.per_station("paces") == 0, left, 0.0)


def _emptied_by(scarce: BoolArray, chunk: Chunk, count: int) -> BoolArray:
    """Which pools get permits back on ways behind requests that lead through one of the stations."""
    steps, behind = chunk.steps, detached(chunk)
    begins = behind & ~np.append(False, behind[:-1])
    way = np.cumsum(begins)
    there = behind & ((steps.op == VISIT) | steps.takes())
    there[there] = scarce[steps.arg[there]]
    back = np.flatnonzero(behind & (steps.op == GIVE) & np.isin(way, way[there]))
    return np.bincount(steps.arg[back], minlength=count) > 0


def _alike(stations: Stations, values: FloatArray) -> FloatArray:
    """The mean of the values over stations alike, for each station."""
    means = np.zeros(values.size)
    for bank in stations.banks:
        mine = slice(bank.first, bank.first + bank.count)
        alike = np.zeros(bank.count, dtype=np.int64) if bank.alike is None else bank.alike
        some = alike >= 0
        if some.any():
            _, place = np.unique(alike[some], return_inverse=True)
            means[mine][some] = bank.means_alike(values[mine])[place]
    return means
