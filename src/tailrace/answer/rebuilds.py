"""How fast did rebuilds go in a run, and what is left of them?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.section import sectioned_ratio
from tailrace.replicate.replication import Replication
from tailrace.scenario.tables.rebuild import Rebuild
from tailrace.scenario.tables.scenario import Scenario


@dataclass(frozen=True)
class RebuildResult:
    """A rebuild: ``drives`` that are rebuilt at once, the bytes written onto each per second, and what is left to do.

    ``asked_bytes_per_s`` is what the scenario gives; ``left_s`` the time to the end at the rate found, which is never
    taken as higher than that, or None where none was found.
    """

    name: str
    drives: int
    asked_bytes_per_s: float
    rate_bytes_per_s: IntervalEstimate
    left_bytes: float
    left_s: float | None

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        return asdict(self)


def rebuild_results(
    scenario: Scenario, replications: Sequence[Replication], level: float
) -> tuple[RebuildResult, ...]:
    """How fast each rebuild went in a run."""
    return tuple(_rebuild_result(each, replications, level) for each in scenario.rebuilds)


def _rebuild_result(rebuild: Rebuild, replications: Sequence[Replication], level: float) -> RebuildResult:
    moved = []
    for one in replications:
        part = one.totals(rebuild.name, "all")
        moved.append(part.bytes_moved / len(rebuild.groups) if part is not None else 0.0)
    rate = sectioned_ratio(moved, [one.window_s for one in replications], level)
    found = min(rate.value, rebuild.rate) if rate.value else None
    left_s = None if found is None else rebuild.left_bytes / found
    return RebuildResult(rebuild.name, rebuild.drives, rebuild.rate, rate, rebuild.left_bytes, left_s)
