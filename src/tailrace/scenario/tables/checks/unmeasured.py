"""Is anything asked of measured drives that was not measured?"""

from __future__ import annotations

from collections.abc import Iterator

from tailrace.scenario.tables.checks.addresses import PoolUse
from tailrace.scenario.tables.measured import Measured
from tailrace.scenario.tables.model import Finding, KeyPath
from tailrace.scenario.tables.rebuild import rebuild_of


def findings(use: PoolUse) -> Iterator[Finding]:
    """Reads or writes of drives of which only the others were measured."""
    media, layout = use.pool.media, use.pool.layout
    if not isinstance(media, Measured):
        return
    rebuilt = rebuild_of(use.pool) is not None
    classes: tuple[KeyPath, ...] = tuple(("workload", index, "read_share") for index in use.classes)
    rests_on: tuple[KeyPath, ...] = (*use.keys(("media", "kind"), ("layout",)), *classes)
    writes = rebuilt or any(each.reads < 1 for each in use.classes.values())
    reads = rebuilt or any(each.reads > 0 for each in use.classes.values())
    reads |= writes and layout.parities > 0  # a small write reads first
    if any(media.findings()):
        return
    for asked, kind in ((reads, "reads"), (writes, "writes")):
        if asked and not media.has(kind == "reads"):
            wrong = f"missing: {kind} are asked of drives of which none were measured"
            accepted = f"a table {kind}, as calibrate writes it from points of {kind}"
            yield Finding((*use.path, "media", kind), wrong, accepted, rests_on)
