"""What does it take to move a message between a client and the server?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.physics.links import wire_bytes
from tailrace.scenario.tables.server import Ports


@dataclass(frozen=True)
class NetworkCost:
    """Seconds on the wire. ``rate`` in bytes per second, one port, one way."""

    frame_payload: int
    frame_overhead: int
    message_payload: int
    half_trip_s: float

    @classmethod
    def of(cls, network: Ports) -> NetworkCost:
        """The costs of a scenario's network."""
        return cls(
            int(network.frame_payload),
            int(network.frame_overhead),
            int(network.message_payload),
            0.5 * network.round_trip,
        )

    def data_s(self, size_bytes: IntArray, rate: float) -> FloatArray:
        """Seconds for messages that carry ``size_bytes`` of data each."""
        wire = wire_bytes(size_bytes, self.frame_payload, self.frame_overhead)
        return np.asarray(wire, dtype=np.float64) / rate

    def header_s(self, rate: float) -> float:
        """Seconds for a message without data: a request for a read, the acknowledgement of a write."""
        return (self.message_payload + self.frame_overhead) / rate
