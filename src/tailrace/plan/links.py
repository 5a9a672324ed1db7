"""Transfers as visits: the network before the server, the lanes between controller and drives."""

from __future__ import annotations

import numpy as np

from tailrace.arrays import IntArray
from tailrace.hardware.network import NetworkCost
from tailrace.hardware.service import service_times
from tailrace.plan.columns import Stage
from tailrace.plan.operations import Operations
from tailrace.plan.path import InTurn, Path, visit
from tailrace.plan.stations import DISCIPLINES, Discipline, Stations
from tailrace.scenario.tables.server import Lanes, LawStage, Network, Ports
from tailrace.workload.requests import Requests
from tailrace.workload.streams import Purpose


def pieces(size_bytes: IntArray, piece: int) -> tuple[IntArray, IntArray]:
    """How many pieces of at most ``piece`` bytes each size falls into, and the sizes of all pieces in order."""
    counts = -(-size_bytes // piece)
    sizes = np.full(int(counts.sum()), piece, dtype=np.int64)
    sizes[np.cumsum(counts) - 1] = size_bytes - (counts - 1) * piece
    return counts, sizes


class LawStagePlan:
    """A stage that a service law replaces: one station, visited once on the way in."""

    def __init__(
        self, stage: LawStage, where: Stage, name: str, purpose: Purpose, stations: Stations
    ) -> None:
        self._law, self._purpose = stage.service, purpose
        self._station = stations.add(name, where, DISCIPLINES[stage.discipline], stage.servers)

    def arrive(self, requests: Requests) -> list[Path]:
        """The visit of each request."""
        work = service_times(self._law, requests.uniforms(self._purpose))
        return [visit(len(requests), self._station, work)]


class NetworkPlan:
    """Ports of the server, both ways, the clients' own links where they are given, and the propagation delay."""

    def __init__(self, network: Ports, clients: int, stations: Stations, name: str = "") -> None:
        """``clients`` is the number of client links wanted, over all classes; ``name`` tells other ports from these."""
        self._cost = NetworkCost(network)
        self._rate = network.rate
        self._client_rate = network.client_rate if isinstance(network, Network) else None
        self._piece = int(network.transfer_piece) if network.discipline == "fcfs" else None
        discipline = DISCIPLINES[network.discipline]
        self._in = stations.add(f"network in{name}", Stage.NETWORK, discipline, network.ports)
        self._out = stations.add(f"network out{name}", Stage.NETWORK, discipline, network.ports)
        self._trip = stations.add(f"round trip{name}", Stage.NETWORK, Discipline.DELAY, outside=True)
        if self._client_rate is not None:
            self._client_out = stations.add(
                "client link out", Stage.NETWORK, discipline, count=clients, outside=True
            )
            self._client_in = stations.add(
                "client link in", Stage.NETWORK, discipline, count=clients, outside=True
            )

    def arrive(self, requests: Requests, first_client: int, with_data: bool) -> list[Path]:
        """The way in; ``first_client`` is the number of the class's first client link."""
        path = []
        if self._client_rate is not None:
            link = self._client_out + first_client + requests.client
            path.append(self._transfer(link, requests, with_data, self._client_rate))
        return [*path, self.inbound(requests, with_data), *self.half_trip(len(requests))]

    def leave(self, requests: Requests, first_client: int, with_data: bool) -> list[Path]:
        """The way back to the client."""
        path = [self.outbound(requests, with_data), *self.half_trip(len(requests))]
        if self._client_rate is not None:
            link = self._client_in + first_client + requests.client
            path.append(self._transfer(link, requests, with_data, self._client_rate))
        return path

    def inbound(self, requests: Requests, with_data: bool) -> Path:
        """The message of each request through the ports into the server."""
        return self._transfer(self._in, requests, with_data, self._rate)

    def outbound(self, requests: Requests, with_data: bool) -> Path:
        """The message of each request through the ports out of the server."""
        return self._transfer(self._out, requests, with_data, self._rate)

    def half_trip(self, count: int) -> list[Path]:
        """The propagation of a message."""
        half = self._cost.half_trip_s
        return [visit(count, self._trip, half)] if half > 0.0 else []

    def _transfer(self, link: int | IntArray, requests: Requests, with_data: bool, rate: float) -> Path:
        if not with_data:
            return visit(len(requests), link, self._cost.header_s(rate))
        if self._piece is None:
            return visit(len(requests), link, self._cost.data_s(requests.size_bytes, rate))
        counts, sizes = pieces(requests.size_bytes, self._piece)
        of_piece = link if isinstance(link, int) else np.repeat(link, counts)
        return InTurn(visit(sizes.size, of_piece, self._cost.data_s(sizes, rate)), counts)


class LanesPlan:
    """No lanes at all: drives attached without any cost. The forms below override what costs."""

    def dispatch(self, operations: Operations) -> list[Path]:
        """What each drive operation, read or write, passes on its way to the drive."""
        del operations
        return []

    def to_drive(self, drive: IntArray, size_bytes: IntArray) -> list[Path]:
        """Transfers of ``size_bytes`` to the drives given, both of shape (m,)."""
        del drive, size_bytes
        return []

    def from_drive(self, drive: IntArray, size_bytes: IntArray) -> list[Path]:
        """Transfers of ``size_bytes`` from the drives given, both of shape (m,)."""
        del drive, size_bytes
        return []


class LawLanesPlan(LanesPlan):
    """Lanes replaced by a service law: one station, visited by every drive operation on its way."""

    def __init__(self, stage: LawStage, stations: Stations) -> None:
        self._law = stage.service
        self._station = stations.add("lane", Stage.LANE, DISCIPLINES[stage.discipline], stage.servers)

    def dispatch(self, operations: Operations) -> list[Path]:
        work = service_times(self._law, operations.uniforms(Purpose.LANE))
        return [visit(len(operations), self._station, work)]


class LinkLanesPlan(LanesPlan):
    """A link for each drive, two stations or, at half duplex, one; and the uplink that adapters share."""

    def __init__(self, lanes: Lanes, drives: int, stations: Stations) -> None:
        discipline = DISCIPLINES[lanes.discipline]
        self._rate = lanes.bytes_per_s
        self._fcfs_piece = int(lanes.transfer_piece) if lanes.discipline == "fcfs" else None
        if lanes.is_half_duplex:
            self._in = self._out = stations.add("lane", Stage.LANE, discipline, count=drives)
        else:
            self._in = stations.add("lane in", Stage.LANE, discipline, count=drives)
            self._out = stations.add("lane out", Stage.LANE, discipline, count=drives)
        self._uplink_rate = lanes.uplink_bytes_per_s
        if self._uplink_rate is not None and lanes.drives_per_adapter is not None:
            self._drives_per_adapter = lanes.drives_per_adapter
            adapters = -(-drives // lanes.drives_per_adapter)
            self._uplink_in = stations.add("adapter in", Stage.LANE, discipline, count=adapters)
            self._uplink_out = stations.add("adapter out", Stage.LANE, discipline, count=adapters)

    def to_drive(self, drive: IntArray, size_bytes: IntArray) -> list[Path]:
        path = [self._transfer(self._in + drive, size_bytes, self._rate)]
        if self._uplink_rate is not None:
            uplink = self._uplink_in + drive // self._drives_per_adapter
            path.insert(0, self._transfer(uplink, size_bytes, self._uplink_rate))
        return path

    def from_drive(self, drive: IntArray, size_bytes: IntArray) -> list[Path]:
        path = [self._transfer(self._out + drive, size_bytes, self._rate)]
        if self._uplink_rate is not None:
            uplink = self._uplink_out + drive // self._drives_per_adapter
            path.append(self._transfer(uplink, size_bytes, self._uplink_rate))
        return path

    def _transfer(self, link: IntArray, size_bytes: IntArray, rate: float) -> Path:
        if self._fcfs_piece is None:
            return visit(size_bytes.size, link, size_bytes / rate)
        counts, sizes = pieces(size_bytes, self._fcfs_piece)
        return InTurn(visit(sizes.size, np.repeat(link, counts), sizes / rate), counts)


def plan_lanes(lanes: Lanes | LawStage | None, drives: int, stations: Stations) -> LanesPlan:
    """The lanes of a scenario, in whichever form it gives them."""
    if lanes is None:
        return LanesPlan()
    if isinstance(lanes, LawStage):
        return LawLanesPlan(lanes, stations)
    return LinkLanesPlan(lanes, drives, stations)
