"""Does a scenario surely meet its targets, surely miss them, or does it take more runs to say?"""

from __future__ import annotations

from dataclasses import dataclass, replace

from tailrace.answer.points import Points
from tailrace.answer.readings import Reading, TargetReading, kept_by_share, missed_by_lower
from tailrace.measure.length import PILOT_REPLICATIONS, PILOT_START
from tailrace.measure.verdict import bonferroni_level
from tailrace.replicate.outcome import Outcome
from tailrace.scenario.tables.scenario import Scenario

LOOKS = 40
"""Looks among which the 5 % of being wrong are shared: so many verdicts hold together with 95 %."""
FIRST = 8
"""Replications of the first look."""
MOST_REPLICATIONS = 64


@dataclass(frozen=True)
class Effort:
    """Most requests in a replication, most replications, and the half-width at which more runs are not worth it."""

    requests: int
    replications: int
    precision: float

    @classmethod
    def of(cls, scenario: Scenario) -> Effort:
        """What the scenario's `run` asks for: its length, or half its precision on both sides of the limit."""
        run = scenario.run
        if run.fixed_length:
            return cls(run.budget, run.replications, 0.0)
        return cls(run.budget, MOST_REPLICATIONS, run.wanted_precision / 2)


class Judge:
    """Looks at scenarios, with more replications each time the verdict is open, and longer ones where it takes that.

    Every look sees all replications so far, at a level that lets all looks hold together.
    """

    def __init__(self, points: Points, effort: Effort) -> None:
        self._points, self._effort = points, effort
        self._length = min(PILOT_START, effort.requests)
        self._kept: dict[tuple[str, int], list[Outcome]] = {}
        self._level = bonferroni_level(0.95, LOOKS)
        self.looks = 0
        self.requests = 0

    def reading(self, scenario: Scenario) -> Reading:
        """The last look at a scenario."""
        if self._points.overloaded(scenario):
            return self._points.reading(scenario, [], self._level)
        length, replications = self._length, min(FIRST, self._effort.replications)
        while True:
            reading = self._look(scenario, length, replications)
            if reading.overloaded and length < self._effort.requests:
                # In a short run the first requests still fill the server, and what piles up may be no more than that.
                length = min(4 * length, self._effort.requests)
                continue
            if reading.overloaded or reading.verdict != "undecided":
                return reading
            judged = [each for each in reading.targets if each.verdict == "undecided"]
            if any(each.estimate.value is None for each in judged) and length < self._effort.requests:
                length = min(2 * length, self._effort.requests)
                # What one value needs its neighbours will need too.
                self._length = max(self._length, length)
                continue
            widths = [each.estimate.relative_half_width for each in judged]
            is_fine = all(width is not None and width <= self._effort.precision for width in widths)
            if is_fine or replications >= self._effort.replications:
                if is_fine or length >= self._effort.requests:
                    return reading
                length = min(2 * length, self._effort.requests)
                continue
            replications = min(2 * replications, self._effort.replications)

    def _look(self, scenario: Scenario, length: int, replications: int) -> Reading:
        kept = self._kept.setdefault((scenario.simulated_digest, length), [])
        if len(kept) < replications:
            numbers = range(PILOT_REPLICATIONS + len(kept), PILOT_REPLICATIONS + replications)
            self.requests += len(numbers) * length
            step = f"Look {self.looks + 1}"
            kept += self._points.outcomes([scenario], [numbers], [length], step)[0]
        self.looks += 1
        reading = self._points.reading(scenario, kept[:replications], self._level)
        level = bonferroni_level(self._level, max(len(reading.targets), 1))
        return replace(reading, targets=tuple(_settled(each, reading, level) for each in reading.targets))


def _settled(target: TargetReading, reading: Reading, level: float) -> TargetReading:
    """A target whose quantile is not known may be clear all the same: far from the limit little has to be known."""
    if target.estimate.value is not None:
        return target
    if kept_by_share(reading.outcomes, target, level):
        return replace(target, verdict="met")
    return replace(target, verdict="missed") if missed_by_lower(reading.outcomes, target, level) else target
