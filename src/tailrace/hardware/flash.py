"""How long do a flash drive's parts take, and how much does a write set in motion?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.physics.datasheet import Parts
from tailrace.physics.flash import overprovisioning_of_amplification, spare_factor
from tailrace.scenario.tables.datasheet import CHANNELS, ERASE_S, Link, datasheet_parts
from tailrace.scenario.tables.flash import BUFFER, Flash


@dataclass(frozen=True)
class FlashCost:
    """One flash drive. Sizes in bytes, times in seconds.

    ``width`` is what one program writes: a page in each plane. ``copies`` is the mean number of programs by which the
    drive copies what is valid, for each program of what the host writes: the write amplification less one.
    ``erases`` is the probability that a program is followed by an erase.
    """

    dies: int
    channels: int
    channel_rate: float
    command_s: float
    cell_read_s: float
    program_s: float
    erase_s: float
    page: int
    width: int
    map_unit: int
    erases: float
    buffer_units: int
    buffer_s: float
    flush_s: float
    slice_s: float | None
    copies: float

    @classmethod
    def of(cls, flash: Flash, link: Link) -> FlashCost:
        """The costs of a scenario's flash drive behind its link, which latencies in a datasheet contain.

        Raises ValueError for datasheet figures that contradict one another.
        """
        parts = datasheet_parts(flash, link) if flash.has_datasheet else _written(flash)
        buffer = flash.buffer or max(BUFFER, 2 * parts.dies * flash.width)
        return cls(
            parts.dies,
            flash.channels or CHANNELS,
            parts.channel_rate,
            1.0 / parts.command_rate,
            parts.cell_read_s,
            parts.program_s,
            ERASE_S if flash.cell_erase is None else flash.cell_erase,
            int(flash.page),
            int(flash.width),
            int(flash.map_unit),
            0.0 if flash.condition == "fresh" else 1.0 / flash.pages_per_block,
            int(buffer) // int(flash.map_unit),
            parts.buffer_s,
            flash.flush_after,
            flash.suspend_slice,
            parts.amplification - 1.0,
        )

    @property
    def units_per_program(self) -> int:
        """Map units that one program writes."""
        return self.width // self.map_unit

    def units(self, size_bytes: IntArray) -> IntArray:
        """Map units that writes of ``size_bytes`` take up in the buffer."""
        return -(-size_bytes // self.map_unit)

    def bus_s(self, size_bytes: int | IntArray) -> FloatArray:
        """Seconds on a channel's bus."""
        return np.asarray(size_bytes, dtype=np.float64) / self.channel_rate

    def copies_drawn(self, u: FloatArray, random: bool) -> IntArray:
        """Programs that copy behind each program: the whole part of the mean, one more by chance for the rest.

        What is written sequentially is overwritten in whole blocks, so nothing of it needs to be copied.
        """
        mean = self.copies if random else 0.0
        whole = int(mean)
        return whole + (u < mean - whole).astype(np.int64)

    def program_and_erase_s(self, u: FloatArray) -> FloatArray:
        """Programs, each followed by the erase of a block with the probability 1 / pages per block."""
        return np.where(u < self.erases, self.program_s + self.erase_s, self.program_s)

    def stays_in_part(self, u: FloatArray, writes_per_s: FloatArray) -> BoolArray:
        """Whether no write comes within the time after which a page filled in part is programmed.

        By chance, writes to come being taken as Poisson at ``writes_per_s``, which may be infinite.
        """
        return np.asarray(u < np.exp(-writes_per_s * self.flush_s))


def remarks(name: str, flash: Flash, link: Link) -> tuple[str, ...]:
    """What an answer should say of a drive in datasheet form: the parts and the spare that its figures imply.

    ``name`` says whose drives they are.
    """
    if not flash.has_datasheet:
        return ()
    parts = datasheet_parts(flash, link)
    said = (
        f"The datasheet of {name} stands for {parts.dies} dies with {parts.cell_read_s * 1e6:.3g} us to read a page "
        f"and {parts.program_s * 1e6:.3g} us to program one, and for a write amplification of {parts.amplification:.3g}"
    )
    if parts.amplification < 1.001:
        return (f"{said}: no more than of a drive that copies nothing.",)
    spare = overprovisioning_of_amplification(parts.amplification)
    return (
        f"{said}, that of an overprovisioning of {spare:.3g} of what is filled ({spare_factor(spare):.3g} of the "
        "physical capacity).",
    )


def _written(flash: Flash) -> Parts:
    """The parts of a drive as they are written."""
    needed = (flash.command_rate, flash.channel_rate, flash.cell_read, flash.cell_program)
    command_rate, channel_rate, cell_read, cell_program = (each or 0.0 for each in needed)
    dies, amplification = flash.physical_dies, flash.amplification
    return Parts(command_rate, channel_rate, cell_read, dies, cell_program, amplification, flash.buffer_time)
