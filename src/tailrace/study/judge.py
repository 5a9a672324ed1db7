"""Does a scenario surely meet its targets, surely miss them, or does it take more runs to say?"""

from __future__ import annotations

from dataclasses import dataclass, replace

from tailrace.answer.bench import Bench, Evidence
from tailrace.answer.figures import LEVEL
from tailrace.answer.pilot import CONFIRMING
from tailrace.answer.result import TargetResult
from tailrace.answer.sample import Sample
from tailrace.measure.length import PILOT_REPLICATIONS, PILOT_START
from tailrace.measure.section import MINIMUM_EXCURSIONS, ratio_sections
from tailrace.measure.verdict import Verdict, bonferroni_level, combined
from tailrace.quantity import Quantity
from tailrace.replicate.task import digest_of
from tailrace.scenario.tables.scenario import Scenario

LOOKS = 40
"""Looks among which the 5 % of being wrong are shared: so many verdicts hold together with 95 %."""
FIRST = 8
"""Replications of the first look."""
MOST_REPLICATIONS = 64


@dataclass(frozen=True)
class Lengths:
    """Most requests in a replication, most replications, and the half-width at which more runs are not worth it."""

    requests: int
    replications: int
    precision: float

    @classmethod
    def of(cls, scenario: Scenario) -> Lengths:
        """What the scenario's `run` asks for: its length, or half its precision on both sides of the limit."""
        run = scenario.run
        if run.fixed_length:
            return cls(run.budget, run.replications, 0.0)
        return cls(run.budget, MOST_REPLICATIONS, run.wanted_precision / 2)


@dataclass(frozen=True)
class Judged:
    """What was seen of a scenario, and its targets with verdicts that hold together over all looks."""

    evidence: Evidence
    targets: tuple[TargetResult, ...]

    @property
    def verdict(self) -> Verdict:
        """The verdict of all targets together."""
        if self.evidence.overload is not None:
            return "overloaded"
        return combined(each.verdict for each in self.targets)


class Judge:
    """Looks at scenarios, with more replications each time the verdict is open, and longer ones where it takes that.

    Every look sees all replications so far, at a level that lets all looks hold together.
    """

    def __init__(self, bench: Bench, most: Lengths) -> None:
        self._bench, self._most = bench, most
        self._length = min(PILOT_START, most.requests)
        self._kept: dict[tuple[str, int], Sample] = {}
        self._level = bonferroni_level(LEVEL, LOOKS)
        self.looks = 0
        self.requests = 0

    def judged(self, scenario: Scenario) -> Judged:
        """The last look at a scenario."""
        asked = self._bench.asked_too_much(scenario)
        if asked is not None:
            return Judged(Evidence(scenario, Sample([]), 0, asked), ())
        length, replications = self._length, min(FIRST, self._most.replications)
        while True:
            seen = self._look(scenario, length, replications)
            if seen.evidence.overload is not None and length < self._most.requests:
                # In a short run the first requests still fill the server, and what piles up may be no more than that.
                length = min(CONFIRMING * length, self._most.requests)
                continue
            if seen.verdict != "undecided":
                return seen
            open_ = [each.judged for each in seen.targets if each.verdict == "undecided"]
            is_short = any(each.value is None for each in open_) or bool(seen.evidence.sample.doubts)
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

    def _look(self, scenario: Scenario, length: int, replications: int) -> Judged:
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
        evidence = Evidence(scenario, sample, length, overload)
        promised = sum(len(each.limits) for each in scenario.workload)
        level = bonferroni_level(self._level, max(promised, 1))
        return Judged(evidence, tuple(_clear(each, sample) for each in evidence.judged(level)))


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
