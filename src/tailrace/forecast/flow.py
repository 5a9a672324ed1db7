"""What can measured drives carry, and how long do requests stay there? By the number present (`physics.flow`)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tailrace import theory
from tailrace.arrays import FloatArray
from tailrace.forecast.banks import BankWait
from tailrace.physics.flow import capped, open_mean_number
from tailrace.plan.columns import DRAW, WRITE, Chunk
from tailrace.plan.stations import Bank, Flow
from tailrace.scenario.tables.scenario import Scenario

UNLIKE = 1e-3
"""Relative difference from which on shares of the byte rate are not alike."""


@dataclass(frozen=True)
class Draws:
    """What visits to the stations of a bank ask: shape (visits,) each."""

    work_s: FloatArray
    is_write: FloatArray
    share: FloatArray

    @classmethod
    def of(cls, chunk: Chunk, first: int, count: int) -> Draws:
        """Of the requests of a block, at the stations ``first`` and following."""
        steps = chunk.steps
        at = np.flatnonzero(steps.op == DRAW)
        station = steps.arg[at + 1]
        at = at[(station >= first) & (station < first + count)]
        return cls(steps.work[at + 1], (steps.arg[at] == WRITE).astype(np.float64), steps.work[at])


@dataclass(frozen=True)
class Mix:
    """Seconds of work asked, those of writes among them, and those times the share of the byte rate; of any unit.

    ``is_uniform``: whether all draw the same share and are of one kind, so that the number present says it all.
    """

    work: float
    writing: float
    drawn: float
    is_uniform: bool

    @classmethod
    def of(cls, draws: Mapping[str, Draws], weights: Mapping[str, float]) -> Mix:
        """Of all classes, each by its weight."""
        asked = np.zeros(3)
        shares: list[float] = []
        for name, each in draws.items():
            if weights.get(name, 0.0) > 0.0 and each.work_s.size:
                columns = (np.ones(each.work_s.size), each.is_write, each.share)
                asked += weights[name] * np.array([each.work_s @ column for column in columns])
                shares += [each.share.min(), each.share.max()]
        alike = not shares or max(shares) - min(shares) <= UNLIKE * max(shares)
        work, writing, drawn = asked.tolist()
        return cls(work, writing, drawn, alike and writing in (0.0, work))

    def totals(self, flow: Flow) -> FloatArray:
        """What 1, 2 ... present are given together, those present being of this mix."""
        if self.work <= 0.0:
            return np.asarray(flow.totals[0])
        written = self.writing / self.work
        both = flow.totals[0] if written == 0.0 else (1 - written) * flow.totals[0] + written * flow.totals[1]
        return capped(both, self.drawn / self.work)


def share_carried(flow: Flow, work: FloatArray, writing: FloatArray, drawn: FloatArray) -> FloatArray:
    """Share of what each station can carry that is asked of it, by the fields of `Mix` a second, shape (stations,).

    With many present the mix of those present is that of the work.
    """
    last = flow.totals[:, -1]
    given = np.divide(
        last[0] * (work - writing) + last[1] * writing, work, out=np.ones_like(work), where=work > 0
    )
    return np.asarray(np.maximum(work / given, drawn))


def flow_wait(flow: Flow, mix: Mix, names: list[str]) -> BankWait:
    """The stay at a station of which so much is asked a second, arrivals at random.

    Exact where the mix is uniform. Raises OutsideValidityError if it is more than can be carried.
    """
    totals = mix.totals(flow)
    used = mix.work / float(totals[-1])
    number = float(theory.sharing_number_by_rate(mix.work, totals))
    return BankWait(used, dict.fromkeys(names, 0.0), slowdown=max(number / mix.work, 1.0))


def mixed_in_closed(mixes: list[Mix], numbers: FloatArray) -> Mix:
    """The mix of those present where of each class so many seconds of ``numbers`` are; shape (classes,)."""
    known = [(mix, float(n)) for mix, n in zip(mixes, numbers, strict=True) if mix.work > 0.0]
    parts = [(n * each.writing / each.work, n * each.drawn / each.work) for each, n in known]
    total = math.fsum(n for _, n in known)
    uniform = (
        all(each.is_uniform for each, _ in known)
        and len({(a / n, b / n) for (a, b), (_, n) in zip(parts, known, strict=True) if n}) <= 1
    )
    return Mix(total, math.fsum(a for a, _ in parts), math.fsum(b for _, b in parts), uniform)


def depth_notes(
    scenario: Scenario, banks: Sequence[Bank], shares: FloatArray, waiting: Mapping[str, float] | None = None
) -> tuple[str, ...]:
    """Where more is under way on average than was ever measured, ``shares`` of what each bank can carry being asked.

    ``waiting`` is the mean number by bank, if observed. Otherwise it follows from the open load, or from how many
    closed clients there are for each drive.
    """
    closed = sum(each.clients * (each.queue_depth or 1) for each in scenario.workload if not each.is_open)
    found = []
    for bank, share in zip(banks, shares, strict=True):
        if bank.flow is None:
            continue
        totals = bank.flow.totals.mean(axis=0)
        deepest, most = totals.size, float(totals[-1])
        if waiting is not None:
            number = waiting.get(bank.name, 0.0) + most
        elif closed:
            number = closed / bank.loaded
        else:
            number = open_mean_number(float(share) * most, totals)
        if deepest < number < math.inf:
            found.append(
                f"About {number:.3g} requests are under way at each {bank.name} on average, and nothing was measured "
                f"beyond queue depth {deepest}: there its rate is taken as flat."
            )
    return tuple(found)


def deep_points(points: Sequence[tuple[Scenario, Sequence[Bank], FloatArray]]) -> tuple[str, ...]:
    """The same of several scenarios, each with its banks and the shares asked of them: one note for all, if any."""
    found = [notes[0] for each in points if (notes := depth_notes(*each))]
    if not found:
        return ()
    return (
        f"At {len(found)} of {len(points)} values measured drives are used beyond what was measured. {found[-1]}",
    )
