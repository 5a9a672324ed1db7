"""What do several replications of one scenario say together? Figures with intervals, targets with verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.measure.backlog import backlog_growth
from tailrace.measure.estimate import Estimate
from tailrace.measure.section import MINIMUM_EXCURSIONS, PLANNED_EXCURSIONS, Sectioned, ratio_sections
from tailrace.measure.spectrum import pooled_quantiles
from tailrace.measure.verdict import Verdict, bonferroni_level, combined, verdict
from tailrace.quantity import QUANTILES
from tailrace.replicate.outcome import KindOutcome, Outcome
from tailrace.scenario.tables.scenario import Scenario

LEVEL = 0.95

Supported: TypeAlias = tuple[tuple[str, str], ...]
"""Classes and quantities that a pilot supported."""


@dataclass(frozen=True)
class TargetReading:
    """A promise and what was found; ``distance`` is how far the value lies from the limit, as a share of it."""

    class_name: str
    quantity: str
    limit: float
    estimate: Estimate
    verdict: Verdict

    @property
    def distance(self) -> float | None:
        """|value - limit| / limit; None if there is no value."""
        return None if self.estimate.value is None else abs(self.estimate.value / self.limit - 1)


@dataclass(frozen=True)
class Reading:
    """What is known of one scenario. ``overloaded`` is the station that cannot keep up; then there are no figures."""

    scenario: Scenario
    outcomes: tuple[Outcome, ...]
    requests: int
    overloaded: str | None
    targets: tuple[TargetReading, ...]
    supported: Supported = ()

    @property
    def verdict(self) -> Verdict:
        """The verdict of all targets together."""
        return "overloaded" if self.overloaded else combined(each.verdict for each in self.targets)

    def estimate(self, class_name: str, quantity: str) -> Estimate:
        """A figure of a class by the name that targets use: p99, read_p99, mean, rate, throughput."""
        if self.overloaded:
            return Estimate.unknown(0, f"overloaded: {self.overloaded} cannot keep up")
        return self.sections(class_name, quantity).estimate(LEVEL)

    def sections(self, class_name: str, quantity: str) -> Sectioned:
        """The same, with how the replications lie about it."""
        bar = _bar(self.supported, class_name, quantity)
        return sections(self.outcomes, class_name, quantity, bar)


def kept_by_share(outcomes: Sequence[Outcome], target: TargetReading, level: float) -> bool:
    """Whether surely fewer requests lie beyond the limit of a quantile than may, where the quantile is not known.

    At most a share 1 - p may lie beyond. Every replication must be so long that such a share of it were as many
    requests as excursions are asked for, and less than half of that may be beyond in each; then the interval of the
    share decides.
    """
    kind, _, name = target.quantity.rpartition("_")
    if name not in QUANTILES:
        return False
    may = 1 - QUANTILES[name]
    parts = [each.kinds.get(target.class_name, {}).get(kind or "all") for each in outcomes]
    known = [part for part in parts if part is not None and part.requests * may >= MINIMUM_EXCURSIONS]
    if len(known) < len(outcomes) or not known:
        return False
    beyond = [int(part.spectrum.count[part.spectrum.high > target.limit].sum()) for part in known]
    counts = [part.requests for part in known]
    if any(2 * above >= may * n for above, n in zip(beyond, counts, strict=True)):
        return False
    share = ratio_sections(beyond, counts).estimate(level)
    return share.high is not None and share.high <= may


def missed_by_lower(outcomes: Sequence[Outcome], target: TargetReading, level: float) -> bool:
    """Whether a lower quantile, of which enough is known, already lies beyond the limit of one that is not known."""
    kind, _, name = target.quantity.rpartition("_")
    names = list(QUANTILES)
    if name not in names:
        return False
    lower = [f"{kind}_{each}".lstrip("_") for each in names[: names.index(name)]]
    found = (sections(outcomes, target.class_name, each).estimate(level) for each in lower)
    return any(each.low is not None and each.low > target.limit for each in found)


def _bar(supported: Supported, class_name: str, quantity: str) -> int:
    """Fewest excursions that each replication must show."""
    return PLANNED_EXCURSIONS if (class_name, quantity) in supported else MINIMUM_EXCURSIONS


def overload_seen(outcomes: Sequence[Outcome]) -> bool:
    """Whether the replications show that requests pile up for good."""
    if not all(each.complete for each in outcomes):
        return True
    return backlog_growth(
        [each.arrived for each in outcomes], [each.under_way for each in outcomes]
    ).overloaded


def grown_bank(outcomes: Sequence[Outcome]) -> int:
    """The bank whose queue grew most."""
    return int(np.nanargmax(np.sum([each.waiting_growth for each in outcomes], axis=0)))


def target_readings(
    scenario: Scenario, outcomes: Sequence[Outcome], level: float = LEVEL, supported: Supported = ()
) -> tuple[TargetReading, ...]:
    """Every target of a scenario; ``level`` is that of all of them together."""
    promised = [
        (each.name, quantity, limit)
        for each in scenario.workload
        if each.target is not None
        for quantity, limit in each.target.limits
    ]
    each_level = bonferroni_level(level, max(len(promised), 1))
    found = []
    for name, quantity, limit in promised:
        bar = _bar(supported, name, quantity)
        estimate = sections(outcomes, name, quantity, bar).estimate(each_level)
        upper = quantity not in ("rate", "throughput")
        found.append(TargetReading(name, quantity, limit, estimate, verdict(estimate, limit, upper)))
    return tuple(found)


def sections(
    outcomes: Sequence[Outcome], class_name: str, quantity: str, bar: int = MINIMUM_EXCURSIONS
) -> Sectioned:
    """A figure of all replications together, and how they lie about it; quantities as targets name them.

    ``bar`` is the least number of excursions beyond a quantile that each replication must show.
    """
    kind = "all"
    for prefix in ("read", "write"):
        if quantity.startswith(f"{prefix}_"):
            kind, quantity = prefix, quantity.removeprefix(f"{prefix}_")
    parts = [each.kinds.get(class_name, {}).get(kind) for each in outcomes]
    known = [part for part in parts if part is not None]
    if len(known) < len(parts) or not known:
        n = sum(part.requests for part in known)
        return Sectioned(None, np.zeros(len(parts)), n, "nothing observed in some replication")
    windows = [each.window_s for each in outcomes]
    counts = [part.requests for part in known]
    if quantity == "rate":
        return ratio_sections(counts, windows, n=sum(counts))
    if quantity == "throughput":
        return ratio_sections([part.bytes_moved for part in known], windows, n=sum(counts))
    if quantity == "mean":
        return ratio_sections([part.total_s for part in known], counts, n=sum(counts))
    return _quantile_sections(known, quantity, bar)


def _quantile_sections(parts: Sequence[KindOutcome], quantity: str, bar: int) -> Sectioned:
    place = list(QUANTILES).index(quantity)
    p = QUANTILES[quantity]
    sizes = np.array([part.requests for part in parts])
    own: FloatArray = np.array([part.own_s[place] for part in parts])
    value, median = pooled_quantiles([part.spectrum for part in parts], [p, 0.5]).tolist()
    fewest = min(part.excursions[place] for part in parts)
    is_constant = (
        value == median and bool((own == value).all()) and bool((sizes >= bar / min(p, 1 - p)).all())
    )
    reason = ""
    if fewest < bar and not is_constant:
        reason = f"{fewest} excursions beyond p{100 * p:.6g} in one replication, {bar} needed"
    weights = sizes / sizes.mean()
    return Sectioned(None if reason else value, np.asarray(weights * (own - value)), int(sizes.sum()), reason)
