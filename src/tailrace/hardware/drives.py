"""How much slower is each drive than a healthy one?"""

from __future__ import annotations

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.scenario.tables.drives import Drives


def slowness(drives: Drives) -> FloatArray:
    """What the times of each drive's medium are multiplied by, shape (drives,): 1, and more for the slow ones."""
    factors = np.ones(drives.count)
    if drives.slow_factor is not None:
        factors[: drives.slow_drives] = drives.slow_factor
    return factors
