"""Runs of bytes in columns, and how they fall apart at boundaries."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import IntArray


@dataclass(frozen=True)
class Extents:
    """Runs of bytes, each on one drive and each belonging to one owner.

    ``owner`` ascends and numbers what the extents are parts of (a request, an operation); ``counts`` of shape
    (owners,) says how many extents each owner has. The other columns have the shape (extents,).
    """

    counts: IntArray
    owner: IntArray
    drive: IntArray
    address: IntArray
    size_bytes: IntArray

    def __len__(self) -> int:
        return self.drive.size

    def cut(self, grain: int, only_larger: bool = False) -> Extents:
        """The same bytes, cut at every multiple of ``grain``; the owners are the extents cut.

        With ``only_larger``, what is no larger than the grain stays whole.
        """
        first = self.address // grain
        last = (self.address + self.size_bytes - 1) // grain
        counts = last - first + 1
        if only_larger:
            counts = np.where(self.size_bytes > grain, counts, 1)
        if bool((counts == 1).all()):
            return Extents(counts, np.arange(len(self)), self.drive, self.address, self.size_bytes)
        owner = np.repeat(np.arange(len(self)), counts)
        place = np.arange(owner.size) - np.repeat(np.cumsum(counts) - counts, counts)
        end = self.address + self.size_bytes
        begin = np.where(place == 0, self.address[owner], (first[owner] + place) * grain)
        until = np.where(place == counts[owner] - 1, end[owner], (first[owner] + place + 1) * grain)
        return Extents(counts, owner, self.drive[owner], begin, until - begin)

    def split_at(self, address: int) -> Extents:
        """The same bytes for the same owners, in two where an extent reaches across the address."""
        across = (self.address < address) & (self.address + self.size_bytes > address)
        if not across.any():
            return self
        again = 1 + across.astype(np.int64)
        each = np.repeat(np.arange(len(self)), again)
        second = np.zeros(each.size, dtype=bool)
        second[1:] = each[1:] == each[:-1]
        first = across[each] & ~second
        end = self.address[each] + self.size_bytes[each]
        begin = np.where(second, address, self.address[each])
        owner = self.owner[each]
        counts = np.bincount(owner, minlength=self.counts.size)
        return Extents(counts, owner, self.drive[each], begin, np.where(first, address, end) - begin)
