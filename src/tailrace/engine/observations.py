"""What an engine reports: every request up to a given number, and the stations at a few instants."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from tailrace.arrays import FloatArray, IntArray
from tailrace.plan.stations import Stations

Mark: TypeAlias = tuple[float, int, int, int, Sequence[float] | FloatArray, Sequence[float] | FloatArray]
"""One mark: the fields of `Marks`."""


@dataclass(frozen=True)
class Marks:
    """The state of the run at the arrivals of certain requests; k marks, s stations.

    ``arrived`` (k,) requests so far; ``present`` (k,) requests under way, and ``detached`` (k,) detached ways under
    way; ``busy_s`` (k, s) integral of the number of busy servers (of permits held, for a pool), and ``waiting_s``
    (k, s) of the number waiting, both from time 0. A delay has neither: NaN. A run of many stations may note the sums
    over each bank in place of its stations.
    """

    time_s: FloatArray
    arrived: IntArray
    present: IntArray
    detached: IntArray
    busy_s: FloatArray
    waiting_s: FloatArray

    @classmethod
    def of(cls, marks: Sequence[Mark], stations: int) -> Marks:
        """The marks of a run, one after the other, with so many stations."""
        time_s, arrived, present, detached, busy_s, waiting_s = (
            zip(*marks, strict=True) if marks else ((),) * 6
        )
        return cls(
            np.array(time_s, dtype=np.float64),
            np.array(arrived, dtype=np.int64),
            np.array(present, dtype=np.int64),
            np.array(detached, dtype=np.int64),
            np.array(busy_s, dtype=np.float64).reshape(len(marks), stations),
            np.array(waiting_s, dtype=np.float64).reshape(len(marks), stations),
        )


def by_banks(firsts: IntArray | None, integrals: FloatArray) -> FloatArray:
    """Sums over banks of which ``firsts`` are the first stations; each station by itself where that is None."""
    return integrals if firsts is None else np.add.reduceat(integrals, firsts)


def first_stations(stations: Stations) -> IntArray:
    """The number of the first station of each bank."""
    return np.array([bank.first for bank in stations.banks], dtype=np.int64)


def mark_places(requests: int, marks: int) -> list[int]:
    """The requests, by number, at whose arrival the state is noted: evenly spread, the first one last in the list."""
    return sorted({round(place) for place in np.linspace(0, requests - 1, marks)}, reverse=True)


@dataclass(frozen=True)
class Observations:
    """Requests in order of arrival, one entry each; stage columns have the shape (requests, 4).

    ``wait_s`` and ``service_s`` are what the request was charged at each stage along the way that ended last.
    ``complete`` is False if the run was given up because more requests were under way than allowed; then only
    the marks up to that point are there, and no request.
    """

    class_index: NDArray[np.uint16]
    client: NDArray[np.uint32]
    kind: NDArray[np.uint8]
    size_bytes: IntArray
    arrival_s: FloatArray
    completion_s: FloatArray
    wait_s: FloatArray
    service_s: FloatArray
    marks: Marks
    complete: bool

    @property
    def latency_s(self) -> FloatArray:
        """Completion less intended arrival, in seconds."""
        return self.completion_s - self.arrival_s

    def __len__(self) -> int:
        return self.arrival_s.size
