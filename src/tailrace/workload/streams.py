"""Random numbers by position: the same question always gets the same draw.

A draw depends only on its key and on its index, never on what was drawn before. Two designs compared at one
seed therefore see the same requests (common random numbers), whatever the order in which they issue them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from functools import cache
from zlib import crc32

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.physics.splitmix import mixed

# SplitMix64: Steele, Lea and Flood, Fast Splittable Pseudorandom Number Generators, OOPSLA 2014 (from memory).
_STRIDE = np.uint64(0x9E3779B97F4A7C15)
_CLIENT_STRIDE = np.uint64(0xD1342543DE82EF95)
_ORDINAL_STRIDE = np.uint64(0xA0761D6478BD642F)


class Purpose(IntEnum):
    """What a stream of draws is for. The numbers are part of the seed: never renumber, only append."""

    GAP = 1
    CLIENT = 2
    PHASE = 3
    SURGE = 4
    SIZE = 5
    KIND = 6
    ADDRESS = 7
    SCATTER = 8
    THINK = 9
    SPREAD = 10
    INTAKE = 11
    DISPATCH = 12
    COMPLETION = 13
    NETWORK = 14
    LANE = 15
    MEDIA = 16
    ROTATION = 17
    FIRST_DIE = 18
    COPIES = 19
    ERASE = 20
    CONTROLLER = 21
    FIRST_FILL = 22
    FLUSH = 30
    COPY = 40
    CACHE_HIT = 50
    COMPUTE = 60
    PLACEMENT = 70
    SERVER = 71


@dataclass(frozen=True)
class Streams:
    """The streams of one owner (a workload class, or the hardware) in one replication.

    ``client`` is given where each client has a source of its own, so that a client's stream does not depend
    on what the other clients do.
    """

    seed: int
    replication: int
    owner: str
    client: int | None = None

    def key(self, purpose: Purpose) -> np.uint64:
        """The 64-bit key of one purpose."""
        key = _key(self.seed, self.replication, crc32(self.owner.encode()), int(purpose))
        if self.client is None:
            return key
        return np.uint64(mixed(np.array([self.client + 1], dtype=np.uint64) * _CLIENT_STRIDE + key)[0])

    def uniforms(self, purpose: Purpose, index: IntArray, ordinal: int | IntArray = 0) -> FloatArray:
        """Uniform draws in the open interval (0, 1).

        ``index`` is the position of the request in its class or source; ``ordinal`` tells apart several draws
        for one request. Shape of ``index``.
        """
        ordinals = np.atleast_1d(np.asarray(ordinal)).astype(np.uint64)
        keys = mixed(ordinals * _ORDINAL_STRIDE + self.key(purpose))
        bits = mixed((index.astype(np.uint64) + np.uint64(1)) * _STRIDE + keys)
        bits >>= np.uint64(12)
        draws = bits.astype(np.float64)
        draws += 0.5  # 52 bits and a half: neither 0 nor 1 can occur
        draws *= 2.0**-52
        return draws


@dataclass(frozen=True)
class EvenStreams(Streams):
    """The streams of a sample: of what is drawn at once, the values are spread evenly over (0, 1), in random order.

    Latin hypercube sampling (McKay, Beckman and Conover, Technometrics 21(2), 239-245, 1979, from memory): each purpose
    keeps its own order, so purposes stay independent, while means over a sample of n draws err by about 1/n in place
    of 1/sqrt(n). Not for runs: there a draw depends on its position alone.
    """

    def uniforms(self, purpose: Purpose, index: IntArray, ordinal: int | IntArray = 0) -> FloatArray:
        drawn = super().uniforms(purpose, index, ordinal)
        even = np.empty_like(drawn)
        even[np.argsort(drawn, kind="stable")] = (np.arange(drawn.size) + 0.5) / max(drawn.size, 1)
        return even


@cache
def _key(seed: int, replication: int, owner: int, purpose: int) -> np.uint64:
    sequence = np.random.SeedSequence(seed, spawn_key=(replication, owner, purpose))
    return np.uint64(sequence.generate_state(1, np.uint64)[0])
