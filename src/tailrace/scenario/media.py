"""The drives: spinning, flash, or generic (servers with a law)."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Discriminator, Field, Tag, model_validator

from tailrace.scenario.law import Law
from tailrace.scenario.quantity import (
    DataRate,
    Finding,
    Model,
    RequestRate,
    RotationRate,
    Share,
    Size,
    Time,
    TimeOrZero,
    chosen_by,
    refuse,
)

Scheduling = Literal["arrival order", "elevator", "shortest seek first", "shortest access first"]
Count = Annotated[int, Field(ge=1, le=100_000)]


class Generic(Model):
    """Drives that are servers with a service law."""

    kind: Literal["generic"] = Field(default="generic", description="The kind of drive.")
    count: Count = Field(default=1, description="Number of drives.")
    capacity: Size = Field(default=10**12, description="Capacity of one drive.")
    service: Law = Field(description="Law of the service times.")
    servers: int = Field(default=1, ge=1, le=1_000_000, description="Servers in each drive.")
    discipline: Literal["fcfs", "ps", "delay"] = Field(
        default="fcfs", description="First come first served, processor sharing, or a delay without a queue."
    )


class SeekPoint(Model):
    """One point of a measured seek curve."""

    share: Share = Field(description="Distance as a share of the whole stroke.")
    time: TimeOrZero = Field(description="Seek time over that distance.")


class TwoPieceSeek(Model):
    """A seek curve in two pieces: a + b√d below the boundary, c + e·d from it on, d in cylinders."""

    cylinders: int = Field(ge=2, le=10_000_000, description="Cylinders of the drive.")
    boundary: int = Field(
        ge=1, le=10_000_000, description="Distance in cylinders from which the far piece holds."
    )
    near: tuple[TimeOrZero, TimeOrZero] = Field(description="a and b of a + b√d.")
    far: tuple[TimeOrZero, TimeOrZero] = Field(description="c and e of c + e·d.")

    @model_validator(mode="after")
    def _boundary_on_the_drive(self) -> TwoPieceSeek:
        if self.boundary > self.cylinders:
            accepted = f"a whole number from 1 to {self.cylinders}"
            refuse(Finding(("boundary",), "beyond the cylinders", accepted, (("cylinders",),)))
        return self


def _points_or_pieces(value: object) -> str | None:
    if isinstance(value, list | tuple):
        return "|points"
    return "|pieces" if isinstance(value, dict | TwoPieceSeek) else None


SeekPoints = Annotated[tuple[SeekPoint, ...], Field(min_length=2)]
SeekCurve = Annotated[
    Annotated[SeekPoints, Tag("|points")] | Annotated[TwoPieceSeek, Tag("|pieces")],
    Discriminator(_points_or_pieces),
]


class Spinning(Model):
    """Drives with an arm over turning platters."""

    kind: Literal["spinning"] = Field(default="spinning", description="The kind of drive.")
    count: Count = Field(default=1, description="Number of drives.")
    capacity: Size = Field(description="Capacity of one drive.")
    rpm: RotationRate = Field(description="Speed of rotation.")
    seek_adjacent: Time | None = Field(default=None, description="Seek to the neighbouring track.")
    seek_average: Time | None = Field(
        default=None, description="Seek time averaged over random pairs of places."
    )
    seek_full: Time | None = Field(default=None, description="Seek over the whole stroke.")
    seek_curve: SeekCurve | None = Field(
        default=None,
        description="A measured seek curve instead of the three seek times: points, or two pieces.",
    )
    write_settle: TimeOrZero = Field(default=0.0, description="What a seek takes longer before a write.")
    outer_rate: DataRate = Field(description="Media rate at the outer edge.")
    inner_rate: DataRate = Field(
        default=0.0, description="Media rate at the inner edge; by default the outer rate."
    )
    queue_slots: int = Field(default=32, ge=1, le=65536, description="Requests that a drive holds at once.")
    scheduling: Scheduling = Field(
        default="shortest access first", description="Which request the arm takes next."
    )
    age_limit: Time = Field(default=2.0, description="A request that has waited longer goes first.")

    @model_validator(mode="before")
    @classmethod
    def _same_rate_throughout(cls, data: object) -> object:
        if isinstance(data, dict) and "outer_rate" in data and "inner_rate" not in data:
            return {**data, "inner_rate": data["outer_rate"]}
        return data

    @model_validator(mode="after")
    def _consistent(self) -> Spinning:
        found = []
        if self.inner_rate > self.outer_rate:
            wrong = "the inner edge is faster than the outer one"
            found.append(
                Finding(("inner_rate",), wrong, "a data rate of at most outer_rate", (("outer_rate",),))
            )
        refuse(*found, *self._seek_findings())
        return self

    def _seek_findings(self) -> list[Finding]:
        names = ("seek_adjacent", "seek_average", "seek_full")
        keys = (*((name,) for name in names), ("seek_curve",))
        accepted = "either seek_adjacent, seek_average and seek_full, or seek_curve"
        adjacent, average, full = self.seek_adjacent, self.seek_average, self.seek_full
        given = [name for name in names if getattr(self, name) is not None]
        if self.seek_curve is not None:
            return [Finding((name,), "given beside seek_curve", accepted, keys) for name in given]
        if adjacent is None or average is None or full is None:
            lacking = ", ".join(name for name in names if name not in given)
            wrong = f"no seek times: {lacking} missing" if given else "no seek times"
            return [Finding((), wrong, accepted, keys, shown="")]
        if not adjacent < full:
            return [Finding(("seek_full",), "not above seek_adjacent", "a time above seek_adjacent", keys)]
        # t(x) = a + b√x + c·x is monotonic only for averages between these (E√x = 8/15, E x = 1/3)
        low, high = adjacent + (full - adjacent) / 3, adjacent + (full - adjacent) * 11 / 15
        if not low * (1 - 1e-12) <= average <= high * (1 + 1e-12):
            accepted = f"with these ends an average from {low * 1e3:.4g} ms to {high * 1e3:.4g} ms"
            return [
                Finding(("seek_average",), "no seek curve goes through these three times", accepted, keys)
            ]
        return []


class Flash(Model):
    """Drives of flash dies behind buses, a command processor and a write buffer."""

    kind: Literal["flash"] = Field(default="flash", description="The kind of drive.")
    count: Count = Field(default=1, description="Number of drives.")
    capacity: Size = Field(description="Capacity of one drive.")
    dies: int = Field(ge=1, le=65536, description="Dies in one drive.")
    channels: int = Field(ge=1, le=1024, description="Buses in one drive.")
    channel_rate: DataRate = Field(description="Rate of one bus.")
    cell_read: Time = Field(description="Time to read a page from the cells.")
    cell_program: Time = Field(description="Time to program a page.")
    cell_erase: Time = Field(description="Time to erase a block.")
    page: Size = Field(default=16384, description="Bytes of a page.")
    pages_per_block: int = Field(default=1024, ge=1, le=1_000_000, description="Pages of a block.")
    map_unit: Size = Field(
        default=4096, description="Unit of the address map, in which small writes are gathered."
    )
    write_amplification: float = Field(
        default=1.0, ge=1, le=1000, description="Pages programmed for each page that the host writes."
    )
    buffer: Size = Field(default=16 * 2**20, description="Write buffer of one drive.")
    buffer_time: TimeOrZero = Field(
        default=10e-6, description="Time from the data in the buffer to the answer."
    )
    command_rate: RequestRate = Field(description="Commands that the drive's processor takes per time.")
    queue_slots: Annotated[int, Field(ge=1, le=65536)] | None = Field(
        default=None,
        description="Requests that a drive holds at once; by default 32 on a serial link up to 6 Gbit/s, else 1024.",
    )

    @model_validator(mode="after")
    def _whole_pages(self) -> Flash:
        found = []
        if self.page % self.map_unit:
            found.append(
                Finding(("page",), "not a multiple of map_unit", "a multiple of map_unit", (("map_unit",),))
            )
        if self.buffer < 2 * self.page:
            found.append(Finding(("buffer",), "less than two pages", "at least two pages", (("page",),)))
        refuse(*found)
        return self


Media = Annotated[
    Annotated[Spinning, Tag("|spinning")]
    | Annotated[Flash, Tag("|flash")]
    | Annotated[Generic, Tag("|generic")],
    chosen_by("kind", ("spinning", "flash", "generic")),
]
