"""How much processor time does a request cost?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.hardware.service import gamma_times
from tailrace.scenario.tables.server import Controller


@dataclass(frozen=True)
class ControllerCost:
    """Seconds on one core of a controller as it is written."""

    written: Controller

    def intake_s(self, u: FloatArray) -> FloatArray:
        """Taking a request in."""
        return gamma_times(self.written.per_request, self.written.variability, u)

    def dispatch_s(self, operations: IntArray, u: FloatArray) -> FloatArray:
        """Issuing a request's drive operations: the sum of as many independent gamma times, again gamma.

        ``operations`` and ``u`` have the shape (m,); each request has at least one operation.
        """
        mean_s, scv = self.written.per_disk_operation, self.written.variability
        times = np.empty(u.shape)
        for count in np.flatnonzero(np.bincount(operations)).tolist():
            mine = operations == count
            times[mine] = gamma_times(mean_s * count, scv / count, u[mine])
        return times

    def completion_s(self, u: FloatArray) -> FloatArray:
        """Seeing a request out."""
        return gamma_times(self.written.per_completion, self.written.variability, u)

    def compute_s(self, time_s: float, u: FloatArray) -> FloatArray:
        """A step of a transaction that computes for ``time_s`` in the mean."""
        return gamma_times(time_s, self.written.variability, u)

    def copy_s(self, size_bytes: IntArray) -> FloatArray:
        """Moving bytes through a core: copied, checksummed or encrypted."""
        if self.written.copy_rate is None:
            return np.zeros(size_bytes.shape)
        return np.asarray(size_bytes / self.written.copy_rate, dtype=np.float64)
