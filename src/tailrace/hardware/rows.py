"""What must be read and written in each row that a request touches, where rows keep parity?

The fewest drive operations win. A *read-modify-write* reads what it will overwrite, with the parity; a
*reconstruct-write* reads the rest of the row instead; where drives are down and neither will do, all that is left of
the row is read. Whole rows are written without reading anything. Chen, Lee, Gibson, Katz and Patterson, RAID:
High-Performance, Reliable Secondary Storage, ACM Computing Surveys 26(2), 1994 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import BoolArray, IntArray
from tailrace.hardware.extents import Extents
from tailrace.hardware.geometry import Geometry

NEVER = 1 << 30
"""More operations than there can be."""


@dataclass(frozen=True)
class RowWork:
    """Drive operations on rows, in columns of shape (operations,), ascending by ``entry``.

    ``entry`` is the place of the touched row in :class:`Touched`.
    """

    entry: IntArray
    drive: IntArray
    address: IntArray
    size_bytes: IntArray

    def of_entries(self, at: IntArray) -> RowWork:
        """The same, where entry i is the one at ``at[i]`` of a larger block."""
        return RowWork(at[self.entry], self.drive, self.address, self.size_bytes)


@dataclass(frozen=True)
class Touched:
    """Rows that requests touch, in columns of shape (entries,), ascending by ``owner`` (the request) and address.

    ``begin`` and ``end`` are bytes within the data of the row.
    """

    owner: IntArray
    stripe: IntArray
    begin: IntArray
    end: IntArray

    @classmethod
    def of(cls, geometry: Geometry, address: IntArray, size_bytes: IntArray) -> Touched:
        """The rows that requests touch, each request by its address and size."""
        length = geometry.unit * geometry.data
        first = address // length
        counts = (address + size_bytes - 1) // length - first + 1
        if bool((counts == 1).all()):
            begin = address - first * length
            return cls(np.arange(address.size), first, begin, begin + size_bytes)
        owner = np.repeat(np.arange(address.size), counts)
        stripe = first[owner] + np.arange(owner.size) - np.repeat(np.cumsum(counts) - counts, counts)
        offset = stripe * length
        begin = np.maximum(address[owner] - offset, 0)
        end = np.minimum(address[owner] + size_bytes[owner] - offset, length)
        return cls(owner, stripe, begin, end)

    def at(self, places: IntArray) -> Touched:
        """Some of the rows."""
        return Touched(self.owner[places], self.stripe[places], self.begin[places], self.end[places])


class _Rows:
    """Units of every touched row, in matrices: data units in order, then parity.

    All of them, shape (entries, size), or only those ``columns``, shape (entries, some), that matter.
    """

    def __init__(self, geometry: Geometry, touched: Touched, columns: IntArray | None = None) -> None:
        unit, data = geometry.unit, geometry.data
        row, group = np.divmod(touched.stripe, geometry.groups)
        column = np.arange(geometry.size) if columns is None else columns
        part, places = geometry.part(row), geometry.place(row[:, np.newaxis], column)
        flat = (part * geometry.groups + group)[:, np.newaxis] * geometry.size + places
        self.drive, self.up = geometry.drive.reshape(-1)[flat], geometry.up.reshape(-1)[flat]
        self.offset = (row * unit)[:, np.newaxis]
        first, last = touched.begin // unit, (touched.end - 1) // unit
        self.head, self.tail = touched.begin - first * unit, touched.end - last * unit
        self.is_data = column < data
        first, last = first[:, np.newaxis], last[:, np.newaxis]
        self.touched = (column >= first) & (column <= last)
        self.begin = np.where(column == first, self.head[:, np.newaxis], 0)
        self.end = np.where(column == last, self.tail[:, np.newaxis], unit)
        # What the parity of the row changes in: the bytes of one unit, or all of it where several are touched.
        several = (last > first)[:, 0]
        self.low, self.high = np.where(several, 0, self.head), np.where(several, unit, self.tail)
        self.first, self.last = first, last
        self.lost = ~self.up & self.is_data

    def work(self, wanted: BoolArray, begin: IntArray, end: IntArray) -> RowWork:
        """Operations on the units that ``wanted`` marks, each from ``begin`` to ``end`` (matrices or columns)."""
        entry, column = np.nonzero(wanted)
        begin = np.broadcast_to(begin, wanted.shape)[entry, column]
        size = np.broadcast_to(end, wanted.shape)[entry, column] - begin
        return RowWork(entry, self.drive[entry, column], self.offset[entry, 0] + begin, size)

    def parities_for(self, needed: IntArray) -> BoolArray:
        """The first parity units that are up, as many as ``needed``, shape (entries,)."""
        parity = self.up & ~self.is_data
        return np.asarray(parity & (np.cumsum(parity, axis=1) <= needed[:, np.newaxis]))


def row_reads(geometry: Geometry, touched: Touched) -> tuple[RowWork, IntArray]:
    """What is read for requests that read, and the bytes folded to find what was lost, shape (entries,).

    A unit on a failed drive is found from all data units left in its row and as many parity units as are lost.
    """
    units = (touched.end - 1) // geometry.unit - touched.begin // geometry.unit + 1
    found = _Units(geometry, touched, units)
    folded = np.zeros(units.size, dtype=np.int64)
    if found.up.all():
        return found.work(np.arange(found.entry.size)), folded
    seeking = np.zeros(units.size, dtype=bool)
    seeking[found.entry[~found.up]] = True
    at = np.flatnonzero(seeking)
    work, folded[at] = _reads_around(geometry, touched.at(at))
    return _in_order(found.work(np.flatnonzero(~seeking[found.entry])), work.of_entries(at)), folded


class _Units:
    """The data units that each row is asked for, one after the other, shape (units,)."""

    def __init__(self, geometry: Geometry, touched: Touched, counts: IntArray) -> None:
        unit = geometry.unit
        self.entry = np.repeat(np.arange(counts.size), counts)
        nth = np.arange(self.entry.size) - np.repeat(np.cumsum(counts) - counts, counts)
        begin, end = touched.begin[self.entry], touched.end[self.entry]
        column = begin // unit + nth
        self._begin = np.maximum(begin - column * unit, 0)
        self._size = np.minimum(end - column * unit, unit) - self._begin
        row, group = np.divmod(touched.stripe[self.entry], geometry.groups)
        flat = (geometry.part(row) * geometry.groups + group) * geometry.size + geometry.place(row, column)
        self.up = geometry.up.reshape(-1)[flat]
        self._drive, self._offset = geometry.drive.reshape(-1)[flat], row * unit

    def work(self, at: IntArray) -> RowWork:
        """Operations on the units at these places."""
        return RowWork(self.entry[at], self._drive[at], self._offset[at] + self._begin[at], self._size[at])


def _in_order(one: RowWork, other: RowWork) -> RowWork:
    """The operations of both, ascending by entry."""
    if not one.entry.size or not other.entry.size:
        return one if one.entry.size else other
    columns = [
        np.concatenate(pair)
        for pair in zip(
            (one.entry, one.drive, one.address, one.size_bytes),
            (other.entry, other.drive, other.address, other.size_bytes),
            strict=True,
        )
    ]
    order = np.argsort(columns[0], kind="stable")
    return RowWork(*(column[order] for column in columns))


def _reads_around(geometry: Geometry, touched: Touched) -> tuple[RowWork, IntArray]:
    """Reads of rows of which a unit that is asked for is lost."""
    rows = _Rows(geometry, touched)
    lost = rows.lost & rows.touched
    seeking = lost.any(axis=1)
    low = np.where(lost, rows.begin, geometry.unit).min(axis=1)
    high = np.where(lost, rows.end, 0).max(axis=1)
    helping = (rows.up & rows.is_data) | rows.parities_for(rows.lost.sum(axis=1))
    helping &= seeking[:, np.newaxis]
    low, high = low[:, np.newaxis], high[:, np.newaxis]
    asked = rows.touched & rows.up
    begin = np.where(asked, np.where(helping, np.minimum(rows.begin, low), rows.begin), low)
    end = np.where(asked, np.where(helping, np.maximum(rows.end, high), rows.end), high)
    folded = helping.sum(axis=1) * (high - low)[:, 0] * lost.sum(axis=1)
    return rows.work(asked | helping, begin, end), np.where(seeking, folded, 0)


@dataclass(frozen=True)
class RowWrites:
    """What is read and then written for requests that write.

    ``folded_bytes``, shape (entries,), is what the processor folds into parity units (or lost ones) in between, and
    ``reads_first``, of the same shape, whether anything is read at all.
    """

    reads: RowWork
    writes: RowWork
    folded_bytes: IntArray
    reads_first: BoolArray


def row_writes(geometry: Geometry, touched: Touched) -> RowWrites:
    """What requests that write do to each row, by whichever way needs the fewest operations.

    Where a row's parity is lost altogether, the data are written and nothing else is done.
    """
    small = np.zeros(touched.owner.size, dtype=bool)
    if geometry.data > 1 + geometry.parities:
        one = touched.begin // geometry.unit == (touched.end - 1) // geometry.unit
        small[one] = _Units(
            geometry, touched.at(np.flatnonzero(one)), np.ones(int(one.sum()), dtype=np.int64)
        ).up
    if small.all():
        return _small_writes(geometry, touched)
    if not small.any():
        return _any_writes(geometry, touched)
    parts = []
    for each, writes in ((np.flatnonzero(small), _small_writes), (np.flatnonzero(~small), _any_writes)):
        parts.append((each, writes(geometry, touched.at(each))))
    (few, ones), (rest, others) = parts
    folded, reads_first = np.zeros(small.size, dtype=np.int64), np.zeros(small.size, dtype=bool)
    for each, found in parts:
        folded[each], reads_first[each] = found.folded_bytes, found.reads_first
    return RowWrites(
        _in_order(ones.reads.of_entries(few), others.reads.of_entries(rest)),
        _in_order(ones.writes.of_entries(few), others.writes.of_entries(rest)),
        folded,
        reads_first,
    )


def _small_writes(geometry: Geometry, touched: Touched) -> RowWrites:
    """Writes within one unit that is up, of rows so wide that a read-modify-write needs the fewest operations."""
    parities = np.broadcast_to(
        np.arange(geometry.data, geometry.size), (touched.owner.size, geometry.parities)
    )
    columns = np.column_stack([touched.begin // geometry.unit, parities])
    rows = _Rows(geometry, touched, columns)
    kept = (rows.up & ~rows.is_data).sum(axis=1)
    low, high = rows.low[:, np.newaxis], rows.high[:, np.newaxis]
    reads = rows.work(rows.up & (kept > 0)[:, np.newaxis], low, high)
    return RowWrites(reads, rows.work(rows.up, low, high), 2 * (touched.end - touched.begin) * kept, kept > 0)


def _any_writes(geometry: Geometry, touched: Touched) -> RowWrites:
    """Writes of any part of a row."""
    rows, data = _Rows(geometry, touched), geometry.data
    low, high = rows.low[:, np.newaxis], rows.high[:, np.newaxis]
    asked = rows.touched & rows.up
    parity = rows.up & ~rows.is_data
    parities, units = parity.sum(axis=1), rows.touched.sum(axis=1)
    partial = rows.touched & ((rows.begin > low) | (rows.end < high))
    lost_touched = (rows.lost & rows.touched).any(axis=1)
    hidden = (rows.lost & (~rows.touched | partial)).any(axis=1)

    modify = np.where(lost_touched, NEVER, units + parities)
    rest = data - units + (partial & rows.up).sum(axis=1)
    reconstruct = np.where(hidden, NEVER, rest)
    every = np.full(units.shape, data)
    way = np.argmin(np.stack([modify, reconstruct, every]), axis=0)  # ties go to the first
    keeps = parities > 0
    modifying, reconstructing, reading_all = ((keeps & (way == each))[:, np.newaxis] for each in range(3))

    up_data = rows.up & rows.is_data
    remainder = up_data & (~rows.touched | partial)
    found = rows.parities_for(rows.lost.sum(axis=1))
    reading = (
        (modifying & (asked | parity)) | (reconstructing & remainder) | (reading_all & (up_data | found))
    )
    old = modifying & rows.touched
    begin, end = np.where(old, rows.begin, low), np.where(old, rows.end, high)
    # Of a unit that is partly overwritten a reconstruct-write reads the other part: before or behind what is written.
    beside = reconstructing & partial
    ends_early = rows.end < high
    begin = np.where(beside & ends_early, rows.end, begin)
    end = np.where(beside & ~ends_early, rows.begin, end)
    writing = asked | (parity & keeps[:, np.newaxis])
    whole = data * (rows.high - rows.low)
    anew = whole * parities
    changed = 2 * (touched.end - touched.begin) * parities
    folded = np.select([way == 0, way == 1], [changed, anew], anew + whole * rows.lost.sum(axis=1))
    return RowWrites(
        rows.work(reading, begin, end),
        rows.work(writing, np.where(rows.is_data, rows.begin, low), np.where(rows.is_data, rows.end, high)),
        np.where(keeps, folded, 0),
        reading.any(axis=1),
    )


def adjacent_as_one(work: RowWork, owner: IntArray, owners: int) -> Extents:
    """Operations as extents of their owners, ``owner`` giving that of each entry; adjacent bytes on a drive are one.

    In the order of owner, drive and address.
    """
    mine = owner[work.entry]
    if owner.size == owners or mine.size == 0:  # a row each: no two of its units are on one drive
        counts = np.bincount(mine, minlength=owners)
        return Extents(counts, mine, work.drive, work.address, work.size_bytes)
    order = np.lexsort((work.address, work.drive, mine))
    mine, drive = mine[order], work.drive[order]
    address, end = work.address[order], work.address[order] + work.size_bytes[order]
    begins = np.ones(mine.size, dtype=bool)
    begins[1:] = (mine[1:] != mine[:-1]) | (drive[1:] != drive[:-1]) | (address[1:] != end[:-1])
    at = np.flatnonzero(begins)
    last = np.append(at[1:], mine.size) - 1
    counts = np.bincount(mine[at], minlength=owners)
    return Extents(counts, mine[at], drive[at], address[at], end[last] - address[at])
