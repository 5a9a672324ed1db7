"""What drives that are down mean: how long a rebuild takes, and what is at risk until it is done."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from tailrace.measure.estimate import Estimate
from tailrace.measure.section import sectioned_ratio
from tailrace.scenario.rebuild import Rebuild, rebuild_of
from tailrace.scenario.scenario import Scenario
from tailrace.scenario.server import Pool
from tailrace.study.sample import Sample

HOUR_S = 3600.0
UNPROMISED = "Performance says nothing about durability."


@dataclass(frozen=True)
class RebuildResult:
    """A rebuild: ``drives`` that are rebuilt at once, the bytes written onto each per second, and what is left to do.

    ``asked_bytes_per_s`` is what the scenario gives; ``left_s`` the time to the end at the rate found, which is never
    taken as higher than that, or None where none was found.
    """

    name: str
    drives: int
    asked_bytes_per_s: float
    rate_bytes_per_s: Estimate
    left_bytes: float
    left_s: float | None

    def as_dict(self) -> dict[str, Any]:
        """The same as plain mappings, in SI units, ready for JSON."""
        return {
            "name": self.name,
            "drives": self.drives,
            "asked_bytes_per_s": self.asked_bytes_per_s,
            "rate_bytes_per_s": self.rate_bytes_per_s.as_dict(),
            "left_bytes": self.left_bytes,
            "left_s": self.left_s,
        }


def rebuild_results(scenario: Scenario, samples: list[Sample], level: float) -> tuple[RebuildResult, ...]:
    """How fast each rebuild went in a run."""
    return tuple(_rebuild_result(each, samples, level) for each in scenario.rebuilds)


def _rebuild_result(rebuild: Rebuild, samples: list[Sample], level: float) -> RebuildResult:
    moved = []
    for sample in samples:
        kinds = sample.kinds.get(rebuild.name, {})
        moved.append(kinds["all"].bytes_moved / len(rebuild.groups) if "all" in kinds else 0.0)
    rate = sectioned_ratio(moved, [sample.window_s for sample in samples], level)
    found = min(rate.value, rebuild.rate) if rate.value else None
    left_s = None if found is None else rebuild.left_bytes / found
    return RebuildResult(rebuild.name, rebuild.drives, rebuild.rate, rate, rebuild.left_bytes, left_s)


def failure_notes(scenario: Scenario, left_s: Mapping[str, float | None]) -> tuple[str, ...]:
    """What to say of every pool with drives down; ``left_s`` is the time left of each rebuild, by name, if known."""
    return tuple(note for pool in scenario.server.pools for note in _notes_of(pool, left_s))


def asked_left_s(scenario: Scenario) -> dict[str, float | None]:
    """The time left of each rebuild at the rate that the scenario asks for."""
    return {each.name: each.left_bytes / each.rate for each in scenario.rebuilds}


def _notes_of(pool: Pool, left_s: Mapping[str, float | None]) -> Iterator[str]:
    layout, drives = pool.layout, pool.media.count
    failed = layout.failed_drives(drives)
    if not failed:
        return
    where = f" of pool {pool.name}" if pool.name else ""
    are = "drive is" if len(failed) == 1 else "drives are"
    size = layout.group_size(drives)
    down = [drive // size for drive in failed]
    bare = max(down.count(group) for group in down) >= layout.survives
    risk = (
        "one more failure can lose data"
        if bare
        else "another failure leaves less between a fault and lost data"
    )
    rebuild = rebuild_of(pool)
    if rebuild is None:
        yield (
            f"{len(failed)} {are} down{where} and nothing is rebuilt: {risk}, for as long as that lasts. {UNPROMISED}"
        )
        return
    left = left_s.get(rebuild.name)
    rate = f"{rebuild.rate / 1e6:.4g} MB/s onto each of {rebuild.drives} spare{'s' if rebuild.drives > 1 else ''}"
    if left is None:
        yield f"The rebuild{where} at {rate} does not keep up, so its end is not known; {risk}. {UNPROMISED}"
        return
    yield (
        f"The rebuild{where} goes on at {rate} and takes about {_duration(left)} from where it stands "
        f"({layout.rebuilt:.0%} done). Data are at risk until then: {risk}. {UNPROMISED}"
    )


def _duration(seconds: float) -> str:
    if seconds >= 2 * 24 * HOUR_S:
        return f"{seconds / 24 / HOUR_S:.3g} days"
    if seconds >= HOUR_S:
        return f"{seconds / HOUR_S:.3g} h"
    return f"{seconds / 60:.3g} min" if seconds >= 60 else f"{seconds:.3g} s"
