"""Which drives of a pool bear the same load, and which bear more because others have failed?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import IntArray
from tailrace.hardware.geometry import Geometry
from tailrace.plan.columns import Stage
from tailrace.plan.stations import Bank, Discipline
from tailrace.scenario.tables.server import Pool

IDLE = -1
"""Label of drives that have failed, and of spares that stand by."""


@dataclass(frozen=True)
class UnlikeDrives:
    """``label``, shape (drives,): drives with the same label are loaded alike. None where all drives are."""

    label: IntArray | None
    slow: int

    @classmethod
    def of(cls, pool: Pool, geometry: Geometry) -> UnlikeDrives:
        """What failed drives and spares make of a pool: each group with one, and its spares, apart from the others."""
        layout, drives = pool.layout, pool.media.count
        failed = layout.failed_drives(drives)
        slow = pool.media.slow_drives
        if not failed and not layout.spares:
            return cls(None, slow)
        size, label = geometry.size, np.zeros(drives, dtype=np.int64)
        label[layout.in_use(drives) :] = IDLE
        for drive in failed:
            group = drive // size
            label[group * size : (group + 1) * size] = 1 + group
        for drive, spare in layout.rebuilding(drives).items():
            label[spare] = 1 + geometry.groups + drive // size
        label[list(failed)] = IDLE
        return cls(label, slow)

    def labels(self, bank: Bank) -> IntArray | None:
        """Labels of the stations of a bank that has so many for each drive; None where they are all alike."""
        if (
            self.label is None
            or bank.stage not in (Stage.LANE, Stage.MEDIA)
            or bank.discipline == Discipline.DELAY
        ):
            return None
        mine = self.label
        if bank.name.startswith("slow "):
            mine = self.label[: self.slow]
        elif bank.stage == Stage.MEDIA:
            mine = self.label[self.slow :]
        if bank.name == "row lock" or mine.size == 0 or bank.count % mine.size:
            return None  # shared by several drives
        return np.repeat(mine, bank.count // mine.size)
