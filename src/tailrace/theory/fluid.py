"""What becomes of a server that is asked more than it can carry, for a while? The fluid limit.

Where many requests come, their number follows its mean: a station that is asked a share r > 1 of what it can carry
falls behind by r - 1 seconds of work a second, and catches up by 1 - r where r < 1. Kleinrock, *Queueing Systems*,
volume 2 (1976), section 2.7; Newell, *Applications of Queueing Theory* (1971), chapter 2 (both from memory). Exact as
the number of requests grows; of 1,000 and more the error is some percent (own trials), and a backlog that chance alone
makes is not in it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tailrace.theory.domain import OutsideValidityError

GRID = 256
"""Instants of each spell at which the wait is looked at, besides those at which it bends."""


@dataclass(frozen=True)
class FluidCycle:
    """Work that waits at a station over a cycle of spells that comes again and again, in seconds of its own time.

    ``start`` and ``end`` are of each spell, in the measure of that spell; ``empty_s`` is how long after the beginning
    of a spell nothing waits any more, None where something does throughout and 0 where nothing ever does. ``grows``
    says whether more is left after each cycle than after the one before: then the figures are those of the first, and
    nothing else is known.
    """

    durations_s: tuple[float, ...]
    loads: tuple[float, ...]
    conversions: tuple[float, ...]
    start: tuple[float, ...]
    end: tuple[float, ...]
    empty_s: tuple[float | None, ...]
    grows: bool

    def wait_s(self, spell: int, at_s: float) -> float:
        """How long what comes at an instant of a spell waits, first come first served."""
        work = self._work(spell, at_s)
        left = self.durations_s[spell] - at_s
        wait = 0.0
        for _ in range(100 * len(self.loads)):
            if work <= left:
                return wait + work
            wait, work = wait + left, (work - left) * self.conversions[spell]
            spell = (spell + 1) % len(self.loads)
            left = self.durations_s[spell]
        return math.inf

    def longest_wait_s(self, spell: int) -> float:
        """The longest wait of what comes in a spell."""
        return max(self.wait_s(spell, at) for at in self._instants(spell))

    def beyond_s(self, spell: int, limit_s: float) -> float:
        """For how long what comes in a spell waits longer than a limit."""
        instants = self._instants(spell)
        waits = [self.wait_s(spell, at) for at in instants]
        found = 0.0
        for (begin, end), (first, last) in zip(pairwise(instants), pairwise(waits), strict=True):
            if min(first, last) > limit_s:
                found += end - begin
            elif max(first, last) > limit_s:
                found += (end - begin) * (max(first, last) - limit_s) / abs(last - first)
        return found

    def drain_s(self, spell: int) -> float | None:
        """How long after the end of a spell what waits then is gone, and all that came behind it; None for never."""
        if self.grows:
            return None
        passed = 0.0
        for ahead in range(1, len(self.loads) + 1):
            following = (spell + ahead) % len(self.loads)
            empty = self.empty_s[following]
            if empty is not None:
                return passed + empty
            passed += self.durations_s[following]
        return None

    def _work(self, spell: int, at_s: float) -> float:
        return max(self.start[spell] + (self.loads[spell] - 1.0) * at_s, 0.0)

    def _instants(self, spell: int) -> list[float]:
        """Instants between which the wait is a straight line, or nearly, of whatever lies farther ahead."""
        duration, load = self.durations_s[spell], self.loads[spell]
        bends = [self.empty_s[spell] or 0.0]
        if load > 0:  # from here on what comes is served in the next spell
            bends.append((duration - self.start[spell]) / load)
        grid = np.linspace(0.0, duration, GRID + 1).tolist()
        return sorted({*grid, *(each for each in bends if 0.0 < each < duration)})


def fluid_cycle(
    durations_s: Sequence[float], loads: Sequence[float], conversions: Sequence[float] | None = None
) -> FluidCycle:
    """Work that waits over a cycle of spells, each with a load: the share of what the station carries that is asked.

    Args:
        durations_s: how long each spell lasts; positive.
        loads: work that comes per second of each, in seconds of the station's time; not negative.
        conversions: how much of the next spell's time the work of a second of this one takes; 1 if left out.

    Raises:
        OutsideValidityError: lists of different lengths, no spell, or a figure outside its range.
    """
    given = [1.0] * len(loads) if conversions is None else list(conversions)
    if not loads or not len(durations_s) == len(loads) == len(given):
        raise OutsideValidityError("as many durations, loads and conversions as spells, and at least one")
    if min(durations_s) <= 0 or min(loads) < 0 or min(given) < 0:
        raise OutsideValidityError("durations are positive, loads and conversions not negative")
    first = _passed(durations_s, loads, given, 0.0)
    left = first[1][-1] * given[-1]
    again = _passed(durations_s, loads, given, left)
    grows = again[1][-1] * given[-1] > left * (1 + 1e-9)
    start, end, empty = first if grows else again
    return FluidCycle(tuple(durations_s), tuple(loads), tuple(given), start, end, empty, grows)


def _passed(
    durations_s: Sequence[float], loads: Sequence[float], conversions: Sequence[float], work: float
) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float | None, ...]]:
    """What waits at the start and at the end of each spell, and when it is gone, beginning with so much work."""
    start, end, empty = [], [], list[float | None]()
    for duration, load, conversion in zip(durations_s, loads, conversions, strict=True):
        start.append(work)
        left = max(work + (load - 1.0) * duration, 0.0)
        gone = work / (1.0 - load) if load < 1.0 else 0.0 if load == 1.0 and work == 0.0 else None
        empty.append(gone if gone is not None and gone <= duration else None)
        end.append(left)
        work = left * conversion
    return tuple(start), tuple(end), tuple(empty)
