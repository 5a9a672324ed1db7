"""Heaps of (instant, key) in an array of entries, with four children to a node.

A heap starts at the place ``at`` of its array: the root there, the children of node i at 4 i + 1 to 4 i + 4. Keys break
ties, and differ. There must be three more entries behind the last, whatever they hold.
"""

from __future__ import annotations

from numpy import (
    uintp as place,  # an index that is not negative, so that none of Python's care for negative ones is due
)

from tailrace.engine.loop.compilation import compiled
from tailrace.engine.loop.layout import Records

NEVER = 2**63 - 1


@compiled
def rise(heap: Records, at: int, node: int, instant: float, key: int) -> None:
    """Put an entry into the empty ``node``, the last of the heap, and let it rise."""
    heap[place(at + node)].instant = instant
    bits = heap[place(at + node)].bits
    while node > 0:
        up = (node - 1) >> 2
        above = heap[place(at + up)]
        if bits > above.bits or (bits == above.bits and key > above.key):
            break
        heap[place(at + node)].bits = above.bits
        heap[place(at + node)].key = above.key
        node = up
    heap[place(at + node)].bits = bits
    heap[place(at + node)].key = key


@compiled
def sink(heap: Records, at: int, size: int, instant: float, key: int) -> None:
    """Put an entry into the empty root of a heap of ``size`` entries, and let it sink.

    The least of four children is found without a branch that depends on chance.
    """
    heap[place(at)].instant = instant
    bits = heap[place(at)].bits
    node = 0
    while True:
        child = (node << 2) + 1
        if child >= size:
            break
        first = at + child
        t0 = heap[place(first)].bits
        t1 = heap[place(first + 1)].bits
        t2 = heap[place(first + 2)].bits
        t3 = heap[place(first + 3)].bits
        if child + 3 >= size:
            t1 = NEVER - 2 if child + 1 >= size else t1
            t2 = NEVER - 1 if child + 2 >= size else t2
            t3 = NEVER
        left = first + 1 if t1 < t0 else first
        left_bits = t1 if t1 < t0 else t0
        right = first + 3 if t3 < t2 else first + 2
        right_bits = t3 if t3 < t2 else t2
        least = right if right_bits < left_bits else left
        least_bits = right_bits if right_bits < left_bits else left_bits
        if (t0 == t1) | (t2 == t3) | (left_bits == right_bits):
            least = _first_of(heap, first, min(4, size - child))
        least_key = heap[place(least)].key
        if bits < least_bits or (bits == least_bits and key < least_key):
            break
        heap[place(at + node)].bits = least_bits
        heap[place(at + node)].key = least_key
        node = least - at
    heap[place(at + node)].bits = bits
    heap[place(at + node)].key = key


@compiled
def _first_of(heap: Records, first: int, count: int) -> int:
    """Place of the least of some siblings, by instant and then by key."""
    least = first
    for other in range(first + 1, first + count):
        this, that = heap[place(other)], heap[place(least)]
        if this.bits < that.bits or (this.bits == that.bits and this.key < that.key):
            least = other
    return least
