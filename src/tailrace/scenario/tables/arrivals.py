"""Arrival laws: how the requests of an open class come, and what follows from that.

To add one: a class here, its name in `ArrivalName`, how it is drawn in `workload.arrivals`, and in `tables.workload`
any key of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

ArrivalName = Literal["poisson", "regular", "bursty", "trace"]

IN_BURSTS = "its arrivals come in strong bursts"
STRONG_BURSTINESS = 4.0


@dataclass(frozen=True)
class ArrivalLaw:
    """A law of arrivals. Its fields are the keys of the class that it takes its figures from.

    Attributes:
        name: the value of the key `arrivals`.
        noun: what has such arrivals, in the words of an error.
        words: how clients send, in the words of a sentence.
        needs: keys of a class that it cannot do without.
        own: these, and those that mean something with it alone.
        is_poisson: whether closed forms that ask for Poisson arrivals hold.
        keeps_clients: whether each client has a state that lives as long as the run.
    """

    name: ClassVar[ArrivalName]
    noun: ClassVar[str]
    words: ClassVar[str]
    needs: ClassVar[tuple[str, ...]] = ()
    own: ClassVar[tuple[str, ...]] = ()
    is_poisson: ClassVar[bool] = False
    keeps_clients: ClassVar[bool] = False

    @property
    def gap_scv(self) -> float:
        """Squared coefficient of variation of the gaps; 1 where not known."""
        return 1.0

    @property
    def caution(self) -> str | None:
        """What a closed form leaves out that takes the arrivals as Poisson; None where that matters little."""
        return None


class Poisson(ArrivalLaw):
    """Gaps are exponential."""

    name, noun, words = "poisson", "Poisson arrivals", "at random times"
    is_poisson = True


class Regular(ArrivalLaw):
    """Each client sends at equal distances, from an instant of its own."""

    name, noun, words = "regular", "regular arrivals", "evenly spaced"
    keeps_clients = True

    @property
    def gap_scv(self) -> float:
        """None, of one client alone."""
        return 0.0

    @property
    def caution(self) -> str | None:
        """They mix."""
        return "regular arrivals are taken as Poisson where they mix"


@dataclass(frozen=True)
class Bursty(ArrivalLaw):
    """Gaps of two phases: many short ones, and now and then a long one."""

    name, noun, words = "bursty", "bursty arrivals", "in bursts"
    needs = own = ("burstiness",)

    burstiness: float

    @property
    def gap_scv(self) -> float:
        """The burstiness itself."""
        return self.burstiness

    @property
    def caution(self) -> str | None:
        """Only strong bursts matter."""
        return IN_BURSTS if self.burstiness > STRONG_BURSTINESS else None


class Recorded(ArrivalLaw):
    """The instants of a file."""

    name, noun, words = "trace", "a trace", "as recorded"
    needs = ("file", "columns")
    own = (*needs, "speed", "repeat", "beyond_span", "bad_rows")

    @property
    def caution(self) -> str | None:
        """Whatever they are."""
        return "the arrivals of its trace are taken as Poisson"


ARRIVAL_LAWS: tuple[type[ArrivalLaw], ...] = (Poisson, Regular, Bursty, Recorded)
