"""Flash drives, as written: by their parts, or by the figures of a datasheet."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field

from tailrace.physics.flash import write_amplification
from tailrace.scenario.tables.drives import Drives
from tailrace.scenario.tables.fields import (
    DataRate,
    Number,
    Piece,
    RequestRate,
    Size,
    Time,
    TimeOrZero,
    Whole,
    optional,
)
from tailrace.scenario.tables.model import Finding, KeyPath

DATASHEET = (
    "random_read_rate",
    "random_write_rate",
    "rated_depth",
    "sequential_read",
    "sequential_write",
    "read_latency",
    "write_latency",
)
_PARTS = ("channels", "channel_rate", "cell_read", "cell_program", "cell_erase", "command_rate")
_CONDITION = ("condition", "write_amplification", "overprovisioning", "filled")
NOT_BESIDE_DATASHEET = (
    "dies",
    "die_capacity",
    "channel_rate",
    "cell_read",
    "cell_program",
    "command_rate",
    "buffer_time",
    *_CONDITION,
)
_FORMS = (
    "either the parts (dies or die_capacity, channels, channel_rate, cell_read, cell_program, cell_erase, "
    f"command_rate) or the datasheet ({', '.join(DATASHEET)})"
)
MOST_DIES = 65536
BUFFER = 16 * 2**20


class Flash(Drives):
    """Drives of flash dies behind buses, a command processor and a write buffer."""

    kind: Literal["flash"] = optional("The kind of drive.", "flash")
    capacity: Size = Field(description="Capacity of one drive, as its user sees it.")
    dies: Annotated[Whole, Field(ge=1, le=MOST_DIES)] | None = optional(
        "Dies in one drive; or give `die_capacity`."
    )
    die_capacity: Size | None = optional(
        "Capacity of a die: a drive has as many as its capacity and its overprovisioning take."
    )
    planes: Annotated[Whole, Field(ge=1, le=64)] = optional(
        "Planes of a die: one program or erase goes to so many pages or blocks at once.", 1
    )
    channels: Annotated[Whole, Field(ge=1, le=1024)] | None = optional(
        "Buses in one drive; 8 beside datasheet figures if left out."
    )
    channel_rate: DataRate | None = optional("Rate of one bus.")
    cell_read: Time | None = optional("Time to read a page from the cells.")
    cell_program: Time | None = optional("Time to program a page.")
    cell_erase: Time | None = optional("Time to erase a block; 3 ms beside datasheet figures if left out.")
    page: Piece = optional("Bytes of a page.", 16384)
    pages_per_block: Whole = optional("Pages of a block.", 1024, ge=1, le=1_000_000)
    map_unit: Piece = optional("Unit of the address map, in which small writes are gathered.", 4096)
    condition: Literal["fresh", "steady"] | None = optional(
        "Fresh: nothing is copied or erased. Steady: all blocks are in use, so random writes are amplified "
        "by what the overprovisioning makes of them. Left out: every page written is programmed once."
    )
    overprovisioning: Annotated[Number, Field(ge=0, le=100)] | None = optional(
        "Spare as a share of the capacity, (physical - capacity) / capacity: 0.28 is a spare factor of "
        "0.219 of the physical."
    )
    filled: Annotated[Number, Field(gt=0, le=1)] | None = optional(
        "Share of the capacity that holds data, by default all; the rest is as good as spare."
    )
    write_amplification: Annotated[Number, Field(ge=1, le=1000)] | None = optional(
        "Pages programmed for each page that the host writes at random; instead of `condition`."
    )
    buffer: Size | None = optional(
        "Write buffer of one drive; by default 16 MiB, or two pages a die and plane if that is more."
    )
    buffer_time: TimeOrZero = optional("Time from the data in the buffer to the answer.", 10e-6)
    flush_after: Time = optional("A page that is filled in part is programmed after this time.", 1e-3)
    suspend_slice: Time | None = optional(
        "A program or erase lets waiting reads in after each such time; by default never."
    )
    command_rate: RequestRate | None = optional("Commands that the drive's processor takes per time.")
    random_read_rate: RequestRate | None = optional(
        "Datasheet: random reads of 4 KiB per time at `rated_depth`."
    )
    random_write_rate: RequestRate | None = optional(
        "Datasheet: random writes of 4 KiB per time at `rated_depth`, sustained."
    )
    rated_depth: Annotated[Whole, Field(ge=1, le=65536)] | None = optional(
        "Datasheet: queue depth at which the rates hold."
    )
    sequential_read: DataRate | None = optional("Datasheet: rate of sequential reads of 128 KiB.")
    sequential_write: DataRate | None = optional(
        "Datasheet: rate of sequential writes of 128 KiB, sustained."
    )
    read_latency: Time | None = optional("Datasheet: latency of one random read of 4 KiB on an idle drive.")
    write_latency: Time | None = optional("Datasheet: latency of one random write of 4 KiB on an idle drive.")
    queue_slots: Annotated[Whole, Field(ge=1, le=65536)] | None = optional(
        "Requests that a drive holds at once; by default 32 on a serial link up to 6 Gbit/s, else 1024."
    )

    @property
    def has_datasheet(self) -> bool:
        """Whether the drive is described by datasheet figures."""
        return any(getattr(self, key) is not None for key in DATASHEET)

    @property
    def width(self) -> int:
        """Bytes of one program: a page in each plane."""
        return self.planes * self.page

    @property
    def spare(self) -> float:
        """What is not filled as a share of what is, (physical - filled) / filled; 0 where nothing is said of it."""
        return (1.0 + (self.overprovisioning or 0.0)) / (self.filled or 1.0) - 1.0

    @property
    def amplification(self) -> float:
        """Pages programmed for each page written at random, of a drive that is described by its parts."""
        if self.condition == "steady":
            return write_amplification(self.spare)
        return self.write_amplification or 1.0

    @property
    def physical_dies(self) -> int:
        """Dies of a drive that is described by its parts."""
        if self.die_capacity is None:
            return self.dies or 1
        physical = self.capacity * (1.0 + (self.overprovisioning or 0.0))
        return max(int(-(-physical // self.die_capacity)), 1)

    def findings(self) -> Iterator[Finding]:
        """One form and all of it; pages of whole map units; a buffer of two pages; one way to the amplification."""
        yield from super().findings()
        if self.page % self.map_unit:
            yield Finding(("page",), "not a multiple of map_unit", "a multiple of map_unit", (("map_unit",),))
        if self.buffer is not None and self.buffer < 2 * self.width:
            rests_on: tuple[KeyPath, ...] = (("page",), ("planes",))
            pages = "two pages" if self.planes == 1 else "two pages of every plane"
            yield Finding(("buffer",), f"less than {pages}", "at least twice page times planes", rests_on)
        if self.has_datasheet:
            yield from self._datasheet_findings()
        else:
            yield from self._part_findings()
            yield from self._condition_findings()

    def _datasheet_findings(self) -> Iterator[Finding]:
        keys: tuple[KeyPath, ...] = tuple((key,) for key in DATASHEET)
        lacking = [key for key in DATASHEET if getattr(self, key) is None]
        if lacking:
            yield Finding((), f"{', '.join(lacking)} missing", _FORMS, keys)
        for key in NOT_BESIDE_DATASHEET:
            if key in self.model_fields_set and getattr(self, key) is not None:
                yield Finding((key,), "given beside datasheet figures, which imply it", _FORMS, keys)

    def _part_findings(self) -> Iterator[Finding]:
        keys: tuple[KeyPath, ...] = (*((key,) for key in (*_PARTS, *DATASHEET)), ("dies",), ("die_capacity",))
        lacking = [key for key in _PARTS if getattr(self, key) is None]
        if self.dies is None and self.die_capacity is None:
            lacking.insert(0, "dies or die_capacity")
        if lacking:
            yield Finding((), f"{', '.join(lacking)} missing", _FORMS, keys)
        if self.dies is not None and self.die_capacity is not None:
            yield Finding(("dies",), "given beside die_capacity", "either dies or die_capacity", keys)
        elif self.physical_dies > MOST_DIES:
            accepted = f"at least a {MOST_DIES:,}th of the physical capacity"
            yield Finding(("die_capacity",), f"{self.physical_dies:,} dies", accepted, (("capacity",),))

    def _condition_findings(self) -> Iterator[Finding]:
        given = [key for key in _CONDITION if key in self.model_fields_set and getattr(self, key) is not None]
        keys: tuple[KeyPath, ...] = tuple((key,) for key in _CONDITION)
        if "write_amplification" in given:
            accepted = "either write_amplification, or condition with overprovisioning and filled"
            for key in given:
                if key != "write_amplification":
                    yield Finding((key,), "given beside write_amplification", accepted, keys)
        elif self.condition is None and self.die_capacity is None:
            for key in given:
                accepted = f'{key} with condition = "fresh" or "steady"'
                yield Finding((key,), "means nothing without a condition", accepted, keys)
        elif self.condition == "steady" and not self.spare > 0:
            accepted = "overprovisioning above 0, or filled below 1"
            yield Finding(("condition",), "steady, but no room is spare", accepted, keys)
