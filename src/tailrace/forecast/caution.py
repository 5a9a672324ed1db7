"""How far are the figures of a class to be trusted, where closed forms leave out what the scenario has?"""

from __future__ import annotations

import numpy as np

from tailrace.forecast.clustered import doubts_of_servers
from tailrace.forecast.decompose import Decomposition
from tailrace.plan.demand import permit_seconds
from tailrace.plan.stations import Discipline
from tailrace.scenario.tables.arrivals import IN_BURSTS
from tailrace.scenario.tables.workload import Workload

FULL_POOL = 0.5
"""Share of a pool's permits in use on average, beyond which some requests have to wait for one."""

UNLIKE = 1.2
"""Ratio of the mean times of classes at a station beyond which they are not taken as alike."""


def caution(network: Decomposition, workload: Workload, rates: dict[str, float]) -> str | None:
    """Why the figures of a class are not to be trusted; None where nothing speaks against them."""
    sample = network.samples[workload.name]
    visited = {network.stations.banks[place].discipline for place in np.unique(sample.bank)}
    doubts = []
    if sample.visits.split.any():
        doubts.append("parts of a request go side by side over stations that others share")
    if any(bank.alike is not None for bank in network.stations.banks):
        doubts.append("drives are unevenly loaded where others are down")
    if Discipline.ARM in visited:
        doubts.append("the service of an arm depends on how many requests it can choose from")
    if network.collects(workload.name):
        doubts.append("its log is reckoned as if nothing disturbed a write and any number went into it")
    doubts += [f"requests may have to wait for {name}" for name in _pools_in_short_supply(network, rates)]
    doubts += [*_doubts_of_ranks(network), *doubts_of_servers(network.scenario)]
    surges = workload.surge is not None
    if bursts := IN_BURSTS if surges else workload.arrival_law.caution if workload.is_open else None:
        doubts.append(bursts)
    if workload.limit is not None:
        doubts.append("waits for its rate limit are not reckoned")
    return f"Not to be trusted: {'; '.join(doubts)}." if doubts else None


def _doubts_of_ranks(network: Decomposition) -> list[str]:
    """What is not known of priorities: beside closed classes, and where several servers take unlike times."""
    workloads = network.scenario.workload
    if len({each.priority for each in workloads}) == 1:
        return []
    if any(not each.is_open for each in workloads):
        return ["priorities are not reckoned beside closed classes"]
    doubts = []
    for place, bank in enumerate(network.stations.banks):
        if bank.discipline == Discipline.FCFS and bank.servers > 1:
            works = [network.samples[each.name].works(place) for each in workloads]
            means = [float(each.mean()) for each in works if each.size]
            if max(means, default=0.0) > UNLIKE * min(means, default=0.0):
                doubts.append(f"priorities at {bank.name} are reckoned as if all classes took equally long")
    return doubts


def _pools_in_short_supply(network: Decomposition, rates: dict[str, float]) -> list[str]:
    """Pools, other than those that serve, of whose permits the load holds a good share by its service alone."""
    held = np.zeros(len(network.stations))
    for name, sample in network.samples.items():
        seconds, _ = permit_seconds(sample.chunk, len(network.stations))
        held += rates.get(name, 0.0) * seconds / len(sample.chunk)
    return [
        bank.name
        for bank in network.stations.banks
        if bank.discipline == Discipline.TOKEN
        and not bank.paces
        and held[bank.first : bank.first + bank.count].mean() / bank.servers > FULL_POOL
    ]
