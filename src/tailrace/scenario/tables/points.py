"""Measured points of a drive."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class MeasuredPoint:
    """What was measured under one condition: ``queue_depth`` requests at a time, or ``rate_per_s`` of them.

    ``measured`` in SI, by names of `point_columns.QUANTITIES`, throughput in requests per second; ``line`` is
    that of the file.
    """

    line: int
    queue_depth: int | None
    rate_per_s: float | None
    size_bytes: int
    read: bool
    measured: dict[str, float]

    @property
    def condition(self) -> tuple[int | None, float | None, int, bool]:
        """What is alike where a point was measured more than once."""
        return self.queue_depth, self.rate_per_s, self.size_bytes, self.read
