"""On which servers does a piece lie? Rendezvous hashing: those of the highest weights."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tailrace.physics.splitmix import mixed

BLOCK = 2**18
"""Weights that are held at a time: few enough to lie in a cache."""

_PIECE_STRIDE = np.uint64(0x9E3779B97F4A7C15)
_SERVER_STRIDE = np.uint64(0xD1342543DE82EF95)


def highest_weights(key: int, piece: NDArray[np.int64], servers: int, wanted: int) -> NDArray[np.int64]:
    """The ``wanted`` servers of each piece, shape (pieces, wanted), the one of the highest weight first.

    Every server has a pseudo-random weight for every piece, and a piece lies where its weights are highest
    (rendezvous, or highest random weight, hashing: Thaler and Ravishankar, Using name-based mappings to increase hit
    rates, IEEE/ACM Transactions on Networking 6(1), 1998, from memory). So servers hold equally many pieces but for
    chance, and a server that is added takes its share, ``wanted`` of ``servers`` + 1, from all others, and nothing
    else moves. ``key``, 64 bits, chooses the mapping. Raises ValueError for more servers wanted than there are.
    """
    if wanted > servers:
        raise ValueError(f"{wanted} of {servers} servers")
    different, of_piece = np.unique(piece, return_inverse=True)
    found = np.empty((different.size, wanted), dtype=np.int64)
    of_server = np.arange(1, servers + 1, dtype=np.uint64) * _SERVER_STRIDE
    rows = max(BLOCK // servers, 1)
    for begin in range(0, different.size, rows):
        mine = different[begin : begin + rows].astype(np.uint64)
        of_pieces = mixed(mine * _PIECE_STRIDE + np.uint64(key))
        weight = mixed(of_pieces[:, np.newaxis] + of_server)
        place = np.arange(mine.size)
        for rank in range(wanted):
            highest = weight.argmax(axis=1)
            found[begin : begin + rows, rank] = highest
            weight[place, highest] = 0
    return found[of_piece]
