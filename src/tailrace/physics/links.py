"""What does a link carry? Rates in bytes per second, one direction, after line coding and framing.

Sources: PCI Express Base Specification (transfer rates and line codes by generation), the T10 and SATA
serial interfaces (8b/10b; 128b/150b at 22.5 Gbit/s), IEEE 802.3 (Ethernet framing).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

CODINGS: dict[str, float] = {
    "8b/10b": 8 / 10,
    "128b/130b": 128 / 130,
    "128b/150b": 128 / 150,  # 2 header bits, 128 of data, 20 of forward error correction
}
"""Share of the bits on a serial line that are data, by the name of the line code."""

SERIAL_PAYLOAD_SHARE = 11 / 12
"""Share of a serial link's data rate that is payload. Common practice, no source: drives move about 550 of the 600 MB/s
that 6 Gbit/s leave, and 1.1 of 1.2 GB/s at 12; headers, checks, alignment and handshakes of frames take the rest."""

PCIE_TRANSFERS_PER_S: dict[int, float] = {1: 2.5e9, 2: 5e9, 3: 8e9, 4: 16e9, 5: 32e9, 6: 64e9}
"""Transfers per second of one PCI Express lane, by generation; one bit each."""

PCIE_FLIT_SHARE = 242 / 256
"""Share of a flit, the unit that PCI Express sends from generation 6 on, that packets take: of 256 bytes 236 of the
transaction and 6 of the link layer; check (8) and error correction (6) take the rest. There is no line code (PCI
Express Base Specification 6.0, from memory; 7.563 GB/s a lane in tables, second-hand)."""

PCIE_PACKET_OVERHEAD_BYTES = 24
"""Framing, sequence number, header of four double words and link check of a transaction packet."""


def serial_rate_bytes_per_s(line_rate_bits_per_s: float, coding: str) -> float:
    """Data rate of a serial link in bytes/s: the line rate times the code's share of data, over 8.

    Line codes: 8b/10b on SATA and SAS up to 12 Gbit/s, 128b/150b on SAS at 22.5 Gbit/s, 128b/130b on
    PCI Express from generation 3 to 5. Raises ValueError for an unknown coding or a rate that is not positive.
    """
    if coding not in CODINGS:
        raise ValueError(f"unknown coding {coding!r}; known are {', '.join(CODINGS)}")
    if not 0 < line_rate_bits_per_s < np.inf:
        raise ValueError(f"line rate must be positive and finite, not {line_rate_bits_per_s!r} bit/s")
    return line_rate_bits_per_s * CODINGS[coding] / 8


def pcie_lane_rate_bytes_per_s(generation: int) -> float:
    """Raw rate of one PCI Express lane in bytes/s, each way, before packet overhead.

    8b/10b in generations 1 and 2, 128b/130b from 3, flits without a line code from 6 (PCI Express Base Specification).
    Raises ValueError for a generation that is not in `PCIE_TRANSFERS_PER_S`.
    """
    if generation not in PCIE_TRANSFERS_PER_S:
        known = ", ".join(map(str, PCIE_TRANSFERS_PER_S))
        raise ValueError(f"unknown PCI Express generation {generation!r}; known are {known}")
    transfers_per_s = PCIE_TRANSFERS_PER_S[generation]
    if generation >= 6:
        return transfers_per_s * PCIE_FLIT_SHARE / 8
    return serial_rate_bytes_per_s(transfers_per_s, "8b/10b" if generation <= 2 else "128b/130b")


def pcie_packet_efficiency(
    max_payload_bytes: float, overhead_bytes: float = PCIE_PACKET_OVERHEAD_BYTES
) -> float:
    """Share of a PCI Express packet that is payload: P / (P + overhead).

    20 to 28 bytes surround a payload, 24 with a header of four double words and no end-to-end check
    (Intel AN 708, "Understanding PCI Express Throughput"). Flow control and skip sequences, another 1 to 3 %,
    are left out. From generation 6 on framing and link check belong to the flit; a header of 16 bytes and 236
    of 256 bytes of a flit give the same within 0.5 % at a payload of 256 bytes (derived). Raises ValueError
    unless the payload is positive and the overhead is not negative.
    """
    if not (0 < max_payload_bytes < np.inf and 0 <= overhead_bytes < np.inf):
        raise ValueError(
            "a packet needs a positive payload and an overhead of at least 0 bytes, "
            f"not {max_payload_bytes!r} and {overhead_bytes!r}"
        )
    return max_payload_bytes / (max_payload_bytes + overhead_bytes)


def pcie_rate_bytes_per_s(generation: int, width: int, max_payload_bytes: float) -> float:
    """Payload rate of a PCI Express link of `width` lanes in bytes/s, each way, after packet overhead.

    Raises ValueError as `pcie_lane_rate_bytes_per_s` and `pcie_packet_efficiency` do, or for a width below 1.
    """
    if width < 1:
        raise ValueError(f"a link has at least one lane, not {width!r}")
    return width * pcie_lane_rate_bytes_per_s(generation) * pcie_packet_efficiency(max_payload_bytes)


def wire_bytes(
    payload_bytes: ArrayLike, frame_payload_bytes: int, frame_overhead_bytes: int
) -> NDArray[np.int64]:
    """Bytes on the wire of messages of `payload_bytes` each (any shape), cut into frames.

    payload + ceil(payload / frame_payload) · frame_overhead. An Ethernet frame of 1500 bytes carries 1460
    bytes of TCP payload (1448 with timestamps) and takes 1538 bytes of line time (IEEE 802.3: preamble 8,
    header 14, check 4, gap 12). Nothing to send costs nothing. Raises ValueError for a negative payload or
    overhead or a frame without payload.
    """
    payload = np.asarray(payload_bytes, dtype=np.int64)
    if frame_payload_bytes < 1 or frame_overhead_bytes < 0:
        raise ValueError(
            "a frame needs a payload of at least 1 byte and an overhead of at least 0, "
            f"not {frame_payload_bytes!r} and {frame_overhead_bytes!r}"
        )
    if np.any(payload < 0):
        raise ValueError("payloads must not be negative")
    frames = -(-payload // frame_payload_bytes)
    return np.asarray(payload + frames * frame_overhead_bytes, dtype=np.int64)
