"""How far is a run, or a study of many?"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Progress:
    """How far a step is: ``done`` of ``wanted`` replications.

    Attributes:
        step: what is done, in words: "Pilot", "Answer", "Look 3", "Compiling the engine, this once".
        requests: of each replication; None where they differ, or none is simulated.
        half_width: of the figure that decides, relative to its value; None if not known yet.
        precision: the half-width that is wanted; None where none is.
        seconds_left: until all is done; None if not known.
    """

    step: str
    done: int
    wanted: int
    requests: int | None = None
    half_width: float | None = None
    precision: float | None = None
    seconds_left: float | None = None


StudyProgress = Progress
