"""Where do the bytes of a request lie? Striping over the drives."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import IntArray
from tailrace.hardware.extents import Extents


@dataclass(frozen=True)
class Striping:
    """Units of ``unit_bytes`` in turn over ``drives`` drives: unit k lies on drive k mod drives, row k // drives."""

    drives: int
    unit_bytes: int

    def operations(self, address: IntArray, size_bytes: IntArray) -> Extents:
        """The drive operations of requests: units that are adjacent on one drive are one operation.

        The units of a request on one drive are in consecutive rows, and only its first and its last unit can be
        partial, so each drive that it touches gets exactly one operation.
        """
        unit, drives = self.unit_bytes, self.drives
        first = address // unit
        head = address - first * unit
        last = (address + size_bytes - 1) // unit
        counts = np.minimum(last - first + 1, drives)
        if bool((counts == 1).all()):
            row, drive = np.divmod(first, drives)
            return Extents(counts, np.arange(address.size), drive, row * unit + head, size_bytes)
        owner = np.repeat(np.arange(address.size), counts)
        place = np.arange(owner.size) - np.repeat(np.cumsum(counts) - counts, counts)
        unit_number = first[owner] + place
        row, drive = np.divmod(unit_number, drives)
        units = (last[owner] - unit_number) // drives + 1
        begin = np.where(place == 0, head[owner], 0)
        tail = (last + 1) * unit - (address + size_bytes)
        ends_here = unit_number + (units - 1) * drives == last[owner]
        size = units * unit - begin - np.where(ends_here, tail[owner], 0)
        return Extents(counts, owner, drive, row * unit + begin, size)
