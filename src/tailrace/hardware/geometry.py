"""Which drive holds which copy, data unit or parity unit, and which drives are up?

Mirrors are groups of as many drives as there are copies, with one data unit a row. Without redundancy all drives are
one group. Logical unit k lies in group (k // d) mod groups and row k // (d groups), d being the data units of a row of
one group.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import BoolArray, IntArray
from tailrace.scenario.tables.server import Pool


@dataclass(frozen=True)
class Geometry:
    """The layout of one pool.

    ``drive`` and ``up``, shape (2, groups, size): the number of the drive in each place of a group, and whether it can
    be used; first in the rows that are rebuilt already (below row ``rebuilt_rows``), then in all others. Where a spare
    has taken the place of a failed drive, it is that spare which is up.
    """

    unit: int
    size: int
    parities: int
    copies: int
    rows: int
    rebuilt_rows: int
    drive: IntArray
    up: BoolArray

    @classmethod
    def of(cls, pool: Pool) -> Geometry:
        """The geometry of a scenario's pool."""
        layout, drives = pool.layout, pool.media.count
        size, unit = layout.group_size(drives), int(layout.stripe_unit)
        rows = int(pool.media.capacity) // unit
        place = np.arange(layout.in_use(drives))
        drive = np.stack([place, place])
        up = ~np.isin(drive, layout.failed_drives(drives))
        for failed, spare in layout.rebuilding(drives).items():
            drive[0, failed], up[0, failed] = spare, True
        shape = (2, -1, size)
        return cls(
            unit,
            size,
            layout.parities,
            layout.mirrored,
            rows,
            int(layout.rebuilt * rows),
            drive.reshape(shape),
            up.reshape(shape),
        )

    @property
    def groups(self) -> int:
        """Number of groups."""
        return int(self.drive.shape[1])

    @property
    def data(self) -> int:
        """Data units in a row of one group."""
        return self.size // self.copies - self.parities

    def part(self, row: IntArray) -> IntArray:
        """Which part of ``drive`` and ``up`` holds for rows: 0 where they are rebuilt already, else 1."""
        return np.asarray(row >= self.rebuilt_rows, dtype=np.int64)

    def place(self, row: IntArray, column: IntArray) -> IntArray:
        """The place within the group of a row's unit: the data units first, and behind them the parity units.

        Parity moves back by one drive a row, and the data begin behind it, so that consecutive units are on different
        drives. Shapes are broadcast.
        """
        return np.asarray((self.size - 1 - row % self.size + self.parities + column) % self.size)

    def places(self, row: IntArray) -> IntArray:
        """The places of all units of rows, shape (rows, size)."""
        return self.place(row[:, np.newaxis], np.arange(self.size))
