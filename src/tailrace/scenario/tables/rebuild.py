"""The rebuild of failed drives onto spares: a class of requests that the server issues to itself."""

from __future__ import annotations

from dataclasses import dataclass

from tailrace.scenario.tables.background import background_class
from tailrace.scenario.tables.server import Pool, Server
from tailrace.scenario.tables.workload import Workload

NAME = "rebuild"


@dataclass(frozen=True)
class Rebuild:
    """The rebuild of one pool. Every group with a drive under rebuild is a client that rebuilds chunk after chunk.

    ``rate`` is bytes per second written onto each spare, ``groups`` the groups under rebuild, ``spares`` of shape
    (groups,) in the same order the spares that are written there.
    """

    pool: Pool
    name: str
    rate: float
    chunk: int
    groups: tuple[int, ...]
    spares: tuple[tuple[int, ...], ...]

    @property
    def drives(self) -> int:
        """Drives under rebuild."""
        return sum(map(len, self.spares))

    @property
    def left_bytes(self) -> float:
        """Bytes of one drive that are still to be rebuilt."""
        return self.pool.media.capacity * (1.0 - self.pool.layout.rebuilt)

    def workload(self, priority: int) -> Workload:
        """The rebuild as a class that arrives at regular intervals, one client a group."""
        return background_class(
            self.name, len(self.groups), self.rate, self.chunk, priority, self.pool.name or None
        )


def rebuild_of(pool: Pool) -> Rebuild | None:
    """The rebuild of a pool; None if nothing is being rebuilt there."""
    layout, drives = pool.layout, pool.media.count
    under_way = layout.rebuilding(drives)
    if layout.rebuild_rate is None or not under_way:
        return None
    size, of_group = layout.group_size(drives), dict[int, list[int]]()
    for failed, spare in under_way.items():
        of_group.setdefault(failed // size, []).append(spare)
    groups = tuple(sorted(of_group))
    spares = tuple(tuple(of_group[group]) for group in groups)
    name = f"{NAME} of {pool.name}" if pool.name else NAME
    return Rebuild(pool, name, layout.rebuild_rate, int(layout.rebuild_chunk), groups, spares)


def rebuilds_of(server: Server) -> tuple[Rebuild, ...]:
    """The rebuilds of all pools."""
    found = (rebuild_of(pool) for pool in server.pools)
    return tuple(each for each in found if each is not None)
