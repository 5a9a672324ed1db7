"""How fast is a transfer between the controller and a drive?"""

from __future__ import annotations

from tailrace.physics.links import pcie_rate_bytes_per_s
from tailrace.scenario.tables.server import Lanes


def drive_link_rate(lanes: Lanes) -> float:
    """Bytes per second of the link of one drive, one way, coding, frames and packet headers taken off."""
    return lanes.bytes_per_s


def uplink_rate(lanes: Lanes) -> float | None:
    """Bytes per second of the link that the drives behind one adapter share; None where there is no adapter."""
    if lanes.adapter_generation is None or lanes.adapter_width is None:
        return None
    return pcie_rate_bytes_per_s(lanes.adapter_generation, lanes.adapter_width, int(lanes.max_payload))
