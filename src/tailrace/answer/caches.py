"""What caches do to a scenario's requests, in sentences."""

from __future__ import annotations

from tailrace.plan.build import hit_shares
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.server import Controller
from tailrace.scenario.tables.spinning import Spinning


def cache_notes(scenario: Scenario, seed: int) -> tuple[str, ...]:
    """Share of the reads that each class finds in the read cache, and what a power failure would lose."""
    controller = scenario.server.controller
    cache = controller.read_cache if isinstance(controller, Controller) else None
    notes = []
    if cache is not None:
        found = "as given" if cache.hit_share is not None else "by Che's approximation, warm from the start"
        for name, share in hit_shares(scenario, seed).items():
            notes.append(
                f"{name}: {100 * share:.3g} % of the reads are answered from the read cache, {found}."
            )
        if cache.hit_share is None and not all(each.is_open for each in scenario.workload):
            notes.append(
                "The read cache reckons with upper bounds of the rates of closed classes; hit_share sets another share."
            )
    volatile = any(
        isinstance(pool.media, Spinning) and pool.media.write_cache for pool in scenario.server.pools
    )
    if volatile and any(each.reads < 1 and not each.durable for each in scenario.by_step.workload):
        notes.append(
            "Writes that are not durable are acknowledged from volatile caches of the drives: a power failure loses "
            "them. Performance says nothing about durability."
        )
    return tuple(notes)
