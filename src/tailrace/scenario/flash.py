"""Flash drives, as written."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field

from tailrace.scenario.drives import Drives
from tailrace.scenario.model import Finding
from tailrace.scenario.quantity import DataRate, Number, Piece, RequestRate, Size, Time, TimeOrZero, Whole


class Flash(Drives):
    """Drives of flash dies behind buses, a command processor and a write buffer."""

    kind: Literal["flash"] = Field(default="flash", description="The kind of drive.")
    capacity: Size = Field(description="Capacity of one drive.")
    dies: Whole = Field(ge=1, le=65536, description="Dies in one drive.")
    channels: Whole = Field(ge=1, le=1024, description="Buses in one drive.")
    channel_rate: DataRate = Field(description="Rate of one bus.")
    cell_read: Time = Field(description="Time to read a page from the cells.")
    cell_program: Time = Field(description="Time to program a page.")
    cell_erase: Time = Field(description="Time to erase a block.")
    page: Piece = Field(default=16384, description="Bytes of a page.")
    pages_per_block: Whole = Field(default=1024, ge=1, le=1_000_000, description="Pages of a block.")
    map_unit: Piece = Field(
        default=4096, description="Unit of the address map, in which small writes are gathered."
    )
    write_amplification: Number = Field(
        default=1.0, ge=1, le=1000, description="Pages programmed for each page that the host writes."
    )
    buffer: Size = Field(default=16 * 2**20, description="Write buffer of one drive.")
    buffer_time: TimeOrZero = Field(
        default=10e-6, description="Time from the data in the buffer to the answer."
    )
    command_rate: RequestRate = Field(description="Commands that the drive's processor takes per time.")
    queue_slots: Annotated[Whole, Field(ge=1, le=65536)] | None = Field(
        default=None,
        description="Requests that a drive holds at once; by default 32 on a serial link up to 6 Gbit/s, "
        "else 1024.",
    )

    def findings(self) -> Iterator[Finding]:
        """Pages hold whole map units, and the buffer at least two pages."""
        yield from super().findings()
        if self.page % self.map_unit:
            yield Finding(("page",), "not a multiple of map_unit", "a multiple of map_unit", (("map_unit",),))
        if self.buffer < 2 * self.page:
            yield Finding(("buffer",), "less than two pages", "at least twice page", (("page",),))
