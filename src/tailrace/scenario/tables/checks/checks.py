"""Rules between the server and the workload, which neither can check alone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from tailrace.quantity import FINISHED
from tailrace.scenario.tables.checks import addresses, buffers, clustered, machine, replayed, unmeasured
from tailrace.scenario.tables.checks.addresses import pool_uses
from tailrace.scenario.tables.cluster import Cluster
from tailrace.scenario.tables.layout import findings_of_drives
from tailrace.scenario.tables.model import Finding, KeyPath
from tailrace.scenario.tables.rebuild import rebuilds_of
from tailrace.scenario.tables.server import Controller, Server
from tailrace.scenario.tables.workload import Workload

_OF_CLASS = ("name", "clients", "rate", "queue_depth", "think_time", "arrivals")
"""Keys that a transaction has as a whole; all others of a class of requests are those of a step."""


def findings(
    server: Server, workloads: Sequence[Workload], cluster: Cluster | None = None
) -> Iterator[Finding]:
    """Everything that is wrong between the parts of a scenario; keys are those of the scenario."""
    yield from _names(server, workloads)
    for index, workload in enumerate(workloads):
        yield from replayed.findings(workload, ("workload", index))
        yield from _computing(server, workload, ("workload", index, "step"))
        yield from _collecting(server, workload, ("workload", index, "step"))
    places = _step_places(workloads)
    for found in _of_requests(server, [part for each in workloads for part in each.parts], cluster):
        rests_on = tuple(_in_file(key, places) for key in found.rests_on)
        yield replace(found, key=_in_file(found.key, places), rests_on=rests_on)
    if cluster is not None:
        yield from clustered.findings(server, workloads, cluster)
    yield from _targets(workloads)
    yield from machine.findings(server, workloads)


def _of_requests(server: Server, workloads: Sequence[Workload], cluster: Cluster | None) -> Iterator[Finding]:
    """What is wrong between the server and each class of requests."""
    yield from _pools(server, workloads)
    for use in pool_uses(server, workloads, cluster):
        if any(findings_of_drives(use.pool.layout, use.pool.media.count)):
            continue  # how much it holds is not known
        yield from addresses.findings(use)
        yield from buffers.findings(use)
        yield from machine.findings_of_stations(use)
        yield from unmeasured.findings(use)
    yield from _read_cache(server, workloads)
    yield from buffers.write_back_findings(server, workloads)


def _step_places(workloads: Sequence[Workload]) -> list[KeyPath]:
    """Where in the file each of the classes' parts is described."""
    places: list[KeyPath] = []
    for index, workload in enumerate(workloads):
        asking = [at for at, each in enumerate(workload.step) if each.request_size is not None]
        places += (
            [("workload", index, "step", at) for at in asking] if workload.step else [("workload", index)]
        )
    return places


def _in_file(key: KeyPath, places: list[KeyPath]) -> KeyPath:
    if key[:1] != ("workload",) or len(key) < 2:
        return key
    place = places[int(key[1])]
    of_class = len(key) > 2 and key[2] in _OF_CLASS
    return (*(place[:2] if of_class else place), *key[2:])


def _computing(server: Server, workload: Workload, here: KeyPath) -> Iterator[Finding]:
    """Steps that compute on a controller which has no cores."""
    controller = server.controller
    for place, step in enumerate(workload.step):
        if step.compute is not None and step.compute_at == "controller":
            if isinstance(controller, Controller):
                continue
            wrong = "the server has no controller with cores"
            accepted = '"client", or "controller" with cores in [server.controller]'
            rests_on = ((*here, place, "compute"), ("server", "controller"))
            yield Finding((*here, place, "compute_at"), wrong, accepted, rests_on)


def _collecting(server: Server, workload: Workload, here: KeyPath) -> Iterator[Finding]:
    """Steps whose writes are collected for the drives though protected memory answers them before."""
    controller = server.controller
    if not isinstance(controller, Controller) or controller.write_back is None:
        return
    for place, step in enumerate(workload.step):
        if step.group_commit is not None:
            key = (*here, place, "group_commit")
            wrong, accepted = (
                "the write-back memory answers before any drive",
                "group_commit without write_back",
            )
            yield Finding(key, wrong, accepted, (("server", "controller", "write_back"),))


def _pools(server: Server, workloads: Sequence[Workload]) -> Iterator[Finding]:
    """A class that names a pool which is not there, or none where there are several."""
    names = [pool.name for pool in server.pools]
    written = server.pool
    for index, workload in enumerate(workloads):
        key, rests_on = ("workload", index, "pool"), (("server", "pool"), ("server", "media"))
        accepted = f"one of {', '.join(names)}" if len(names) > 1 else ", ".join(names)
        if workload.pool is None and len(names) > 1:
            yield Finding(key, "missing: there are several pools", accepted, rests_on)
        elif workload.pool is not None and not written:
            yield Finding(key, "the server has no pools", "pool with [[server.pool]] tables only", rests_on)
        elif workload.pool is not None and workload.pool not in names:
            yield Finding(key, "no pool of this name", accepted, rests_on)


def _names(server: Server, workloads: Sequence[Workload]) -> Iterator[Finding]:
    seen: set[str] = set()
    rebuilds = {rebuild.name for rebuild in rebuilds_of(server)}
    for index, workload in enumerate(workloads):
        if workload.name in seen:
            yield Finding(
                ("workload", index, "name"), "a second class of this name", "a name of its own for each class"
            )
        if workload.name in rebuilds:
            accepted = "another name: the rebuild of failed drives is called so"
            yield Finding(("workload", index, "name"), "the name of a rebuild", accepted)
        seen.add(workload.name)


def _read_cache(server: Server, workloads: Sequence[Workload]) -> Iterator[Finding]:
    """Recorded requests follow no law of popularity from which hits could be reckoned."""
    controller = server.controller
    cache = controller.read_cache if isinstance(controller, Controller) else None
    if cache is None or cache.hit_share is not None:
        return
    for index, workload in enumerate(workloads):
        if workload.is_recorded:
            key: KeyPath = ("server", "controller", "read_cache", "hit_share")
            accepted = f"a share from 0 to 1, since the class {workload.name} is recorded"
            yield Finding(key, "missing", accepted, (("workload", index, "arrivals"),))


def _targets(workloads: Sequence[Workload]) -> Iterator[Finding]:
    for index, workload in enumerate(workloads):
        rests_on: tuple[KeyPath, ...] = (("workload", index, "read_share"),)
        for quantity, _ in workload.limits:
            named = "within" if quantity.seconds is not None else quantity.statistic
            key = (
                "workload",
                index,
                "target",
                named if quantity.kind == "all" else f"{quantity.kind}_{named}",
            )
            if quantity.statistic == FINISHED and workload.amount is None:
                accepted = 'an amount of the class, such as "20 TB", together with finished_within'
                yield Finding(
                    key, "the class has no amount of work", accepted, (("workload", index, "amount"),)
                )
            if quantity.kind == "read" and workload.reads == 0:
                yield Finding(
                    key, "the class has no reads", "such a limit with a read_share above 0", rests_on
                )
            if quantity.kind == "write" and workload.reads == 1:
                yield Finding(
                    key, "the class has no writes", "such a limit with a read_share below 1", rests_on
                )
