"""How long does a request take that goes several ways at once? As long as the slowest of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import gammainc

from tailrace.arrays import BoolArray, FloatArray
from tailrace.plan.columns import BRANCH, COLLECT, DETACH, END, QUORUM, SPLIT, TAKE, TAKE_RANKED, VISIT, Chunk

MOST_ROWS = 400
"""Requests whose ways are walked."""

INSTANTS = np.linspace(0.0, 1.0, 129)[:-1]
"""Where the law of the longest time is summed, of the span from nothing to what hardly any exceeds."""

CONSTANT = 1e-6
"""Squared coefficient of variation up to which a time is taken as constant."""


@dataclass(frozen=True)
class PerStation:
    """What a class meets at every station, shape (stations,) each.

    Mean and variance of the wait, how many times its work a visit takes, and mean and variance of what the service
    takes beyond that, in seconds and squared seconds.
    """

    wait_s: FloatArray
    wait_variance: FloatArray
    slowdown: FloatArray
    beyond_s: FloatArray
    beyond_variance: FloatArray


def slowest_way_mean_s(chunk: Chunk, wanted: BoolArray, stations: PerStation) -> float:
    """Mean seconds of the requests ``wanted``, shape (rows,): of several ways at once the longest.

    Ways are taken as independent, each time as gamma of its mean and variance. What is done for all that are collected
    is left out.
    """
    rows = np.flatnonzero(wanted)[:MOST_ROWS]
    walk = _Walk(chunk, stations)
    return float(np.mean([walk.way(int(chunk.first[row]))[0] for row in rows]))


def longest(times: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Mean and variance of the longest of independent times, given each by its mean and variance.

    E max = integral of 1 - product of F_i(t), with gamma laws F_i; derived.
    """
    least = max(mean for mean, _ in times)
    random = [(mean, variance) for mean, variance in times if variance > CONSTANT * mean**2]
    if len(times) == 1 or not random:
        return next(each for each in times if each[0] == least)
    constant = max((mean for mean, variance in times if (mean, variance) not in random), default=0.0)
    span = max(max(mean + 12 * math.sqrt(variance) for mean, variance in random), 2 * constant)
    t = span * INSTANTS
    below = (t >= constant).astype(np.float64)
    for mean, variance in random:
        below *= gammainc(mean**2 / variance, t * mean / variance)
    step, beyond = span * INSTANTS[1], 1.0 - below
    # By trapezoids: at 0 nothing is over.
    mean = step * (float(beyond.sum()) - 0.5 * float(beyond[0]))
    square = step * 2 * float(t @ beyond)
    return max(mean, least), max(square - mean**2, 0.0)


def ended(times: Sequence[tuple[float, float]], needed: int) -> tuple[float, float]:
    """Mean and variance of the time until so many of independent times are over, given each by its mean and variance.

    The law of the needed-th order statistic, P(T <= t) = P(at least as many of independent events), with gamma laws of
    each time (David and Nagaraja, Order Statistics, 3rd ed. 2003, ch. 5, from memory).
    """
    if needed == len(times):
        return longest(times)
    span = max(mean + 12 * math.sqrt(variance) for mean, variance in times)
    if not span:
        return 0.0, 0.0
    t = span * INSTANTS
    over = np.zeros((len(times) + 1, t.size))  # over[k]: probability that k are over
    over[0] = 1.0
    for mean, variance in times:
        if variance > CONSTANT * mean**2:
            one = gammainc(mean**2 / variance, t * mean / variance)
        else:
            one = (t >= mean).astype(np.float64)
        over[1:] = over[1:] * (1.0 - one) + over[:-1] * one
        over[0] *= 1.0 - one
    beyond = over[:needed].sum(axis=0)
    step = span * INSTANTS[1]
    mean = step * (float(beyond.sum()) - 0.5 * float(beyond[0]))
    square = step * 2 * float(t @ beyond)
    return mean, max(square - mean**2, 0.0)


class _Walk:
    """Walks paths as they are written: mean and variance of what they take."""

    def __init__(self, chunk: Chunk, stations: PerStation) -> None:
        self._op, self._arg, self._work = (
            column.tolist() for column in (chunk.steps.op, chunk.steps.arg, chunk.steps.work)
        )
        self._slowdown = stations.slowdown.tolist()
        self._wait = list(zip(stations.wait_s.tolist(), stations.wait_variance.tolist(), strict=True))
        self._beyond = list(zip(stations.beyond_s.tolist(), stations.beyond_variance.tolist(), strict=True))
        # Rows that ask for as much of stations alike take as long.
        self._ended = cache(ended)

    def way(self, at: int) -> tuple[float, float]:
        """Mean and variance of the time on the way that begins here."""
        mean, variance = 0.0, 0.0
        while (op := self._op[at]) != END:
            arg = self._arg[at]
            if op == DETACH:
                at += arg
            elif op == COLLECT:
                at += int(self._work[at])
            elif op in (SPLIT, QUORUM):
                ways, needed = [], arg if op == SPLIT else int(self._work[at])
                at += 1
                for _ in range(arg):
                    assert self._op[at] == BRANCH
                    ways.append(self.way(at + 1))
                    at += 1 + self._arg[at]
                parts = self._ended(tuple(ways), needed)
                mean, variance = mean + parts[0], variance + parts[1]
                continue
            elif op in (VISIT, TAKE, TAKE_RANKED):
                parts = self._wait[arg]
                mean, variance = mean + parts[0], variance + parts[1]
                if op == VISIT:
                    parts = self._beyond[arg]
                    mean, variance = (
                        mean + parts[0] + self._work[at] * self._slowdown[arg],
                        variance + parts[1],
                    )
            at += 1
        return mean, variance
