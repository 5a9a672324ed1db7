"""What can be said over all conditions where some are overloaded? How much comes in them, what is missed for it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tailrace.answer.bench import Bench
from tailrace.answer.result import TargetResult
from tailrace.answer.together import Together, joint_limits
from tailrace.forecast.late import Coming, late_share
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.verdict import Verdict
from tailrace.quantity import FINISHED, Kind, Quantity
from tailrace.scenario.reading.conditions import State


@dataclass(frozen=True)
class Overdue:
    """Evidence in every condition, some of them overloaded, and what the fluid limit says of these."""

    bench: Bench
    together: Together

    @property
    def places(self) -> dict[int, tuple[str, float]]:
        """The places of overloaded conditions, with the station and the share of the load that it can carry."""
        return {
            place: (each.overload.station, each.overload.largest_load_factor)
            for place, each in enumerate(self.together.evidence)
            if each.overload is not None
        }

    def coming(self, name: str, kind: Kind = "all") -> Coming | None:
        """How much of a class comes in each condition: what was measured, or is asked for; None where nobody knows."""
        found = []
        for state, each in zip(self.together.states, self.together.evidence, strict=True):
            mine = next((one for one in state.scenario.workload if one.name == name), None)
            if mine is None:
                found.append(0.0)
            elif each.overload is None:
                rate = each.section(name, Quantity.of(kind, "rate")).value
                if rate is None:
                    return None
                found.append(rate)
            elif mine.is_open:
                share = {"all": 1.0, "read": mine.reads, "write": 1.0 - mine.reads}[kind]
                found.append(share * mine.rate_at(state.scenario.load))
            else:
                return None
        return Coming(name, kind, tuple(found))

    def late(self, name: str, quantity: Quantity, limit: float) -> float | None:
        """The share of a class that waits longer than a target allows, at least; None where nothing is known of it."""
        coming = self.coming(name, quantity.kind)
        seconds = limit if quantity.seconds is None else quantity.seconds
        if coming is None or may_be_late(quantity, limit) is None:
            return None
        states = self.together.states
        loads = [self.bench.load(each.scenario) for each in states]
        return late_share(states, loads, self.places, self.bench.load, self.bench.seed, coming, seconds)

    def targets(self, level: float) -> tuple[TargetResult, ...]:
        """The targets over all conditions: missed for what comes in overloaded ones alone, or undecided."""
        return tuple(
            self._target(workload.name, quantity, limit, level)
            for workload, quantity, limit in joint_limits(self.together.states)
            if quantity.statistic != FINISHED
        )

    def _target(self, name: str, quantity: Quantity, limit: float, level: float) -> TargetResult:
        kept: Verdict = "undecided"
        said = "a condition was left out"
        if not self.together.left_out:
            said = f"{_named(self.together.overloaded)} overloaded"
            late, allowed = self.late(name, quantity, limit), may_be_late(quantity, limit)
            if late is not None and allowed is not None:
                said += f": {_percent(late)} or more wait longer than the limit, {_percent(allowed)} may"
                kept = "missed" if late > allowed else "undecided"
        nothing = IntervalEstimate.unknown(0, said)
        return TargetResult(name, quantity, limit, nothing, nothing, level, kept)

    def notes(self) -> Iterator[str]:
        """Why there are no latencies over all conditions, and how much comes in those that are overloaded."""
        states, places = self.together.states, list(self.places)
        if not places or self.together.left_out:
            return
        whole = sum(each.weight for each in states)
        time = sum(states[place].weight for place in places) / whole
        shares = [
            f"{_percent(coming.share(states, places))} of the requests of {name}"
            for name in _classes(states)
            if (coming := self.coming(name)) is not None and coming.share(states, places)
        ]
        told = f", in which {' and '.join(shares)} come" if shares else ""
        yield (
            f"No latency is given over all conditions: {_named(self.together.overloaded)} overloaded, "
            f"{_percent(time)} of the time{told}."
        )
        if any(quantity.statistic != FINISHED for _, quantity, _ in joint_limits(states)):
            yield (
                "A target over all conditions is missed where more requests than it allows wait too long for an "
                "overload alone, by the fluid limit; else it is undecided."
            )


def may_be_late(quantity: Quantity, limit: float) -> float | None:
    """The share of requests that may take longer than a target says; None of a target that says no such thing."""
    if quantity.seconds is not None:
        return 1.0 - limit
    return None if quantity.probability is None else 1.0 - quantity.probability


def _classes(states: Sequence[State]) -> list[str]:
    return list(dict.fromkeys(one.name for each in states for one in each.scenario.workload))


def _named(names: Sequence[str]) -> str:
    return f"{', '.join(names)} {'are' if len(names) > 1 else 'is'}"


def _percent(share: float) -> str:
    return f"{100 * share:.3g} %"
