"""Spinning drives, as written."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag

from tailrace.physics.seek import falls_at_boundary
from tailrace.scenario.tables.drives import Drives
from tailrace.scenario.tables.fields import (
    DataRate,
    RequestRate,
    RotationRate,
    Share,
    Size,
    Time,
    TimeOrZero,
    Whole,
    optional,
)
from tailrace.scenario.tables.model import Finding, KeyPath, Model

Scheduling = Literal["arrival order", "elevator", "shortest seek first", "shortest access first"]

WRITE_CACHE_UNIT = 4096
"""Bytes in which room in a drive's write cache is counted."""


class SeekPoint(Model):
    """One point of a measured seek curve."""

    share: Share = Field(description="Distance as a share of the whole stroke.")
    time: TimeOrZero = Field(description="Seek time over that distance.")


class TwoPieceSeek(Model):
    """A seek curve in two pieces: a + b√d below the boundary, c + e·d from it on, d in cylinders."""

    cylinders: Whole = Field(ge=2, le=10_000_000, description="Cylinders of the drive.")
    boundary: Whole = Field(
        ge=1, le=10_000_000, description="Distance in cylinders from which the far piece holds."
    )
    near: tuple[TimeOrZero, TimeOrZero] = Field(description="a and b of a + b√d.")
    far: tuple[TimeOrZero, TimeOrZero] = Field(description="c and e of c + e·d.")

    def findings(self) -> Iterator[Finding]:
        """The curve must lie on the drive and not fall where its pieces meet, but for what a fit may."""
        if self.boundary >= self.cylinders:
            accepted = f"a whole number from 1 to {self.cylinders - 1}"
            yield Finding(("boundary",), "beyond the longest seek", accepted, (("cylinders",),))
        elif falls_at_boundary(self.boundary, self.near, self.far):
            accepted = "a far piece that starts no lower than the near one ends, within a hundredth"
            yield Finding(("far",), "the curve falls at the boundary", accepted, (("near",), ("boundary",)))


def _points_or_pieces(value: Any) -> str | None:
    if isinstance(value, list | tuple):
        return "|points"
    return "|pieces" if isinstance(value, dict | TwoPieceSeek) else None


SeekPoints = Annotated[tuple[SeekPoint, ...], Field(min_length=2)]
SeekCurve = Annotated[
    Annotated[SeekPoints, Tag("|points")] | Annotated[TwoPieceSeek, Tag("|pieces")],
    Discriminator(_points_or_pieces),
]


_SEEKS = ("seek_adjacent", "seek_average", "seek_full")
_SEEK_FORMS = "either seek_adjacent, seek_average and seek_full, or seek_curve"


