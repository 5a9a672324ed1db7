"""Measured values of one kind, such as latencies: a column of a CSV file as numbers in SI."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.errors import Fault, TraceError
from tailrace.trace.compilation import numbers
from tailrace.trace.mapping import ColumnMapping, FileColumn
from tailrace.trace.table import blocks

SHOWN = 5

_read: dict[tuple[object, ...], FloatArray] = {}


def measured_values(path: Path, column: FileColumn, separator: str = ",") -> FloatArray:
    """The values of a column, ascending, all above 0. Empty lines are passed over.

    Raises TraceError for a file that cannot be read or lacks the column, and for values that are none.
    """
    try:
        seen = path.stat()
        key = (path, seen.st_mtime_ns, seen.st_size, column, separator)
    except OSError:
        key = (path, 0, 0, column, separator)
    if key in _read:
        return _read[key]
    parts, bad = [], list[str]()
    for block in blocks(path, ColumnMapping({"value": column}, separator=separator), ()):
        _, value = numbers(block.frame["value"])
        blank = block.frame["value"].isna().to_numpy()
        wrong = ~blank & ~(value > 0)
        for place in np.flatnonzero(wrong)[: SHOWN - len(bad)]:
            bad.append(f"line {block.first_line + int(place)}: {block.frame['value'].iloc[int(place)]!s}")
        parts.append(value[~blank & ~wrong] * column.scale)
    if bad:
        raise TraceError(
            str(path), [Fault(("file",), f"not all above 0 ({'; '.join(bad)})", "numbers above 0")]
        )
    found = np.sort(np.concatenate(parts)) if parts else np.empty(0)
    if not found.size:
        raise TraceError(str(path), [Fault(("file",), "no values", "at least one number")])
    found.flags.writeable = False
    _read[key] = found
    return found
