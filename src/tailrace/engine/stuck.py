"""Nothing can ever happen any more: what to tell the person whose scenario it is."""

from __future__ import annotations

from collections.abc import Sequence

from tailrace.arrays import FloatArray, IntArray
from tailrace.errors import TailraceError
from tailrace.plan.stations import Discipline, Stations


class StuckError(TailraceError):
    """Every request under way waits for permits that nobody is going to give."""


def stuck(
    stations: Stations, held: Sequence[float] | FloatArray, waiting: Sequence[int] | IntArray
) -> StuckError:
    """The error, naming the pools; permits ``held`` and number ``waiting``, an entry a station."""
    pools = [
        f"{bank.name} (permits held at number {number - bank.first}: {held[number]:g}, waiting: {waiting[number]})"
        for bank in stations.banks
        if bank.discipline == Discipline.TOKEN
        for number in range(bank.first, bank.first + bank.count)
        if waiting[number]
    ]
    return StuckError("all requests under way wait for permits that nobody gives back: " + ", ".join(pools))
