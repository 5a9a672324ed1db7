"""The drive operations of a block of requests, and the draws that belong to them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.hardware.extents import Extents
from tailrace.workload.requests import Requests
from tailrace.workload.streams import Purpose


@dataclass(frozen=True)
class Operations:
    """Drive operations in columns; the owner of each extent is the place of its request in ``requests``.

    ``behind``, shape (requests,), counts the operations of each request that came before these, so that all of them
    draw apart. ``later`` are those of the requests that come soon after these; see `Requests`.
    """

    requests: Requests
    extents: Extents
    behind: IntArray | None = None
    later: Operations | None = None

    def __len__(self) -> int:
        return len(self.extents)

    @cached_property
    def ordinal(self) -> IntArray:
        """Place of each operation within its request."""
        ordinal = places(self.extents.counts)
        return ordinal if self.behind is None else ordinal + self.behind[self.extents.owner]

    def uniforms(self, purpose: Purpose) -> FloatArray:
        """One uniform draw for each operation."""
        index = self.requests.index[self.extents.owner]
        return self.requests.streams.uniforms(purpose, index, self.ordinal)


def places(counts: IntArray) -> IntArray:
    """0, 1, ... counts[0] - 1, 0, 1, ... counts[1] - 1, and so on: the place of each part within its owner."""
    ends = np.cumsum(counts)
    return np.arange(int(ends[-1]) if ends.size else 0) - np.repeat(ends - counts, counts)
