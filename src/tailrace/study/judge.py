"""Does a scenario surely meet its targets, surely miss them, or does it take more runs to say?"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

from tailrace.answer.bench import Bench, Evidence
from tailrace.answer.figures import LEVEL
from tailrace.answer.pilot import CONFIRMING
from tailrace.answer.result import TargetResult
from tailrace.answer.sample import Sample
from tailrace.answer.together import OVER_ALL, Together, is_own, joint_limits, saturates_at, statements
from tailrace.measure.length import PILOT_REPLICATIONS, PILOT_START
from tailrace.measure.section import MINIMUM_EXCURSIONS, ratio_sections
from tailrace.measure.verdict import Verdict, bonferroni_level, combined
from tailrace.quantity import Quantity
from tailrace.replicate.task import digest_of
from tailrace.scenario.reading.conditions import State, states
from tailrace.scenario.tables.scenario import Scenario

LOOKS = 40
"""Looks of a search among which the 5 % of being wrong are shared: so many verdicts hold together with 95 %."""
FIRST = 8
"""Replications of the first look."""
MOST_REPLICATIONS = 64


@dataclass(frozen=True)
class Lengths:
    """Most requests in a replication, most replications, and the half-width at which more runs are not worth it."""

    requests: int
    replications: int
    precision: float

    @property
    def looks(self) -> int:
        """Looks that a verdict takes at most: runs are doubled in length and in number, never made shorter or fewer."""
        longer, more = self.requests / PILOT_START, self.replications / FIRST
        return 1 + sum(math.ceil(math.log2(max(each, 1.0))) for each in (longer, more))

    @classmethod
    def of(cls, scenario: Scenario) -> Lengths:
        """What the scenario's `run` asks for: its length, or half its precision on both sides of the limit."""
        run = scenario.run
        if run.fixed_length:
            return cls(run.budget, run.replications, 0.0)
        return cls(run.budget, MOST_REPLICATIONS, run.wanted_precision / 2)


@dataclass(frozen=True)
class Judged:
    """What was seen of a scenario, in each condition that was looked at, and its targets with verdicts that hold
    together over all looks, each with the condition in which it is judged. ``overloaded_in`` is that which it cannot
    carry; empty where there is none.
    """

    seen: tuple[Evidence, ...]
    promised: tuple[tuple[str, TargetResult], ...]
    overloaded_in: str = ""

    @property
    def targets(self) -> tuple[TargetResult, ...]:
        """The targets alone."""
        return tuple(target for _, target in self.promised)

    @property
    def is_overloaded(self) -> bool:
        """Whether it cannot carry the load, in one condition at least."""
        return any(each.overload is not None for each in self.seen)

    @property
    def verdict(self) -> Verdict:
        """The verdict of all targets together."""
        return "overloaded" if self.is_overloaded else combined(each.verdict for each in self.targets)


