"""Drives known only by measurements: the rate at each queue depth, as written."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from tailrace.errors import TraceError
from tailrace.scenario.tables.drives import Drives
from tailrace.scenario.tables.fields import (
    DataRate,
    FileName,
    Number,
    RequestRate,
    Size,
    Whole,
    optional,
)
from tailrace.scenario.tables.model import Finding, KeyPath, Model
from tailrace.scenario.tables.points import measured_points

MOST_DEPTH = 65_536
CLOSE = 1e-6
"""Relative excess over what may be that a rounding of written figures explains."""


class RatePoint(Model):
    """The rate with so many requests at a time."""

    queue_depth: Annotated[Whole, Field(ge=1, le=MOST_DEPTH)] = Field(description="Requests at a time.")
    rate: RequestRate = Field(description="Requests done per time while so many are under way.")


class MeasuredKind(Model):
    """Reads, or writes, of measured drives."""

    size: Size = Field(description="Size of the requests of the curve.")
    curve: Annotated[tuple[RatePoint, ...], Field(min_length=1, max_length=1000)] = Field(
        description="Rates by ascending queue depth; straight between points in the logarithms of both, flat beyond."
    )
    overhead: Size | None = optional(
        "What a request asks beside its bytes, in bytes: other sizes ask by overhead + size. Left out: "
        "requests of all sizes ask the same."
    )
    byte_rate: DataRate | None = optional("What all requests together move at most; left out: no limit.")
    variability: Annotated[Number, Field(ge=0, le=1e6)] = optional(
        "Squared coefficient of variation of the work of a request (gamma): 0 constant, 1 exponential.", 0.0
    )

    def findings(self) -> Iterator[Finding]:
        """Depths ascend; the rate never falls, nor grows faster than the depth."""
        for place, (one, two) in enumerate(pairwise(self.curve), 1):
            key, before = ("curve", place), (("curve", place - 1),)
            if two.queue_depth <= one.queue_depth:
                accepted = f"a depth above {one.queue_depth}"
                yield Finding((*key, "queue_depth"), "not above that of the point before", accepted, before)
                continue
            low, high = one.rate, one.rate * two.queue_depth / one.queue_depth
            if not low * (1 - CLOSE) <= two.rate <= high * (1 + CLOSE):
                wrong = "falls" if two.rate < low else "grows faster than the queue depth"
                accepted = f"{low:g} /s to {math.floor(high):g} /s"
                yield Finding((*key, "rate"), wrong, accepted, before)


class Measured(Drives):
    """Drives that nobody can describe by parts, only by what was measured: a virtual disk, say."""

    kind: Literal["measured"] = optional("The kind of drive.", "measured")
    capacity: Size = optional("Capacity of one drive.", 10**12)
    speed: Annotated[Number, Field(gt=0, le=1e6)] = optional(
        "How many times as fast as the one that was measured; all rates are times this.", 1.0
    )
    file: FileName | None = optional(
        "Instead of reads and writes, a CSV file of measured points, fitted as `tailrace calibrate` does: "
        "queue_depth or rate, size, kind, mean, p50 and so on, in SI; from the folder of the scenario file."
    )
    reads: MeasuredKind | None = optional("What was measured of reads.")
    writes: MeasuredKind | None = optional("What was measured of writes.")

    def findings(self) -> Iterator[Finding]:
        """Reads or writes must have been measured."""
        yield from super().findings()
        kinds: tuple[KeyPath, ...] = (("reads",), ("writes",))
        accepted = "tables reads and writes, one of them or both, or a file of points"
        if self.file is None:
            if self.reads is None and self.writes is None:
                yield Finding((), "neither reads nor writes", accepted, (*kinds, ("file",)))
        elif self.reads is not None or self.writes is not None:
            yield Finding(("file",), "beside reads or writes", accepted, kinds)
        else:
            yield from self._findings_of_file()

    def _findings_of_file(self) -> Iterator[Finding]:
        try:
            points = measured_points(Path(self.file or ""))
        except TraceError as error:
            for fault in error.faults:
                yield Finding(("file",), fault.wrong, fault.accepted)
            return
        for read, kind in ((True, "reads"), (False, "writes")):
            mine = [each for each in points if each.read == read]
            if mine and all(each.log_mean is None for each in mine):
                wrong = f"no point of {kind} tells a mean latency"
                yield Finding(("file",), wrong, "points with a mean, or with a throughput and a queue_depth")

    def has(self, read: bool) -> bool:
        """Whether reads, or writes, were measured."""
        if self.file is not None:
            return any(each.read == read for each in measured_points(Path(self.file)))
        return (self.reads if read else self.writes) is not None
