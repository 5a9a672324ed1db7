"""What servers do to make up for those that failed: copy pieces to one another, or gather what gives one back."""

from __future__ import annotations

import numpy as np

from tailrace.arrays import IntArray, running_before
from tailrace.plan.pieces import COPIES, SIDES, sent
from tailrace.scenario.tables.recovery import Recovery
from tailrace.workload.requests import Requests
from tailrace.workload.streams import Purpose, Streams


class RecoveryRequests:
    """The chunks that each server recovers in order, from a random place of its drives on."""

    def __init__(self, recovery: Recovery, streams: Streams) -> None:
        self._recovery, self._streams = recovery, streams
        self._chunks = recovery.held_bytes // recovery.chunk
        up = recovery.cluster.up
        begin = streams.uniforms(Purpose.ADDRESS, np.arange(up)) * self._chunks
        self._done = begin.astype(np.int64)

    def requests(self, index: IntArray, client: IntArray) -> Requests:
        """The next chunks, of the servers numbered by ``client``; ``address`` is that on the drives of a server."""
        number = running_before(client, np.ones(client.size, dtype=np.int64), self._done)
        address = number % self._chunks * self._recovery.chunk
        size = np.full(client.size, self._recovery.chunk)
        return Requests(self._streams, index, client, size, address, np.zeros(client.size, dtype=bool))


def others(requests: Requests, up: int, wanted: int) -> Requests:
    """What each chunk asks of so many other servers that are up, all different, shape (chunks * wanted,).

    Raises ValueError if there are not so many.
    """
    if wanted > up - 1:
        raise ValueError(f"{wanted} others of {up} servers")
    count = len(requests)
    ranks = np.stack([requests.uniforms(Purpose.SERVER, place) for place in range(up - 1)], axis=1)
    nth = np.argsort(ranks, axis=1)[:, :wanted]
    server = (requests.client[:, np.newaxis] + 1 + nth) % up
    owner = np.repeat(np.arange(count), wanted)
    slot = (np.tile(np.arange(wanted), count) * COPIES + 1) * SIDES
    return sent(requests, owner, slot, requests.address[owner], requests.size_bytes[owner], server.ravel())
