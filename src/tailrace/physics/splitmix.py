"""Bits that look random, of a number that does not: the finaliser of SplitMix64.

Steele, Lea and Flood, Fast Splittable Pseudorandom Number Generators, OOPSLA 2014 (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_MIX_A = np.uint64(0xBF58476D1CE4E5B9)
_MIX_B = np.uint64(0x94D049BB133111EB)


def mixed(bits: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """The finaliser, in place."""
    bits ^= bits >> np.uint64(30)
    bits *= _MIX_A
    bits ^= bits >> np.uint64(27)
    bits *= _MIX_B
    bits ^= bits >> np.uint64(31)
    return bits
