"""Which classes wait until the age limit of an arm lets them in, because something else is always nearer?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tailrace import units
from tailrace.answer.result import ClassResult
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.spinning import Spinning

NEARLY = 0.95
"""Share of the age limit from which on a wait is called as long."""


def age_notes(scenario: Scenario, classes: Sequence[ClassResult]) -> Iterator[str]:
    """A note for each class whose slowest requests wait as long as the arms may keep a request back."""
    for found in classes:
        workload = scenario.workload_named(found.name)
        pools = {each.name: each for each in map(scenario.pool_of, workload.parts)}
        media = next(iter(pools.values())).media
        if len(pools) > 1 or not isinstance(media, Spinning) or media.scheduling == "arrival order":
            continue
        wait = found.all.slowest_stages["media"].wait_s.value
        if wait is not None and wait >= NEARLY * media.age_limit:
            yield (
                f"The slowest 1 % of class {found.name!r} wait {wait:.3g} s at the media, where the age_limit of "
                f"{units.write(media.age_limit, 'time')} lets in what waits: by {media.scheduling!r} whatever is "
                "nearer, such as a stream, goes before. A shorter age_limit lets them in sooner, and slows the others."
            )
