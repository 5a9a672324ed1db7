"""How much does flash write for what the host writes? Write amplification, over arrays of overprovisioning.

The formula and its meaning of overprovisioning, (physical - filled) / filled, are in
`tailrace.physics.flash`.
"""

import numpy as np
from numpy.typing import ArrayLike

from tailrace.physics import flash
from tailrace.theory.domain import Value, plain, positive


def write_amplification(overprovisioning: ArrayLike) -> Value:
    """Pages programmed per page written at random: `tailrace.physics.flash.write_amplification`, for arrays.

    Raises OutsideValidityError (a ValueError) unless overprovisioning is above 0.
    """
    values = positive("overprovisioning", overprovisioning)
    return plain(np.reshape([flash.write_amplification(v) for v in values.ravel().tolist()], values.shape))


def write_amplification_uniform_victims(overprovisioning: ArrayLike) -> Value:
    """The older closed form (1 + rho) / (2 rho), which takes the blocks' valid pages as uniform.

    A lower bound of `write_amplification`, meaningful (at least 1) for overprovisioning up to 1.
    Source: R. Agarwal and M. Marrow, A closed-form expression for write amplification in NAND flash,
    GLOBECOM Workshops 2010, as quoted in the abstract of arXiv 1110.4245.
    Raises OutsideValidityError (a ValueError) unless overprovisioning is above 0.
    """
    rho = positive("overprovisioning", overprovisioning)
    return plain((1 + rho) / (2 * rho))
