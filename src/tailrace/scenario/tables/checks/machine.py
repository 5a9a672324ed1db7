"""Does what a run keeps fit into the memory of this machine?"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence

from tailrace.scenario.tables.checks.addresses import PoolUse
from tailrace.scenario.tables.datasheet import CHANNELS, dies_of
from tailrace.scenario.tables.flash import DATASHEET, Flash
from tailrace.scenario.tables.model import Finding
from tailrace.scenario.tables.server import Network, Server
from tailrace.scenario.tables.workload import Workload

STATE_BYTES = 2000
"""Memory reckoned for each client or outstanding request whose state lives as long as the run."""

STATION_BYTES = 3000
"""Memory reckoned for each die, bus or link with its queue, as measured with the interpreted engine."""

STATIONS_OF_A_DRIVE = 8
"""At most so many stations belong to a drive beside its dies and buses."""


def findings(server: Server, workloads: Sequence[Workload]) -> Iterator[Finding]:
    """More clients whose state is kept than the memory holds."""
    memory = machine_memory()
    if memory is None:
        return
    network = server.network
    own_link = isinstance(network, Network) and network.client_rate is not None
    kept = [_states(workload, own_link) for workload in workloads]
    needed = sum(kept) * STATE_BYTES
    if 2 * needed <= memory:
        return
    largest = max(range(len(kept)), key=kept.__getitem__)
    rests_on = tuple(
        ("workload", index, key)
        for index in range(len(kept))
        for key in ("clients", "rate", "queue_depth", "think_time", "arrivals", "pattern")
    )
    wrong = (
        f"{sum(kept)} clients need about {needed / 1e9:.1f} GB, and this machine has {memory / 1e9:.1f} GB"
    )
    accepted = f"about {int(memory / 2 / STATE_BYTES)} in all classes, where queue_depth counts clients again"
    key = ("workload", largest, "clients")
    yield Finding(key, wrong, accepted, (*rests_on, ("server", "network", "client_rate")))


def findings_of_stations(use: PoolUse) -> Iterator[Finding]:
    """More dies, buses and links than the memory holds."""
    memory, media = machine_memory(), use.pool.media
    if memory is None:
        return
    each = STATIONS_OF_A_DRIVE
    if isinstance(media, Flash):
        try:
            each += dies_of(media, use.pool.lanes) + (media.channels or CHANNELS)
        except ValueError:
            return  # said of the figures from which the dies follow
    servers = 1 if use.cluster is None else use.cluster.servers
    needed = servers * media.count * each * STATION_BYTES
    if 2 * needed <= memory:
        return
    sizes = ("kind", "dies", "die_capacity", "capacity", "channels", *DATASHEET)
    rests_on = use.keys(*(("media", key) for key in sizes))
    wrong = (
        f"their dies and links need about {needed / 1e9:.1f} GB, and this machine has {memory / 1e9:.1f} GB"
    )
    accepted = f"about {int(memory / 2 / each / STATION_BYTES)} drives of {each} stations each"
    if use.cluster is not None:
        rests_on = (*rests_on, ("cluster", "servers"))
        accepted += " in all servers together"
    yield Finding((*use.path, "media", "count"), wrong, accepted, rests_on)


def _states(workload: Workload, own_link: bool) -> int:
    """Clients, or requests of a closed class, whose state is kept for the whole run."""
    if not workload.is_open:
        return workload.clients * (workload.queue_depth or 1)
    in_turn = any(each.pattern == "sequential" for each in workload.parts)
    keeps = workload.arrival_law.keeps_clients or in_turn or own_link
    return workload.clients if keeps else 0


def machine_memory() -> int | None:
    """Physical memory of this machine in bytes; None where the system does not tell."""
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return None
