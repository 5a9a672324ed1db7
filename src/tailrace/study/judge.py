"""Does a scenario surely meet its targets, surely miss them, or does it take more runs to say?"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

from tailrace.answer.bench import Bench, Evidence
from tailrace.answer.doubts import rounded_up
from tailrace.answer.figures import LEVEL
from tailrace.answer.pilot import CONFIRMING
from tailrace.answer.result import TargetResult
from tailrace.answer.sample import Sample
from tailrace.answer.together import OVER_ALL, Together, is_own, joint_limits, saturates_at, statements
from tailrace.errors import SettingError
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.length import PILOT_REPLICATIONS, PILOT_START
from tailrace.measure.section import MINIMUM_EXCURSIONS, ratio_sections
from tailrace.measure.verdict import Verdict, bonferroni_level, combined
from tailrace.measure.warmup import FEWEST_REQUESTS
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

    def check(self, scenario: Scenario) -> None:
        """Raises SettingError if runs are too short for a class with a target, however many there are."""
        for part in states(scenario):
            classes = part.scenario.workload
            if not all(each.is_open for each in classes):
                continue
            for each in classes:
                share = each.rate_at(part.scenario.load) / part.scenario.open_rate_per_s
                if each.limits and share * self.requests < FEWEST_REQUESTS:
                    needed = (FEWEST_REQUESTS + 4 * math.sqrt(FEWEST_REQUESTS)) / share
                    raise SettingError(
                        f"run.requests is {self.requests:,}, of which some {share * self.requests:.0f} are of "
                        f"{each.name}: too few to say whether its latency has settled, so no design could be chosen; "
                        f"accepted: at least {rounded_up(needed):,}"
                    )


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

    def doubt(self, name: str) -> str | None:
        """Why figures of a class are not to be relied on, in the first condition in which they are not."""
        found = (each.sample.doubts.get(name) for each in self.seen)
        return next((each.reason for each in found if each is not None), None)

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
        self._reached: dict[tuple[str, str], tuple[int, int]] = {}
        self._level = bonferroni_level(LEVEL, looks)
        self.looks = 0
        self.requests = 0

    def judged(self, scenario: Scenario, spend: float = math.inf) -> Judged:
        """The last look at a scenario; of one with conditions the hardest first, up to one in which it fails.

        ``spend`` is how many requests may be in the runs of a look, in each condition: a verdict that takes more stays
        open, and the next call goes on from there. Only what looks overloaded is followed up whatever it takes.
        """
        parts, digest = states(scenario), digest_of(scenario)
        level = bonferroni_level(self._level, statements(parts))
        ordered = sorted(parts, key=lambda each: saturates_at(self._bench, each.scenario))
        for part in ordered:
            asked = self._bench.asked_too_much(part.scenario)
            if asked is not None:
                return Judged((Evidence(part.scenario, Sample([]), 0, asked),), (), part.name)
        found = Judged((), ())
        for part in ordered:
            last = self._decided((digest, part.name), partial(self._look, part, level), spend)
            overloaded = part.name if last.is_overloaded else ""
            found = Judged((*found.seen, *last.seen), (*found.promised, *last.promised), overloaded)
            if found.verdict in ("missed", "overloaded"):
                return found
        if joint_limits(parts):
            look = partial(self._look_over_all, scenario, parts, level)
            last = self._decided((digest, OVER_ALL), look, spend)
            found = Judged((*found.seen, *last.seen), (*found.promised, *last.promised))
        return found

    def _decided(self, part: tuple[str, str], look: Callable[[int, int], Judged], spend: float) -> Judged:
        """The last of looks at replications of a length, and so many of them."""
        reached = self._reached.get(part, (self._length, min(FIRST, self._most.replications)))
        while True:
            self._reached[part] = reached
            seen = look(*reached)
            if seen.verdict == "met":
                self._length = max(
                    self._length, reached[0]
                )  # what one that does needs the next will need too
            further = self._further(seen, *reached)
            if further is None or (math.prod(further) > spend and not seen.is_overloaded):
                return seen
            reached = further

    def _further(self, seen: Judged, length: int, replications: int) -> tuple[int, int] | None:
        """Requests and replications of the look after this one; None where it is the last."""
        most = self._most
        if seen.is_overloaded and length < most.requests:
            # In a short run the first requests still fill the server, and what piles up may be no more than that.
            return min(CONFIRMING * length, most.requests), replications
        if seen.verdict != "undecided":
            return None
        open_ = [each.judged for each in seen.targets if each.verdict == "undecided"]
        longer = min(2 * length, most.requests), replications
        is_short = any(each.value is None for each in open_) or any(e.sample.doubts for e in seen.seen)
        if is_short and length < most.requests and (replications > FIRST or not looks_missed(seen)):
            return longer
        if any(math.isinf(doubt.off_by) for each in seen.seen for doubt in each.sample.doubts.values()):
            return None  # of which more replications would say no more
        widths = [each.relative_half_width for each in open_]
        if all(width is not None and width <= most.precision for width in widths):
            return None
        if replications < most.replications:
            return length, min(2 * replications, most.replications)
        return longer if length < most.requests else None

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
    share = share_beyond(sample, target)
    if share is None or share.low is None or share.high is None:
        return target
    if share.high <= may_be_beyond(target) and is_supported(sample, target):
        return replace(target, verdict="met")
    # Shares of replications are skewed to the right, where an interval lies too low rather than too high.
    return replace(target, verdict="missed") if share.low > may_be_beyond(target) else target


def may_be_beyond(target: TargetResult) -> float:
    """The share of requests that may lie beyond the limit of a quantile; 1 of anything else."""
    return 1.0 if target.quantity.probability is None else 1 - target.quantity.probability


def share_beyond(sample: Sample, target: TargetResult) -> IntervalEstimate | None:
    """The share of requests that lie beyond the limit of a quantile; None of anything else, or without requests."""
    parts = sample.totals(target.class_name, target.quantity.kind)
    if target.quantity.probability is None or not parts or any(part.requests == 0 for part in parts):
        return None
    beyond = [part.beyond(target.limit) for part in parts]
    return ratio_sections(beyond, [part.requests for part in parts]).estimate(target.level)


def is_supported(sample: Sample, target: TargetResult) -> bool:
    """Whether so little beyond the limit of a quantile that is not known means that the limit is kept.

    Every replication must be so long that the share that may lie beyond were as many requests as excursions are asked
    for, and less than half of that may be beyond in each. And the next lower quantile must be known and keep the limit:
    short runs of a server that is nearly full have not seen the long waits that come together, and nothing beyond the
    limit says nothing then; but there they have too few excursions beyond lower quantiles as well.
    """
    may = may_be_beyond(target)
    parts = sample.totals(target.class_name, target.quantity.kind)
    if any(part.requests * may < MINIMUM_EXCURSIONS for part in parts):
        return False
    if any(2 * part.beyond(target.limit) >= may * part.requests for part in parts):
        return False
    beneath = {p: name for name, p in sample.quantiles.items() if p < (target.quantity.probability or 0.0)}
    if not beneath:
        return False
    lower = Quantity.of(target.quantity.kind, beneath[max(beneath)])
    found = sample.section(target.class_name, lower).estimate(target.level)
    return found.high is not None and found.high <= target.limit


def looks_missed(seen: Judged) -> bool:
    """Whether more than may lie beyond the limit of a quantile that is not known, though nobody can be sure yet."""
    unknown = [each for each in seen.targets if each.verdict == "undecided" and each.judged.value is None]
    shares = [
        (share_beyond(each.sample, target), may_be_beyond(target))
        for each in seen.seen
        for target in unknown
        if target.class_name not in each.sample.doubts
    ]
    return any(share is not None and (share.value or 0.0) > may for share, may in shares)