class Judge:
    """Looks at scenarios, with more replications each time the verdict is open, and longer ones where it takes that.

    Every look sees all replications so far, at a level that lets all looks hold together.
    """

    def __init__(self, bench: Bench, most: Lengths, looks: int = LOOKS) -> None:
        """``looks`` are those among which the 5 % are shared."""
        self._bench, self._most = bench, most
        self._length = min(PILOT_START, most.requests)
        self._kept: dict[tuple[str, int], Sample] = {}
        self._level = bonferroni_level(LEVEL, looks)
        self.looks = 0
        self.requests = 0

    def judged(self, scenario: Scenario) -> Judged:
        """The last look at a scenario; of one with conditions the hardest first, up to one in which it fails."""
        parts = states(scenario)
        level = bonferroni_level(self._level, statements(parts))
        ordered = sorted(parts, key=lambda each: saturates_at(self._bench, each.scenario))
        for part in ordered:
            asked = self._bench.asked_too_much(part.scenario)
            if asked is not None:
                return Judged((Evidence(part.scenario, Sample([]), 0, asked),), (), part.name)
        found = Judged((), ())
        for part in ordered:
            last = self._decided(partial(self._look, part, level))
            overloaded = part.name if last.is_overloaded else ""
            found = Judged((*found.seen, *last.seen), (*found.promised, *last.promised), overloaded)
            if found.verdict in ("missed", "overloaded"):
                return found
        if joint_limits(parts):
            last = self._decided(partial(self._look_over_all, scenario, parts, level))
            found = Judged((*found.seen, *last.seen), (*found.promised, *last.promised))
        return found

    def _decided(self, look: Callable[[int, int], Judged]) -> Judged:
        """The last of looks at replications of a length, and so many of them."""
        length, replications = self._length, min(FIRST, self._most.replications)
        while True:
            seen = look(length, replications)
            if seen.is_overloaded and length < self._most.requests:
                # In a short run the first requests still fill the server, and what piles up may be no more than that.
                length = min(CONFIRMING * length, self._most.requests)
                continue
            if seen.verdict != "undecided":
                return seen
            open_ = [each.judged for each in seen.targets if each.verdict == "undecided"]
            is_short = any(each.value is None for each in open_) or any(e.sample.doubts for e in seen.seen)
            if is_short and length < self._most.requests:
                length = min(2 * length, self._most.requests)
                # What one value needs its neighbours will need too.
                self._length = max(self._length, length)
                continue
            widths = [each.relative_half_width for each in open_]
            is_fine = all(width is not None and width <= self._most.precision for width in widths)
            if is_fine or replications >= self._most.replications:
                if is_fine or length >= self._most.requests:
                    return seen
                length = min(2 * length, self._most.requests)
                continue
            replications = min(2 * replications, self._most.replications)

    def _look(self, part: State, level: float, length: int, replications: int) -> Judged:
        """A look at a scenario in one condition, or by itself."""
        evidence = self._evidence(part.scenario, length, replications)
        targets = (
            _clear(each, evidence.sample)
            for each in evidence.judged(level)
            if not part.name or is_own(part.scenario, each)
        )
        return Judged((evidence,), tuple((part.name, each) for each in targets))

    def _look_over_all(
        self, scenario: Scenario, parts: Sequence[State], level: float, length: int, replications: int
    ) -> Judged:
        """A look at what is promised over all conditions."""
        seen = tuple(self._evidence(each.scenario, length, replications) for each in parts)
        targets = Together(scenario, tuple(parts), seen).over_all(level)
        return Judged(seen, tuple((OVER_ALL, each) for each in targets))

    def _evidence(self, scenario: Scenario, length: int, replications: int) -> Evidence:
        key = (digest_of(scenario), length)
        sample = self._kept.get(key, Sample([]))
        if len(sample) < replications:
            numbers = range(PILOT_REPLICATIONS + len(sample), PILOT_REPLICATIONS + replications)
            self.requests += len(numbers) * length
            more = self._bench.samples([(scenario, numbers, length)], f"Look {self.looks + 1}")[0]
            sample = self._kept[key] = Sample([*sample, *more], more.quantiles)
        self.looks += 1
        sample = Sample(sample.replications[:replications], sample.quantiles)
        overload = self._bench.overload_seen(scenario, sample)
        if overload is None:
            sample = self._bench.doubted(scenario, sample)
        return Evidence(scenario, sample, length, overload)


def _clear(target: TargetResult, sample: Sample) -> TargetResult:
    """A target whose quantile is not known may be clear all the same: far from the limit little has to be known."""
    if target.judged.value is not None or target.class_name in sample.doubts:
        return target
    if kept_by_share(sample, target):
        return replace(target, verdict="met")
    return replace(target, verdict="missed") if missed_by_lower(sample, target) else target


def kept_by_share(sample: Sample, target: TargetResult) -> bool:
    """Whether surely fewer requests lie beyond the limit of a quantile than may, where the quantile is not known.

    At most a share 1 - p may lie beyond. Every replication must be so long that such a share of it were as many
    requests as excursions are asked for, and less than half of that may be beyond in each; then the interval of the
    share decides.
    """
    if target.quantity.probability is None:
        return False
    may = 1 - target.quantity.probability
    parts = sample.totals(target.class_name, target.quantity.kind)
    counts = [part.requests for part in parts]
    if not parts or any(n * may < MINIMUM_EXCURSIONS for n in counts):
        return False
    beyond = [part.beyond(target.limit) for part in parts]
    if any(2 * above >= may * n for above, n in zip(beyond, counts, strict=True)):
        return False
    share = ratio_sections(beyond, counts).estimate(target.level)
    return share.high is not None and share.high <= may


def missed_by_lower(sample: Sample, target: TargetResult) -> bool:
    """Whether a lower quantile, of which enough is known, already lies beyond the limit of one that is not known."""
    quantity = target.quantity
    if quantity.probability is None:
        return False
    lower = [name for name, p in sample.quantiles.items() if p < quantity.probability]
    found = (
        sample.section(target.class_name, Quantity.of(quantity.kind, name)).estimate(target.level)
        for name in lower
    )
    return any(each.low is not None and each.low > target.limit for each in found)
