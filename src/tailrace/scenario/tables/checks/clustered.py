"""What does a server do that several of them together are not simulated with?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tailrace.scenario.tables.cluster import Cluster
from tailrace.scenario.tables.model import Finding, KeyPath
from tailrace.scenario.tables.server import Controller, Server
from tailrace.scenario.tables.workload import Workload

_CLUSTER: tuple[KeyPath, ...] = (("cluster",),)


def findings(server: Server, workloads: Sequence[Workload], cluster: Cluster) -> Iterator[Finding]:
    """Keys that stand for something else, or for nothing that is known, with a cluster."""
    if cluster.code is not None:
        yield Finding(("cluster", "code"), "not simulated yet", "copies")
    if cluster.recovery_rate is not None:
        yield Finding(("cluster", "recovery_rate"), "not simulated yet", "failed without recovery_rate")
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
