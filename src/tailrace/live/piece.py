"""One piece of work, as the desk hands it to a worker."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

from tailrace.live.address import State
from tailrace.report.pictures.style import Width

Kind: TypeAlias = Literal["forms", "seen", "curve", "take"]


@dataclass(frozen=True)
class Piece:
    """What is to be done for a state: closed forms, a step of the simulation, the load curve, or a file.

    ``width`` is that of a picture which stands beside another, ``whole`` of one that has the room of both.
    """

    kind: Kind
    state: State
    step: int = 0
    width: Width = "wide"
    whole: Width = "wide"
    name: str = ""
