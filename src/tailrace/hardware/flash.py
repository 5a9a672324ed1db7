"""How long do a flash drive's parts take, and how much does a write set in motion?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.scenario.flash import Flash


@dataclass(frozen=True)
class FlashCost:
    """One flash drive. Sizes in bytes, times in seconds.

    ``copies`` is the mean number of pages that the drive itself copies for each page that the host writes: the
    write amplification less one.
    """

    dies: int
    channels: int
    channel_rate: float
    command_s: float
    cell_read_s: float
    program_s: float
    erase_s: float
    page: int
    map_unit: int
    pages_per_block: int
    buffer_units: int
    buffer_s: float
    copies: float

    @classmethod
    def of(cls, flash: Flash) -> FlashCost:
        """The costs of a scenario's flash drive."""
        return cls(
            flash.dies,
            flash.channels,
            flash.channel_rate,
            1.0 / flash.command_rate,
            flash.cell_read,
            flash.cell_program,
            flash.cell_erase,
            int(flash.page),
            int(flash.map_unit),
            flash.pages_per_block,
            int(flash.buffer) // int(flash.map_unit),
            flash.buffer_time,
            flash.write_amplification - 1.0,
        )

    @property
    def units_per_page(self) -> int:
        """Map units that fill a page."""
        return self.page // self.map_unit

    def units(self, size_bytes: IntArray) -> IntArray:
        """Map units that writes of ``size_bytes`` take up in the buffer."""
        return -(-size_bytes // self.map_unit)

    def bus_s(self, size_bytes: int | IntArray) -> FloatArray:
        """Seconds on a channel's bus."""
        return np.asarray(size_bytes, dtype=np.float64) / self.channel_rate

    def copies_drawn(self, u: FloatArray, random: bool) -> IntArray:
        """Pages copied behind each page written: the whole part of the mean, one more by chance for the rest.

        What is written sequentially is overwritten in whole blocks, so nothing of it needs to be copied.
        """
        mean = self.copies if random else 0.0
        whole = int(mean)
        return whole + (u < mean - whole).astype(np.int64)

    def program_and_erase_s(self, u: FloatArray) -> FloatArray:
        """Programs, each followed by the erase of a block with the probability 1 / pages per block."""
        return np.where(u < 1.0 / self.pages_per_block, self.program_s + self.erase_s, self.program_s)
