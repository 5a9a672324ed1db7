"""Which reads does the controller answer from its cache, and what do the others fetch?

A least-recently-used cache of items of 16 KiB, in which an item is found with probability 1 − exp(−rate · t), where t
is the one time after which an item that nobody asks for has left, the same for all classes (H. Che, Y. Tung and Z.
Wang, IEEE JSAC 20(7), 2002). So what is popular hits and what is left for the drives is colder than what arrives.

- Writes go through to the drives and leave their data in the cache: they count as requests of their items.
- Neighbouring items are found together as often as requests that touch both make it likely (along a request, a Markov
  chain): always where requests lie on a grid of their own size, less often where they straddle items.
- What is missing is fetched in whole items, from the first missing one to the last. A request whose items are all
  there passes neither lanes nor drives.
- A sequential class asks for each item once in a walk through its span. It finds an item if a whole walk takes less
  than t; else only where an earlier request has begun the item.
- Classes do not share items, even where their spans overlap.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray
from tailrace.physics.cache import PopularityGroups, filling_time, hit_probability, popularity_groups
from tailrace.physics.zipf import rank_at, zipf_law, zipf_probability
from tailrace.plan.operations import places
from tailrace.scenario.tables.memory import ReadCache
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.workload import Workload
from tailrace.workload.requests import ITEM_BYTES, SECTOR_BYTES, Requests, RequestStream
from tailrace.workload.streams import Purpose, Streams

NEIGHBOURS = 64
"""Items of one request up to which the popularity of each counts; the mean stands for those of larger ones."""

SAMPLED = 1 << 16
"""Requests from which the share of hits is reckoned where no sum gives it."""


class ReadCachePlan:
    """The cache of one replication."""

    def __init__(self, scenario: Scenario, cache: ReadCache, seed: int, rates: Mapping[str, float]) -> None:
        """``rates`` are the requests per second of every class, by name."""
        self._given = cache.hit_share
        self._seed = seed
        spans = zip(scenario.workload, scenario.spans(), strict=True)
        self._spans = {workload.name: span for workload, span in spans}
        self._classes: dict[str, CachedClass] = {}
        self.time_s = np.inf
        if self._given is None:
            self._classes = {
                each.name: _cached_class(each, self._spans[each.name], rates[each.name], seed)
                for each in scenario.workload
            }

            def held(time_s: float) -> float:
                return sum(each.held(time_s) for each in self._classes.values())

            self.time_s = filling_time(held, int(cache.size) / ITEM_BYTES)

    def look_up(self, workload: Workload, reads: Requests) -> tuple[BoolArray, Requests]:
        """Which reads find all their data; and each as what it fetches, which of those means nothing."""
        if self._given is not None:
            return reads.uniforms(Purpose.CACHE_HIT) < self._given, reads
        touched = self._classes[workload.name].touched(reads, self.time_s)
        draw = reads.streams.uniforms(Purpose.CACHE_HIT, reads.index[touched.owner], places(touched.counts))
        missing = ~touched.found(draw)
        starts = np.cumsum(touched.counts) - touched.counts
        last_item = np.iinfo(np.int64).max
        first = np.minimum.reduceat(np.where(missing, touched.item, last_item), starts)
        last = np.maximum.reduceat(np.where(missing, touched.item, -1), starts)
        hit = last < 0
        start, length = self._spans[workload.name]
        items = max(length // ITEM_BYTES, 1)
        begin = np.where(hit, reads.address, start + first * ITEM_BYTES)
        end = start + np.where(last == items - 1, length, (last + 1) * ITEM_BYTES)
        size = np.where(hit, reads.size_bytes, end - begin)
        return hit, replace(reads, address=begin, size_bytes=size)

    def hit_share(self, workload: Workload) -> float:
        """Share of the reads of a class that find all their data: the sum where there is one, else from a sample."""
        if self._given is not None:
            return self._given
        view = self._classes[workload.name]
        exact = view.hit_share(self.time_s)
        if exact is not None:
            return exact
        streams = Streams(self._seed, 0, workload.name)
        source = RequestStream(workload, *self._spans[workload.name], streams)
        index = np.arange(max(min(SAMPLED, 2**28 // workload.largest_size * 16), 64))
        touched = view.touched(source.requests(index, index % workload.clients), self.time_s)
        return float(touched.all_found().mean())


@dataclass(frozen=True)
class Touched:
    """The items of a block of requests: how many each has, of shape (requests,); the rest of shape (items,).

    ``probability`` is that of finding an item, ``both`` that of finding it and the one before it in its request (of a
    first item its own).
    """

    counts: IntArray
    owner: IntArray
    item: IntArray
    probability: FloatArray
    both: FloatArray

    def found(self, draw: FloatArray) -> BoolArray:
        """Which items are found, by a uniform draw for each: along every request, each given the one before it."""
        found = draw < self.probability
        starts = np.cumsum(self.counts) - self.counts
        for place in range(1, int(self.counts.max())):
            at = starts[self.counts > place] + place
            before, both = self.probability[at - 1], self.both[at]
            with np.errstate(invalid="ignore", divide="ignore"):
                given = np.where(found[at - 1], both / before, (self.probability[at] - both) / (1.0 - before))
            found[at] = draw[at] < given
        return found

    def all_found(self) -> FloatArray:
        """Probability that a request finds all its items, shape (requests,)."""
        starts = np.cumsum(self.counts) - self.counts
        before = np.append(1.0, self.probability[:-1])
        before[starts] = 1.0
        with np.errstate(invalid="ignore", divide="ignore"):
            factors = np.where(self.both > 0.0, self.both / before, 0.0)
        return np.multiply.reduceat(factors, starts)


class CachedClass(ABC):
    """One class as a cache sees it: its items, and how often each is asked for."""

    def __init__(self, workload: Workload, span: tuple[int, int], rate_per_s: float) -> None:
        self._start, length = span
        self._items = max(length // ITEM_BYTES, 1)
        self._workload, self._rate_per_s = workload, rate_per_s

    @abstractmethod
    def held(self, time_s: float) -> float:
        """Mean number of items that are asked for within a time."""

    def touched(self, requests: Requests, time_s: float) -> Touched:
        """The items of each request, and with which probability each is found."""
        offset = requests.address - self._start
        first = np.minimum(offset // ITEM_BYTES, self._items - 1)
        last = np.minimum((offset + requests.size_bytes - 1) // ITEM_BYTES, self._items - 1)
        counts = last - first + 1
        owner = np.repeat(np.arange(len(requests)), counts)
        place = places(counts)
        item = first[owner] + place
        probability = self._probability(item, offset[owner], time_s)
        both = probability.copy()
        later = np.flatnonzero(place)
        if later.size:
            both[later] = self._both(item[later], probability[later - 1], probability[later], time_s)
        return Touched(counts, owner, item, probability, both)

    @abstractmethod
    def _probability(self, item: IntArray, offset: IntArray, time_s: float) -> FloatArray:
        """Of finding each item; ``offset`` is where in the span its request begins."""

    @abstractmethod
    def _both(self, item: IntArray, before: FloatArray, own: FloatArray, time_s: float) -> FloatArray:
        """Probability of finding each item and the one before it, of which each is found as given."""

    def hit_share(self, time_s: float) -> float | None:
        """Share of the requests that find their data, if a sum gives it."""
        del time_s
        return None


class RandomClass(CachedClass):
    """Random requests, alike or by a Zipf law. An item is asked for by requests at it and by large ones nearby."""

    def __init__(self, workload: Workload, span: tuple[int, int], rate_per_s: float, seed: int) -> None:
        super().__init__(workload, span, rate_per_s)
        self._law = None if workload.popularity is None else zipf_law(self._items, workload.popularity)
        self._key = int(Streams(seed, 0, workload.name).key(Purpose.SCATTER))
        alike = PopularityGroups(np.array([float(self._items)]), np.array([1.0 / self._items]))
        self._groups = alike if self._law is None else popularity_groups(self._law)
        few = np.arange(min(self._items, 4096))
        # (share of the requests, size, mean number of further items whose requests of this size touch an item)
        self._sizes = [
            (part.share, part.size, float(np.mean(high - low)) / ITEM_BYTES - 1.0)
            for part in workload.sizes
            for low, high in [self._window(few, part.size)]
        ]

    def held(self, time_s: float) -> float:
        counts, shares = self._groups
        asked = self._rate_per_s * time_s
        # Neighbours are scattered, hence independent: each further item multiplies the probability of rest.
        rest = 1.0
        for share, _, further in self._sizes:
            if further > 0.0:
                rest *= float(np.sum(counts * np.exp(-asked * share * shares)) / self._items) ** further
        return float(np.sum(counts * (1.0 - np.exp(-asked * shares) * rest)))

    def _probability(self, item: IntArray, offset: IntArray, time_s: float) -> FloatArray:
        del offset
        return hit_probability(self._rate_per_s * self._asked(item), time_s)

    def hit_share(self, time_s: float) -> float | None:
        if any(further > 0.0 for _, _, further in self._sizes):
            return None
        counts, shares = self._groups
        return float(np.sum(counts * shares * hit_probability(self._rate_per_s * shares, time_s)))

    def _both(self, item: IntArray, before: FloatArray, own: FloatArray, time_s: float) -> FloatArray:
        asked = np.zeros(item.size)
        for share, size, _ in self._sizes:
            (low, high), (low_before, high_before) = self._window(item, size), self._window(item - 1, size)
            common = np.maximum(low, low_before), np.minimum(high, high_before)
            asked += share * self._beginning_in(*common, item, size)
        # Requests for one, the other or both come independently, so neither is asked for with probability
        # (1 - one)(1 - other)/(1 - common).
        missed = (1.0 - before) * (1.0 - own)
        with np.errstate(invalid="ignore", divide="ignore"):
            neither = np.where(missed > 0.0, missed / np.exp(-self._rate_per_s * asked * time_s), 0.0)
        return np.clip(before + own - 1.0 + neither, 0.0, np.minimum(before, own))

    def _asked(self, item: IntArray) -> FloatArray:
        """Share of the requests that touch each item."""
        asked = np.zeros(item.size)
        for share, size, further in self._sizes:
            if further == 0.0:
                asked += share * self._popularity(item)
            else:
                asked += share * self._beginning_in(*self._window(item, size), item, size)
        return asked

    def _beginning_in(self, low: IntArray, high: IntArray, item: IntArray, size: int) -> FloatArray:
        """Share of the requests that begin from ``low`` to below ``high``, around an item."""
        length = np.maximum(high - low, 0) / ITEM_BYTES
        if self._law is None:
            return np.asarray(length / self._items)
        reach = -(-size // ITEM_BYTES) + 1
        if reach > NEIGHBOURS:
            own = np.minimum(length, 1.0)
            return np.asarray(own * self._popularity(item) + (length - own) / self._items)
        total = np.zeros(item.size)
        for distance in range(-reach, reach + 1):
            other = item + distance
            overlap = np.minimum(high, (other + 1) * ITEM_BYTES) - np.maximum(low, other * ITEM_BYTES)
            near = np.flatnonzero((overlap > 0) & (other >= 0) & (other < self._items))
            total[near] += self._popularity(other[near]) * overlap[near] / ITEM_BYTES
        return total

    def _window(self, item: IntArray, size: int) -> tuple[IntArray, IntArray]:
        """Where requests of this size that touch an item may begin, as offsets in the span: from, and to below."""
        low, high = item * ITEM_BYTES, (item + 1) * ITEM_BYTES
        if self._workload.aligned:
            return low // size * size, -(-high // size) * size
        return (low - size) // SECTOR_BYTES * SECTOR_BYTES + SECTOR_BYTES, high

    def _popularity(self, item: IntArray) -> FloatArray:
        if self._law is None:
            return np.full(item.size, 1.0 / self._items)
        return zipf_probability(rank_at(item, self._items, self._key), self._law)


class SequentialClass(CachedClass):
    """Clients that walk through their parts of the span over and over."""

    @property
    def _items_per_s(self) -> float:
        return self._rate_per_s * self._workload.mean_size / ITEM_BYTES

    def held(self, time_s: float) -> float:
        return min(float(self._items), self._items_per_s * time_s)

    def _probability(self, item: IntArray, offset: IntArray, time_s: float) -> FloatArray:
        if self._items_per_s * time_s >= self._items:
            return np.ones(item.size)
        return (item * ITEM_BYTES < offset).astype(np.float64)

    def _both(self, item: IntArray, before: FloatArray, own: FloatArray, time_s: float) -> FloatArray:
        del item, time_s
        return before * own  # each is certain, one way or the other


def _cached_class(workload: Workload, span: tuple[int, int], rate_per_s: float, seed: int) -> CachedClass:
    if workload.pattern == "sequential":
        return SequentialClass(workload, span, rate_per_s)
    return RandomClass(workload, span, rate_per_s, seed)
