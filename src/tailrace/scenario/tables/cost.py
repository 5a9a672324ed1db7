"""What does a server cost, and what power does it draw? The sum over the parts whose price and power are written."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from tailrace.scenario.tables.cluster import Cluster
from tailrace.scenario.tables.model import Model
from tailrace.scenario.tables.server import Controller, Lanes, LawStage, Network, Pool, Server


@dataclass(frozen=True)
class CostItem:
    """``count`` like parts; price and power are of one, None where the scenario does not say.

    ``table`` is the path of the table where they stand, ``what`` that table; None for what is left of a server.
    """

    name: str
    count: int
    price: float | None
    power_w: float | None
    table: str = "server"
    what: Model | None = None


@dataclass(frozen=True)
class Cost:
    """The sum over the parts that say what they cost (or draw); None where none does. ``lacking`` names the others."""

    price: float | None
    power_w: float | None
    lacking_price: tuple[str, ...]
    lacking_power: tuple[str, ...]


def parts(server: Server, cluster: Cluster | None = None) -> tuple[CostItem, ...]:
    """All parts that can have a price: ports, cores, adapters or links, drives, and the rest, of all servers."""
    of_one = _parts_of_server(server)
    if cluster is None:
        return of_one
    every = [replace(part, count=part.count * cluster.servers) for part in of_one]
    if cluster.network is not None:
        ports, count = cluster.network, cluster.network.ports * cluster.servers
        every.append(
            CostItem("ports between servers", count, ports.price, ports.power, "cluster.network", ports)
        )
    return tuple(every)


def _parts_of_server(server: Server) -> tuple[CostItem, ...]:
    found = []
    network, controller = server.network, server.controller
    if network is not None:
        count = network.ports if isinstance(network, Network) else network.servers
        found.append(
            CostItem("network ports", count, network.price, network.power, "server.network", network)
        )
    if controller is not None:
        count = controller.cores if isinstance(controller, Controller) else controller.servers
        found.append(
            CostItem("cores", count, controller.price, controller.power, "server.controller", controller)
        )
    for pool in server.pools:
        found += _parts_of_pool(pool, f"server.pool.{pool.name}" if pool.name else "server")
    found.append(CostItem("the rest", 1, server.price, server.power))
    return tuple(found)


def _parts_of_pool(pool: Pool, path: str) -> list[CostItem]:
    lanes, media = pool.lanes, pool.media
    drives = CostItem(
        pool.station_name("drives"), media.count, media.price, media.power, f"{path}.media", media
    )
    if lanes is None:
        return [drives]
    count, name = lanes.servers if isinstance(lanes, LawStage) else media.count, "links"
    if isinstance(lanes, Lanes) and lanes.drives_per_adapter is not None:
        count, name = math.ceil(media.count / lanes.drives_per_adapter), "adapters"
    links = CostItem(pool.station_name(name), count, lanes.price, lanes.power, f"{path}.lanes", lanes)
    return [links, drives]


def cost(server: Server, cluster: Cluster | None = None) -> Cost:
    """Price and power of a whole server, or of all servers of a cluster, as far as their parts say."""
    every = parts(server, cluster)
    prices = [part.count * part.price for part in every if part.price is not None]
    powers = [part.count * part.power_w for part in every if part.power_w is not None]
    return Cost(
        math.fsum(prices) if prices else None,
        math.fsum(powers) if powers else None,
        tuple(part.name for part in every if part.price is None),
        tuple(part.name for part in every if part.power_w is None),
    )


def height(server: Server, cluster: Cluster | None = None) -> float | None:
    """Rack units of a server, or of all servers of a cluster; None where it is not said."""
    return None if server.height is None else server.height * (1 if cluster is None else cluster.servers)
