"""How far is a run?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Phase = Literal["compiling", "pilot", "answer"]
"""Compiling happens once on a machine, and takes longer than most runs."""


@dataclass(frozen=True)
class Progress:
    """Replications ``done`` of ``wanted``, each of ``requests`` requests.

    Half-widths are relative to the value, None if not known yet or not wanted.
    """

    phase: Phase
    done: int
    wanted: int
    requests: int
    half_width: float | None
    precision: float | None


@dataclass(frozen=True)
class StudyProgress:
    """How far a study of many points is: runs of its present step, and how long the rest of it takes, if known."""

    step: str
    done: int
    wanted: int
    seconds_left: float | None
