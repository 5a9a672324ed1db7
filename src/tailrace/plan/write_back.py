"""Protected memory of the controller, from which writes are acknowledged before they are on the drives."""

from __future__ import annotations

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.plan.columns import Stage
from tailrace.plan.path import Behind, Path, Series, give, take
from tailrace.plan.stations import Discipline, Stations
from tailrace.scenario.tables.memory import WriteBack

DESTAGES = "write_back.destages"
"""The key of the permits that each destage holds on its whole way to the drives."""


class WriteBackPlan:
    """A pool of room, and a pool that bounds how many writes are on their way to the drives.

    A write takes all of its room at once: were it taken piece by piece, two large writes could each hold half of what
    the other waits for, and pieces destaged on their own would break up full stripes. Every write is destaged, also one
    that a later write overtakes; what lies in the memory at first is a matter of `filled`.
    """

    def __init__(self, memory: WriteBack, stations: Stations) -> None:
        self._unit = int(memory.unit)
        units = int(memory.size) // self._unit
        self._room = stations.add(
            "write-back memory", Stage.CONTROLLER, Discipline.TOKEN, units, paces=False, key="write_back.size"
        )
        self._destages = stations.add(
            "destage permits", Stage.CONTROLLER, Discipline.TOKEN, memory.destages, paces=False, key=DESTAGES
        )

    def admit(self, size_bytes: IntArray) -> Path:
        """Take room for writes of these sizes, shape (m,)."""
        return take(size_bytes.size, self._room, self._units(size_bytes))

    def destage(self, size_bytes: IntArray, to_drives: list[Path]) -> Path:
        """The way to the drives, waited for by nobody; the room is given back at its end."""
        count = size_bytes.size
        way = [
            take(count, self._destages),
            *to_drives,
            give(count, self._destages),
            give(count, self._room, self._units(size_bytes)),
        ]
        return Behind(Series(count, way), np.ones(count, dtype=np.int64))

    def _units(self, size_bytes: IntArray) -> FloatArray:
        return (-(-size_bytes // self._unit)).astype(np.float64)
