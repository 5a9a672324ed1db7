"""What does it take to move a message between a client and the server?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.physics.links import wire_bytes
from tailrace.scenario.tables.server import Ports


@dataclass(frozen=True)
class NetworkCost:
    """Seconds on the wire of ports as they are written. ``rate`` in bytes per second, one port, one way."""

    written: Ports

    @property
    def half_trip_s(self) -> float:
        """The propagation of a message."""
        return 0.5 * self.written.round_trip

    def data_s(self, size_bytes: IntArray, rate: float) -> FloatArray:
        """Seconds for messages that carry ``size_bytes`` of data each."""
        wire = wire_bytes(size_bytes, self.written.frame_payload, self.written.frame_overhead)
        return np.asarray(wire, dtype=np.float64) / rate

    def header_s(self, rate: float) -> float:
        """Seconds for a message without data: a request for a read, the acknowledgement of a write."""
        return (self.written.message_payload + self.written.frame_overhead) / rate
