"""Which writes fill the page in which a drive gathers them, and which leave it to be programmed in part?"""

from __future__ import annotations

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray, running_before


def page_fills(
    drive: IntArray, units: IntArray, ends: BoolArray, per_page: int, fill: IntArray
) -> tuple[IntArray, IntArray]:
    """Pages that each write fills, and the units that it leaves in a page to be programmed in part.

    ``drive``, ``units`` and ``ends`` (whether the page is not waited for to fill further), shape (writes,), in the
    order in which they come; ``fill``, shape (drives,), what lies in each drive's page before, is brought up to date.
    """
    if not ends.any():
        before = running_before(drive, units, fill)
        return (before + units) // per_page - before // per_page, np.zeros(units.size, dtype=np.int64)
    # Between two ends nothing is lost, and behind one a page begins: each such stretch counts by itself.
    stretch = running_before(drive, ends.astype(np.int64), np.zeros(fill.size, dtype=np.int64))
    most = int(stretch.max()) + 1
    stretches, which = np.unique(drive * most + stretch, return_inverse=True)
    of_drive = stretches // most
    totals = np.where(stretches % most == 0, fill[of_drive] % per_page, 0)
    before = running_before(which, units, totals)
    totals[which[ends]] = 0
    fill[of_drive] = totals  # ascending, so that the last stretch of a drive stays
    after = before + units
    return after // per_page - before // per_page, np.where(ends, after % per_page, 0)


def next_on_drive_s(
    drive: IntArray, arrival_s: FloatArray, later_drive: IntArray, later_s: FloatArray
) -> FloatArray:
    """Seconds from each write to the next one on its drive, among themselves and those that come later.

    Infinite where none is known to come. Writes in the order in which they come; shape (writes,).
    """
    both = np.concatenate([drive, later_drive])
    time_s = np.concatenate([arrival_s, later_s])
    order = np.argsort(both, kind="stable")
    gaps = np.full(both.size, np.inf)
    same = both[order[1:]] == both[order[:-1]]
    gaps[order[:-1][same]] = (time_s[order[1:]] - time_s[order[:-1]])[same]
    return gaps[: drive.size]
