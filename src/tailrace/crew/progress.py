"""How far are the runs?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

COMPILING = "Compiling the engine, this once"
"""The step that happens once on a machine, and takes longer than most runs."""


@dataclass(frozen=True)
class Progress:
    """Replications ``done`` of the ``wanted`` of a step, each of ``requests`` requests where all are of one length.

    ``half_width`` is the widest so far, relative to its value, and ``precision`` the one wanted; ``seconds_left`` is
    how long the rest of the step takes. None for what is not known, or not wanted.
    """

    step: str
    done: int
    wanted: int
    requests: int | None = None
    half_width: float | None = None
    precision: float | None = None
    seconds_left: float | None = None


Watch = Callable[[Progress], None]
