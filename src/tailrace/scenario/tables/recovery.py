"""The recovery of what failed servers held: a class of requests that the servers left issue to one another."""

from __future__ import annotations

from dataclasses import dataclass

from tailrace.scenario.tables.background import background_class
from tailrace.scenario.tables.cluster import Cluster
from tailrace.scenario.tables.server import Server
from tailrace.scenario.tables.workload import Workload

NAME = "recovery"
CHUNK = 2**20
"""Bytes of a piece that are recovered at a time, or the whole piece if that is smaller."""


@dataclass(frozen=True)
class Recovery:
    """The recovery of a cluster: each of the servers that are up is a client that recovers chunk after chunk.

    ``rate`` is bytes recovered per second in the name of each, ``held_bytes`` what each server holds at most.
    """

    cluster: Cluster
    rate: float
    chunk: int
    held_bytes: int

    @property
    def left_s(self) -> float:
        """Seconds until all that full servers held is recovered, at the rate asked for."""
        return self.cluster.failed * self.held_bytes / (self.rate * self.cluster.up)

    def workload(self, priority: int) -> Workload:
        """The recovery as a class that arrives at regular intervals, one client a server."""
        return background_class(NAME, self.cluster.up, self.rate, self.chunk, priority)


def recovery_of(server: Server, cluster: Cluster | None) -> Recovery | None:
    """The recovery of a cluster; None if nothing is being recovered."""
    if cluster is None or cluster.recovery_rate is None or not cluster.failed:
        return None
    held = sum(pool.usable_capacity for pool in server.pools)
    return Recovery(cluster, cluster.recovery_rate, min(CHUNK, int(cluster.piece)), held)
