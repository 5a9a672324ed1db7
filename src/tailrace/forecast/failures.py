"""What is at risk while drives are down, and for how long?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from tailrace.scenario.tables.rebuild import rebuild_of
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.server import Pool

HOUR_S = 3600.0
UNPROMISED = "Performance says nothing about durability."


def failure_notes(scenario: Scenario, left_s: Mapping[str, float | None]) -> tuple[str, ...]:
    """What to say of every pool with drives down; ``left_s`` is the time left of each rebuild, by name, if known."""
    notes = tuple(note for pool in scenario.server.pools for note in _notes_of(pool, left_s))
    return notes + tuple(_notes_of_servers(scenario))


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


def _notes_of_servers(scenario: Scenario) -> Iterator[str]:
    cluster = scenario.cluster
    if cluster is None or not cluster.failed:
        return
    are = "1 server is" if cluster.failed == 1 else f"{cluster.failed} servers are"
    bare = cluster.failed >= cluster.survives
    risk = (
        "one more failure can lose data"
        if bare
        else "some data are one failure nearer to being lost than others"
    )
    if cluster.done_after is not None and cluster.width - cluster.failed < cluster.done_after:
        yield (
            f"Where fewer than {cluster.done_after} of the servers of a piece are up, a write is answered when all of "
            "those have it."
        )
    yield f"{are} down and nothing is recovered: {risk}, for as long as that lasts. {UNPROMISED}"


def _duration(seconds: float) -> str:
    if seconds >= 2 * 24 * HOUR_S:
        return f"{seconds / 24 / HOUR_S:.3g} days"
    if seconds >= HOUR_S:
        return f"{seconds / HOUR_S:.3g} h"
    return f"{seconds / 60:.3g} min" if seconds >= 60 else f"{seconds:.3g} s"
