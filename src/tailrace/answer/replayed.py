"""How far does a trace carry, and what may be said of an answer that comes from one?"""

from __future__ import annotations

from collections.abc import Sequence

from tailrace.replicate.replication import Replication
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.workload import Workload


def replay_budget(scenario: Scenario) -> int:
    """Most requests in a replication: the scenario's budget, or as far as the traces go as often as they may.

    Beside closed classes that replay no trace nothing is known of what share of the requests a trace has, and only
    the scenario's budget counts. At least 256.
    """
    budget = scenario.run.budget
    replays = [each for each in scenario.workload if each.is_recorded]
    others = [each for each in scenario.workload if not each.is_recorded]
    if any(not each.is_open for each in others) or (others and any(not each.is_open for each in replays)):
        return budget
    for each in replays:
        share = each.rate_at(scenario.load) / scenario.open_rate_per_s if each.is_open else 1.0
        budget = min(budget, int(len(each.recording) * each.repeat / share))
    return max(budget, 256)


def replay_notes(scenario: Scenario, replications: Sequence[Replication]) -> tuple[str, ...]:
    """What there is to say of each trace: rows left out or sorted, and what the intervals tell."""
    notes: list[str] = []
    for each in scenario.workload:
        if each.is_recorded:
            notes += _notes(each, sum(one.issued[each.name] for one in replications))
    return tuple(notes)


def _notes(workload: Workload, replayed: int) -> list[str]:
    facts = workload.recording.facts
    name = f"Trace of {workload.name!r}"
    notes = [
        f"{name}: {facts.rows:,} rows, {replayed:,} replayed. Each replication begins at another place, evenly spread "
        "over the trace, and has its own draws of the hardware. Intervals say how the parts of this trace differ; how "
        "another day would, one trace cannot tell."
    ]
    if replayed > 1.05 * facts.rows:
        notes.append(
            f"{name}: its rows were replayed {replayed / facts.rows:.3g} times on average, so the replications overlap "
            "and their intervals are narrower than independent parts would make them."
        )
    return [*notes, *(f"{name}: {remark}" for remark in facts.remarks)]
