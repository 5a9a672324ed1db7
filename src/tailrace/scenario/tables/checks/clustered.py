"""What does a server do that several of them together are not simulated with?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tailrace import units
from tailrace.scenario.tables.cluster import Cluster
from tailrace.scenario.tables.model import Finding, KeyPath
from tailrace.scenario.tables.recovery import NAME as RECOVERY
from tailrace.scenario.tables.server import Controller, Server
from tailrace.scenario.tables.workload import Workload

MOST_PIECES = 1000
"""Pieces of one request, each with a message of its own."""

_CLUSTER: tuple[KeyPath, ...] = (("cluster",),)


def findings(server: Server, workloads: Sequence[Workload], cluster: Cluster) -> Iterator[Finding]:
    """Keys that stand for something else, or for nothing that is known, with a cluster."""
    if cluster.recovery_rate is not None:
        yield from _recovery(server, workloads, cluster)
    controller = server.controller
    cache = controller.read_cache if isinstance(controller, Controller) else None
    if cache is not None and cache.hit_share is None:
        key: KeyPath = ("server", "controller", "read_cache", "hit_share")
        accepted = "a share from 0 to 1 with [cluster]: what each server caches is not reckoned"
        yield Finding(key, "missing", accepted, _CLUSTER)
    for place, pool in enumerate(server.pools):
        if pool.layout.rebuild_rate is not None:
            key = (*server.pool_path(place), "layout", "rebuild_rate")
            accepted = "a rebuild of drives in a single server, or failed servers by cluster.failed"
            yield Finding(key, "given with [cluster]", accepted, _CLUSTER)
    for index, workload in enumerate(workloads):
        here: KeyPath = ("workload", index)
        largest = max(each.largest_size for each in workload.parts)
        if largest > MOST_PIECES * cluster.piece:
            least = units.short_size(-(-largest // MOST_PIECES), upwards=True)
            wrong = f"a request of {workload.name} has more than {MOST_PIECES} pieces"
            yield Finding(("cluster", "piece"), wrong, f"at least {least}", (here,))
        if workload.limit is not None:
            accepted = "classes without a limit, which a single server grants"
            yield Finding((*here, "limit"), "given with [cluster]", accepted, _CLUSTER)
        for at, step in enumerate(workload.step):
            if step.group_commit is not None:
                accepted = "commits one by one, or a single server"
                key = (*here, "step", at, "group_commit")
                yield Finding(key, "given with [cluster]", accepted, _CLUSTER)
            if step.compute is not None and step.compute_at == "controller":
                accepted = '"client" with [cluster]: a transaction belongs to no one server'
                yield Finding(
                    (*here, "step", at, "compute_at"), "on a controller, with [cluster]", accepted, _CLUSTER
                )


def _recovery(server: Server, workloads: Sequence[Workload], cluster: Cluster) -> Iterator[Finding]:
    """What keeps failed servers from being recovered."""
    key: KeyPath = ("cluster", "recovery_rate")
    if len(server.pools) > 1:
        accepted = "servers of one pool with recovery_rate"
        yield Finding(key, "the servers have several pools", accepted, (("server", "pool"),))
    least = cluster.code.data if cluster.code else 1
    if cluster.up - 1 < least:
        accepted = "no recovery_rate with so few servers left"
        yield Finding(key, f"it takes {least} others, and {cluster.up - 1} are up", accepted, _CLUSTER)
    for index, workload in enumerate(workloads):
        if workload.name == RECOVERY:
            accepted = "another name: the recovery of failed servers is called so"
            yield Finding(("workload", index, "name"), "the name of the recovery", accepted, (key,))
