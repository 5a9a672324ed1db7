"""What do closed forms say of several servers, and what must not be believed of estimates of them?"""

from __future__ import annotations

from tailrace import theory
from tailrace.forecast.result import ClassTheory
from tailrace.scenario.tables.law import Exponential
from tailrace.scenario.tables.media import Generic
from tailrace.scenario.tables.scenario import Scenario

MANY_PIECES = 1000
"""Pieces a server from which reads of any of them meet all servers alike, to a few percent of the load."""


def clustered_classes(scenario: Scenario) -> dict[str, ClassTheory] | None:
    """What is known of reads of the least busy copy, by name of the class; None where no law holds.

    One drive of exponential services in each server, and nothing else: the mean-field law.
    """
    cluster, server = scenario.cluster, scenario.server
    if cluster is None or cluster.reads_from != "least busy" or cluster.failed or cluster.slow_servers:
        return None
    if len(server.pools) > 1 or server.network or server.controller or cluster.network:
        return None
    pool = server.pools[0]
    media, piece = pool.media, int(cluster.piece)
    if (
        not isinstance(media, Generic)
        or not isinstance(media.service, Exponential)
        or (media.count, media.servers, media.discipline, media.slow_drives) != (1, 1, "fcfs", 0)
        or pool.lanes is not None
        or pool.layout.redundancy != "none"
    ):
        return None
    for workload, (_, length) in zip(scenario.workload, scenario.spans(), strict=True):
        fits = workload.aligned and all(piece % part.size == 0 for part in workload.sizes)
        plain = workload.reads == 1.0 and workload.pattern == "random" and workload.popularity is None
        even = length >= MANY_PIECES * cluster.servers * piece
        poisson = workload.is_open and workload.arrival_law.is_poisson and workload.surge is None
        if workload.step or workload.is_recorded or not (fits and plain and even and poisson):
            return None
    if len({each.priority for each in scenario.workload}) > 1:
        return None
    rate = scenario.open_rate_per_s / cluster.servers
    mean = theory.least_busy_response_mean(cluster.width, rate, 1.0 / media.service.mean)
    found = ClassTheory(
        float(mean),
        None,
        f"mean-field law of the least busy of {cluster.width}",
        p99_reason="the law is one of means",
        caution=f"The law holds as servers grow many; there are {cluster.servers}.",
    )
    return dict.fromkeys((each.name for each in scenario.workload), found)


def doubts_of_servers(scenario: Scenario) -> list[str]:
    """Why an estimate of several servers is not to be trusted."""
    cluster = scenario.cluster
    if cluster is None:
        return []
    doubts = []
    if cluster.reads_from == "least busy" and any(each.reads > 0 for each in scenario.workload):
        doubts.append("reads are reckoned as if any copy were read, not that of the least busy server")
    if cluster.slow_servers:
        doubts.append("servers that are slow and others are reckoned each by themselves")
    return doubts
