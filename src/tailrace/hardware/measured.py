"""What requests ask of drives that are known by measurements only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.hardware.measured_fit import kinds_of
from tailrace.hardware.service import gamma_times
from tailrace.physics import flow
from tailrace.scenario.tables.measured import Measured, MeasuredKind


@dataclass(frozen=True)
class KindCost:
    """Reads or writes of one drive: ``rates`` a second with 1, 2 ... under way, shape (n,), of those of its size.

    ``byte_rate`` is what they move a second at most, None for no limit.
    """

    written: MeasuredKind
    rates: FloatArray
    byte_rate: float | None

    @classmethod
    def of(cls, written: MeasuredKind, most: int, speed: float = 1.0) -> KindCost:
        """With rates up to ``most`` under way, of a drive so many times as fast as the one that was measured."""
        depths = np.array([each.queue_depth for each in written.curve], dtype=np.float64)
        rates = speed * flow.curve(depths, np.array([each.rate for each in written.curve]), most)
        return cls(written, rates, None if written.byte_rate is None else speed * written.byte_rate)

    @property
    def totals(self) -> FloatArray:
        """Seconds of work a second that all present are given together, shape (n,): 1 for one alone."""
        return np.asarray(self.rates / self.rates[0])

    def asked(self, size_bytes: IntArray | FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean seconds of work, and the share of the byte rate that each draws; both of the shape of the sizes."""
        kind = self.written
        alone = float(self.rates[0])
        return flow.work_s(size_bytes.astype(np.float64), kind.size, alone, kind.overhead, self.byte_rate)

    def work_s(self, mean_s: FloatArray, u: FloatArray) -> FloatArray:
        """Seconds of work of these means from uniform draws in (0, 1)."""
        return gamma_times(1.0, self.written.variability, u) * mean_s


@dataclass(frozen=True)
class MeasuredCost:
    """Reads and writes of a drive, each None where it was not measured."""

    reads: KindCost | None
    writes: KindCost | None

    @classmethod
    def of(cls, media: Measured) -> MeasuredCost:
        """The curves of a drive, all up to its greatest depth."""
        both = kinds_of(media)
        most = max(each.curve[-1].queue_depth for each in both if each is not None)
        return cls(*(None if each is None else KindCost.of(each, most, media.speed) for each in both))

    def of_kind(self, read: bool) -> KindCost:
        """The cost of reads, or of writes. Raises ValueError where these were not measured."""
        found = self.reads if read else self.writes
        if found is None:
            raise ValueError(f"{'reads' if read else 'writes'} of these drives were not measured")
        return found

    @property
    def totals(self) -> FloatArray:
        """What all present are given together if all are reads, or all writes, shape (2, n).

        What was not measured is as the other.
        """
        known = [each for each in (self.reads, self.writes) if each is not None]
        return np.stack([(each or known[0]).totals for each in (self.reads, self.writes)])