class Spinning(Drives):
    """Drives with an arm over turning platters."""

    kind: Literal["spinning"] = optional("The kind of drive.", "spinning")
    capacity: Size = Field(description="Capacity of one drive.")
    rpm: RotationRate = Field(description="Speed of rotation.")
    seek_adjacent: Time | None = optional("Seek to the neighbouring track.")
    seek_average: Time | None = optional("Seek time averaged over random pairs of places.")
    seek_full: Time | None = optional("Seek over the whole stroke.")
    seek_curve: SeekCurve | None = optional(
        "A measured seek curve instead of the three seek times: points, or two pieces."
    )
    heads: Annotated[Whole, Field(ge=1, le=64)] | None = optional(
        "Tracks of a cylinder, between which the arm only switches heads. Left out: as `cylinders` of a "
        "seek curve says, else one."
    )
    head_switch: TimeOrZero | None = optional(
        "Time to go to another track of the same cylinder; by default that of the shortest seek."
    )
    write_settle: TimeOrZero = optional("How much longer a seek takes before a write.", 0.0)
    outer_rate: DataRate = Field(description="Media rate at the outer edge.")
    inner_rate: DataRate = Field(
        default_factory=lambda earlier: earlier["outer_rate"],
        description="Media rate at the inner edge; by default the outer rate.",
    )
    command_rate: RequestRate = optional(
        "Commands that the drive's processor takes per time; by default one in 40 us.", 25_000.0
    )
    queue_slots: Whole = optional("Requests that a drive holds at once.", 32, ge=1, le=65536)
    scheduling: Scheduling = optional("Which request the arm takes next.", "shortest access first")
    age_limit: Time = optional("A request that has waited longer goes first.", 2.0)
    read_ahead: Size | None = optional(
        "Bytes that the arm reads on behind a read when nothing waits; later reads in them need no arm. "
        "Left out: none."
    )
    segments: Annotated[Whole, Field(ge=1, le=4096)] = optional(
        "Streams whose read-ahead one drive holds at once (with read_ahead).", 16
    )
    write_cache: Annotated[Size, Field(ge=WRITE_CACHE_UNIT)] | None = optional(
        "Volatile write cache of one drive, which acknowledges writes, except durable ones, before they "
        "are on the medium: a power failure loses what it holds. Left out: none."
    )

    def findings(self) -> Iterator[Finding]:
        """The outer edge is no slower than the inner; the seek times have one form, and a curve fits them."""
        yield from super().findings()
        if self.inner_rate > self.outer_rate:
            wrong = "the inner edge is faster than the outer one"
            yield Finding(("inner_rate",), wrong, "at most outer_rate", (("outer_rate",),))
        if self.seek_curve is None:
            yield from self._three_point_findings()
        else:
            for name in _SEEKS:
                if getattr(self, name) is not None:
                    yield Finding((name,), "given beside seek_curve", _SEEK_FORMS, (("seek_curve",),))
        if isinstance(self.seek_curve, tuple):
            yield from self._point_findings(self.seek_curve)
        elif self.seek_curve is not None and self.heads is not None:
            accepted = "either heads, or cylinders of the seek curve"
            yield Finding(("heads",), "given beside cylinders", accepted, (("seek_curve", "cylinders"),))
        if (
            self.head_switch is not None
            and self.heads is None
            and not isinstance(self.seek_curve, TwoPieceSeek)
        ):
            accepted = "head_switch with heads, or with cylinders of a seek curve"
            yield Finding(("head_switch",), "means nothing without cylinders", accepted, (("heads",),))

    def _three_point_findings(self) -> Iterator[Finding]:
        keys: tuple[KeyPath, ...] = (*((name,) for name in _SEEKS), ("seek_curve",))
        adjacent, average, full = self.seek_adjacent, self.seek_average, self.seek_full
        if adjacent is None or average is None or full is None:
            lacking = ", ".join(name for name in _SEEKS if getattr(self, name) is None)
            yield Finding((), f"{lacking} missing", _SEEK_FORMS, keys)
        elif adjacent >= full:
            yield Finding(("seek_full",), "not above seek_adjacent", "a time above seek_adjacent", keys)
        else:
            # x uniform over pairs: E x = 1/3, E√x = 8/15; a + b√x + c·x rises throughout (b >= 0, c >= -b/2)
            # from c alone (b = 0) to b alone falling off (c = -b/2)
            low, high = adjacent + (full - adjacent) / 3, adjacent + (full - adjacent) * 11 / 15
            if not low * (1 - 1e-9) <= average <= high * (1 + 1e-9):
                accepted = f"{low * 1e3:.4g} ms to {high * 1e3:.4g} ms with this seek_adjacent and seek_full"
                yield Finding(("seek_average",), "no seek curve has this average", accepted, keys)

    def _point_findings(self, points: tuple[SeekPoint, ...]) -> Iterator[Finding]:
        last: KeyPath = ("seek_curve", len(points) - 1, "share")
        if points[-1].share != 1:
            yield Finding(last, "the curve ends before the whole stroke", "a last point with share = 1")
        for index, (one, two) in enumerate(pairwise(points), start=1):
            here: KeyPath = ("seek_curve", index)
            before: KeyPath = ("seek_curve", index - 1)
            if two.share <= one.share:
                yield Finding((*here, "share"), "not above the share before it", "rising shares", (before,))
            if two.time < one.time:
                yield Finding(
                    (*here, "time"), "shorter than the time before it", "times that never fall", (before,)
                )
