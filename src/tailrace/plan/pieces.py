"""Which servers does a request ask for what? Pieces, the servers that hold each, and the parts of requests on them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tailrace.arrays import BoolArray, IntArray
from tailrace.physics.rendezvous import highest_weights
from tailrace.plan.operations import places
from tailrace.scenario.tables.cluster import Cluster
from tailrace.workload.requests import Requests
from tailrace.workload.streams import Purpose, Streams

SLOT_SHIFT = 40
"""Requests by number below 2^40 draw apart whatever else is drawn in their name."""

SIDES, COPIES = 2, 128
"""Of one copy of a part draw those who receive it and those who send it; so many copies of a part at most."""


@dataclass(frozen=True)
class Parts:
    """Requests cut at pieces, shape (parts,): ``counts``, shape (requests,), says how many parts each has.

    ``owner`` is the place of each part's request, ``place`` its place within that, ``piece`` the number of the piece,
    ``offset`` where in the piece it begins, ``size_bytes`` how long it is.
    """

    counts: IntArray
    owner: IntArray
    place: IntArray
    piece: IntArray
    offset: IntArray
    size_bytes: IntArray

    @classmethod
    def of(cls, requests: Requests, piece: int) -> Parts:
        """Requests cut at every multiple of so many bytes."""
        address, size = requests.address, requests.size_bytes
        first = address // piece
        counts = (address + size - 1) // piece - first + 1
        owner = np.repeat(np.arange(len(requests)), counts)
        place = places(counts)
        number = first[owner] + place
        begin = np.maximum(address[owner], number * piece)
        end = np.minimum(address[owner] + size[owner], (number + 1) * piece)
        return cls(counts, owner, place, number, begin - number * piece, end - begin)


class Placement:
    """Where the pieces lie: the servers of each, and the addresses there."""

    def __init__(self, cluster: Cluster, seed: int) -> None:
        """``seed`` chooses the placement, which is the same in all replications: it belongs to the data."""
        self._cluster = cluster
        self._key = int(Streams(seed, 0, "cluster").key(Purpose.PLACEMENT))

    def servers(self, piece: IntArray) -> IntArray:
        """The servers of each piece, or set of pieces of a code, in the order in which they are asked."""
        return highest_weights(self._key, piece, self._cluster.servers, self._cluster.width)

    def is_up(self, server: IntArray) -> BoolArray:
        """Which of them have not failed."""
        return np.asarray(server < self._cluster.up)

    def address(self, piece: IntArray, offset: IntArray) -> IntArray:
        """The address on a server. Pieces keep their order there; which of them meet in one place does not matter."""
        cluster = self._cluster
        return np.asarray(piece * cluster.width // cluster.servers * cluster.piece + offset)


def sent(
    requests: Requests,
    owner: IntArray,
    slot: IntArray,
    address: IntArray,
    size_bytes: IntArray,
    server: IntArray,
    share: float = 1.0,
) -> Requests:
    """What servers are asked for in the name of requests, shape (m,) each: ``owner`` is the place of the request.

    ``slot`` tells apart what is sent in the name of one request, so that each draws for itself; what is sent in slot 0
    draws as the request does. ``share`` is how many of these a server gets for each request of the source.
    """
    return replace(
        requests,
        index=requests.index[owner] + (slot << SLOT_SHIFT),
        client=requests.client[owner],
        size_bytes=size_bytes,
        address=address,
        read=requests.read[owner],
        arrival_s=None if requests.arrival_s is None else requests.arrival_s[owner],
        later=None,
        most_per_s=requests.most_per_s * share,
        server=server,
    )
