"""Drives known only by measurements: the rate at each queue depth, as written."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field

from tailrace.scenario.tables.drives import Drives
from tailrace.scenario.tables.fields import DataRate, Number, RequestRate, Size, Whole
from tailrace.scenario.tables.model import Finding, Model

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
    overhead: Size | None = Field(
        default=None,
        description="What a request asks beside its bytes, in bytes: other sizes ask by overhead + size. Left out: "
        "requests of all sizes ask the same.",
    )
    byte_rate: DataRate | None = Field(
        default=None, description="What all requests together move at most; left out: no limit."
    )
    variability: Annotated[Number, Field(ge=0, le=1e6)] = Field(
        default=0.0,
        description="Squared coefficient of variation of the work of a request (gamma): 0 constant, 1 exponential.",
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

    kind: Literal["measured"] = Field(default="measured", description="The kind of drive.")
    capacity: Size = Field(default=10**12, description="Capacity of one drive.")
    speed: Annotated[Number, Field(gt=0, le=1e6)] = Field(
        default=1.0,
        description="How many times as fast as the one that was measured; all rates are times this.",
    )
    reads: MeasuredKind | None = Field(default=None, description="What was measured of reads.")
    writes: MeasuredKind | None = Field(default=None, description="What was measured of writes.")

    @property
    def most_depth(self) -> int:
        """The greatest queue depth of any curve: beyond it rates are taken as flat."""
        return max(each.curve[-1].queue_depth for each in (self.reads, self.writes) if each is not None)

    def findings(self) -> Iterator[Finding]:
        """Reads or writes must have been measured."""
        yield from super().findings()
        if self.reads is None and self.writes is None:
            yield Finding(
                (), "neither reads nor writes", "a table reads, writes or both", (("reads",), ("writes",))
            )
