"""How much of what is asked of several servers falls to each? By where the pieces lie that are asked for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.special import ndtri

from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.physics.zipf import scatter, zipf_law, zipf_probability
from tailrace.plan.build import sample_requests
from tailrace.plan.cluster.machine import SLOW
from tailrace.plan.columns import READ, VISIT, Chunk
from tailrace.plan.demand import Demand
from tailrace.plan.pieces import Placement
from tailrace.plan.stations import Bank, Stations
from tailrace.scenario.tables.cluster import Cluster
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.workload import Workload
from tailrace.workload.requests import ITEM_BYTES
from tailrace.workload.streams import Purpose, Streams

MOST_PIECES, MOST_WEIGHTS = 100_000, 2 * 10**7
"""Pieces, and pieces times servers, up to which it is looked up where every piece lies."""

HEAD = 2**18
"""Items of a popularity whose pieces are looked up; the others are spread evenly over theirs."""

ALIKE = 0.02
"""Servers of which none bears more than so much over the mean are taken as alike."""

ROUNDS, MOST_SHIFTED = 100, 20_000
"""Times that reads are shifted between copies until the busiest server has as few as can be, and pieces of which they
are: the most popular ones. Reads of all others go evenly to their copies."""

ROLES = ("read", "first", "other")
"""What a server does for a request: it is read from, it takes a write in as the first, or it keeps another copy."""


@dataclass(frozen=True)
class ServerShares:
    """What falls to each server, over the mean of those that are up: shape (roles, servers), for each class.

    ``by_chance`` says whether that is what chance makes of so many pieces rather than where they lie.
    """

    of_class: Mapping[str, FloatArray]
    by_chance: bool

    @property
    def unlike(self) -> bool:
        """Whether some server bears more than the others."""
        return any(float(each.max()) > 1.0 + ALIKE for each in self.of_class.values())


@lru_cache(maxsize=16)
def server_shares(scenario: Scenario, seed: int) -> ServerShares | None:
    """The shares of the servers of a cluster; None where there is one server."""
    cluster = scenario.cluster
    if cluster is None:
        return None
    placement = Placement(cluster, seed)
    by_step = scenario.by_step
    found, chance = {}, False
    for workload, (start, length) in zip(by_step.workload, by_step.spans(), strict=True):
        popular, weight, evenly = _asked(workload, start, length, int(cluster.piece), seed)
        first, last = start // cluster.piece, (start + length - 1) // cluster.piece
        every = np.zeros((len(ROLES), cluster.servers))
        pieces = int(last - first + 1)
        if pieces <= MOST_PIECES and pieces * cluster.servers <= MOST_WEIGHTS:
            weights = np.full(pieces, evenly / pieces)
            np.add.at(weights, popular - int(first), weight)
            every = _shares(cluster, placement, int(first) + np.arange(pieces), weights)
        else:
            chance = True
            if popular.size:
                every += _shares(cluster, placement, popular, weight)
            spread = evenly * _by_chance(cluster, pieces)
            every += np.where(np.arange(cluster.servers) < cluster.up, spread, 0.0)
            if (
                cluster.reads_from == "least busy" and cluster.slow_servers
            ):  # a sample shows how much is left to them
                some = int(first) + np.arange(MOST_SHIFTED) * (pieces // MOST_SHIFTED)
                shown = _shares(cluster, placement, some, np.full(some.size, evenly / some.size))
                every[0] += shown[0] - evenly * (np.arange(cluster.servers) < cluster.up)
        found[workload.name] = every
    return ServerShares(_of_whole_classes(scenario, found), chance)


def _of_whole_classes(scenario: Scenario, found: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
    """Of a transaction the mean over its steps, by how many requests they make."""
    whole = {}
    for each in scenario.workload:
        counts = [float(step.count) for step in each.asking] if each.step else [1.0]
        parts = [found[part.name] for part in each.parts]
        whole[each.name] = np.average(np.stack(parts), axis=0, weights=counts)
    return whole


def _asked(
    workload: Workload, start: int, length: int, piece: int, seed: int
) -> tuple[IntArray, FloatArray, float]:
    """Pieces asked for more than others, the shares of requests that go there, and the share of all that is even."""
    if workload.popularity is None or workload.pattern != "random" or workload.is_recorded:
        return np.zeros(0, dtype=np.int64), np.zeros(0), 1.0
    law = zipf_law(max(length // ITEM_BYTES, 1), workload.popularity)
    rank = np.arange(min(law.items, HEAD))
    key = Streams(seed, 0, workload.name).key(Purpose.SCATTER)
    item = scatter(rank, law.items, int(key))
    share = zipf_probability(rank, law)
    numbers, place = np.unique((start + item * ITEM_BYTES) // piece, return_inverse=True)
    return numbers, np.bincount(place, share).astype(np.float64), max(1.0 - float(share.sum()), 0.0)


def _by_chance(cluster: Cluster, pieces: int) -> FloatArray:
    """What falls to servers that hold many pieces, each here or there by chance: normal quantiles (derived)."""
    scatter_of_one = np.sqrt(max(cluster.servers / cluster.width - 1.0, 0.0) / pieces)
    return np.asarray(1.0 + scatter_of_one * ndtri((np.arange(cluster.servers) + 0.5) / cluster.servers))


def _shares(cluster: Cluster, placement: Placement, piece: IntArray, weight: FloatArray) -> FloatArray:
    """What falls to each server for requests of pieces by weight, times the number of servers that are up."""
    code = cluster.code
    servers = placement.servers(piece if code is None else piece // code.data)
    up = placement.is_up(servers)
    of_piece = up.sum(axis=1)
    first = up & (np.cumsum(up, axis=1) == 1)

    def fallen(share: FloatArray) -> FloatArray:
        falls = (weight[:, np.newaxis] * share).ravel()
        return np.bincount(servers.ravel(), falls, cluster.servers).astype(np.float64)

    each = up / of_piece[:, np.newaxis]
    others = np.divide(up & ~first, np.maximum(of_piece - 1, 1)[:, np.newaxis])
    read = first.astype(np.float64)
    if cluster.reads_from == "any":
        read = each
    elif cluster.reads_from == "least busy":
        read = each.astype(np.float64)
        heavy = np.argsort(-weight, kind="stable")[:MOST_SHIFTED]
        light = fallen(np.where(np.isin(np.arange(piece.size), heavy)[:, np.newaxis], 0.0, each))
        read[heavy] = _balanced(cluster, servers[heavy], up[heavy], weight[heavy], light)
    if code is not None:  # the server that holds the piece, or as many others as it takes to give it back
        row = piece // code.data
        size = cluster.width
        holds = (size - 1 - row % size + code.parity + piece % code.data) % size
        there = np.arange(size) == holds[:, np.newaxis]
        lost = ~(up & there).any(axis=1)
        read = (there & up) + np.where(lost[:, np.newaxis], code.data * each, 0.0)
    by_role = {"read": read, "first": first.astype(np.float64), "other": others}
    if code is not None:
        by_role["other"] = each
    if cluster.copied_by == "client":
        by_role["first"] = by_role["other"] = each
    return cluster.up * np.stack([fallen(by_role[role]) for role in ROLES])


def _balanced(
    cluster: Cluster, servers: IntArray, up: BoolArray, weight: FloatArray, beside: FloatArray
) -> FloatArray:
    """Shares of the copies of each piece in its reads, such that the busiest server has as little to do as it can.

    ``beside``, shape (servers,), is what they do anyway. As reads go to the least busy copy until all is as busy: each
    round gives copies weights that fall as the work of their servers grows (multiplicative weights, Arora, Hazan and
    Kale, Theory of Computing 8, 2012, from memory).
    """
    cost = _slowness(cluster)
    price = np.zeros(cluster.servers)
    mean = np.zeros(servers.shape)
    for number in range(ROUNDS):
        offered = np.where(up, -price[servers], -np.inf)
        share = np.exp(offered - offered.max(axis=1, keepdims=True))
        share /= share.sum(axis=1, keepdims=True)
        mean += (share - mean) * 2 / (number + 2)  # later rounds count for more
        shifted = np.bincount(servers.ravel(), (weight[:, np.newaxis] * mean).ravel(), cluster.servers)
        work = cost * (beside + shifted)
        price += work / work[: cluster.up].mean() - 1.0
    return mean


def _slowness(cluster: Cluster) -> FloatArray:
    """How many times as long each server takes."""
    factor = np.ones(cluster.servers)
    factor[: cluster.slow_servers] = cluster.slow_factor or 1.0
    return factor


def _of_servers(
    stations: Stations,
    chunk: Chunk,
    shares: FloatArray,
    cluster: Cluster,
    columns: FloatArray,
    in_seconds: Sequence[bool],
) -> FloatArray:
    """What a class asks of each station, ``columns`` of shape (kinds, stations), as its pieces lie over the servers.

    A sample says little of one server among many, but much of what all servers do together: that is dealt out again by
    ``shares``, shape (roles, servers). ``in_seconds`` says of each kind whether slow servers take longer for it.
    """
    dealt = columns.copy()
    made = _by_role(stations, chunk)
    factor = _slowness(cluster)
    for banks in _of_machines(stations):
        first = banks[0].first
        each = banks[0].each
        mine = slice(first, first + each * cluster.servers)
        slowed = factor if any(bank.name.startswith(SLOW) for bank in banks) else np.ones(factor.size)
        if banks[0].stage.name == "NETWORK":
            slowed = np.ones(factor.size)
        roles = made[:, mine].reshape(len(ROLES), cluster.servers, each)
        roles = (roles / slowed[:, np.newaxis]).sum(axis=(1, 2))
        if not roles.any():
            continue
        share = (roles / roles.sum()) @ shares
        for kind, seconds in zip(range(len(columns)), in_seconds, strict=True):
            of_factor = slowed if seconds else np.ones(factor.size)
            asked = columns[kind, mine].reshape(cluster.servers, each) / of_factor[:, np.newaxis]
            of_one = asked.sum(axis=0) / cluster.up
            dealt[kind, mine] = (of_factor * share)[:, np.newaxis].repeat(each, axis=1).ravel() * np.tile(
                of_one, cluster.servers
            )
    return dealt


def _apart(bank: Bank) -> Bank:
    """The bank with labels that tell its servers apart; stations that bear no load keep theirs."""
    if bank.of_servers is None:
        return bank
    each = bank.each
    alike = np.zeros(bank.count, dtype=np.int64) if bank.alike is None else bank.alike
    server = np.repeat(np.arange(_servers(bank)), each)
    label = np.where(alike < 0, alike, server * (int(alike.max(initial=0)) + 1) + alike)
    return replace(bank, alike=label, whose=bank.whose.replace("each", "the busiest", 1))


def _of_machines(stations: Stations) -> list[list[Bank]]:
    """The banks that hold the same stations of slow servers and of all others, together."""
    found: list[list[Bank]] = []
    for bank in stations.banks:
        if bank.of_servers is None:
            continue
        if bank.of_servers[0] and found:
            found[-1].append(bank)
        else:
            found.append([bank])
    return found


def _servers(bank: Bank) -> int:
    assert bank.of_servers is not None
    return bank.of_servers[1] - bank.of_servers[0]


def _by_role(stations: Stations, chunk: Chunk) -> FloatArray:
    """Work and takes of a block at every station, by what the server does for the request: (roles, stations)."""
    steps, count = chunk.steps, len(stations)
    server_of = np.full(count, -1)
    for bank in stations.banks:
        if bank.of_servers is not None:
            server = np.arange(*bank.of_servers).repeat(bank.each)
            server_of[bank.first : bank.first + bank.count] = server
    takes = steps.takes()
    at = np.flatnonzero((steps.op == VISIT) | takes)
    at = at[server_of[steps.arg[at]] >= 0]
    row = np.searchsorted(chunk.first, at, side="right") - 1
    server = server_of[steps.arg[at]]
    _, begins = np.unique(row, return_index=True)
    first = np.zeros(len(chunk), dtype=np.int64)
    first[row[begins]] = server[begins]
    role = np.where(chunk.kind[row] == READ, 0, np.where(server == first[row], 1, 2))
    amount = np.where(takes[at], 1.0, steps.work[at])
    made = np.bincount(role * count + steps.arg[at], amount, len(ROLES) * count)
    return made.reshape(len(ROLES), count).astype(np.float64)


def over_servers(
    scenario: Scenario, seed: int, stations: Stations, demands: Mapping[str, Demand]
) -> tuple[Mapping[str, Demand], list[Bank]]:
    """Demands and banks as they are; of several servers that are not loaded alike, as each is loaded."""
    shares, cluster = server_shares(scenario.model_copy(update={"load": 1.0}), seed), scenario.cluster
    if shares is None or cluster is None:
        return demands, stations.banks
    if not shares.unlike and not (cluster.slow_servers and cluster.reads_from == "least busy"):
        return demands, stations.banks
    _, chunks = sample_requests(scenario, seed)
    dealt = dict(demands)
    for name, demand in demands.items():
        if name not in shares.of_class:  # what servers do by themselves is dealt evenly
            continue
        columns = np.stack([demand.service_s, demand.visits, demand.writing_s, demand.drawn_s])
        each = _of_servers(
            stations, chunks[name], shares.of_class[name], cluster, columns, (True, False, True, True)
        )
        dealt[name] = replace(demand, service_s=each[0], visits=each[1], writing_s=each[2], drawn_s=each[3])
    return dealt, [_apart(bank) for bank in stations.banks]


def busiest_notes(scenario: Scenario, seed: int) -> tuple[str, ...]:
    """What to say where servers are not loaded alike."""
    shares, cluster = server_shares(scenario.model_copy(update={"load": 1.0}), seed), scenario.cluster
    if shares is None or cluster is None or not shares.unlike:
        return ()
    name, most = max(shares.of_class.items(), key=lambda each: float(each[1].max()))
    role = int(np.argmax(most.max(axis=1)))
    server, over = int(np.argmax(most[role])), float(most[role].max())
    did = {
        "read": "reads",
        "first": "writes that it takes in first",
        "other": "copies that it keeps of writes",
    }
    who = (
        "the busiest of so many servers"
        if shares.by_chance and over < 1.5
        else f"server {server}, counted from 0,"
    )
    why = "by where popular pieces lie and by chance"
    if cluster.slow_servers and cluster.reads_from == "least busy":
        why = "since slow ones are left fewer reads where another copy is less busy"
    return (
        f"Servers are not loaded alike, {why}: {who} has {over:.3g} times the mean "
        f"of the {did[ROLES[role]]} of {name}. Loads are those of the server that saturates first, busy shares are "
        "means.",
    )
