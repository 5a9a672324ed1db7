"""Where do the classes' addresses lie in their pool, and does it hold them?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tailrace import units
from tailrace.scenario.tables.checks import replayed
from tailrace.scenario.tables.cluster import Cluster
from tailrace.scenario.tables.model import Finding, KeyPath
from tailrace.scenario.tables.server import Pool, Server
from tailrace.scenario.tables.workload import Workload

_CAPACITY: tuple[KeyPath, ...] = (("media", "kind"), ("media", "count"), ("media", "capacity"), ("layout",))


def spans(usable: int, stripe_unit: int, workloads: Sequence[Workload]) -> tuple[tuple[int, int], ...]:
    """(start, length) in bytes of the addresses of each class of a pool.

    Spans without a `start` lie one after the other from address 0. A span left out is an equal share, in whole stripe
    units where it is that long, of what the others in this row leave; with `start` it reaches to the end.
    """
    in_row = [workload for workload in workloads if workload.start is None]
    unset = sum(workload.span is None for workload in in_row)
    left = max(usable - sum(workload.span or 0 for workload in in_row), 0)
    share = left // unset if unset else 0
    if share > stripe_unit:
        share -= share % stripe_unit
    result, position = [], 0
    for workload in workloads:
        if workload.start is None:
            length = share if workload.span is None else workload.span
            result.append((position, length))
            position += length
        else:
            rest = max(usable - workload.start, 0)
            result.append((workload.start, rest if workload.span is None else workload.span))
    return tuple(result)


@dataclass(frozen=True)
class PoolUse:
    """A pool, where its keys stand, and the classes that use it, by number; ``cluster`` if it is in several servers."""

    pool: Pool
    path: KeyPath
    classes: dict[int, Workload]
    cluster: Cluster | None = None

    @property
    def usable(self) -> int:
        """Bytes of data that fit: of all servers together, if there are several."""
        alone = self.pool.usable_capacity
        return alone if self.cluster is None else self.cluster.usable(alone)

    def keys(self, *keys: KeyPath) -> tuple[KeyPath, ...]:
        """Keys of the pool as keys of the file, and that of each class which says that it uses it."""
        here: tuple[KeyPath, ...] = tuple((*self.path, *key) for key in keys)
        return (*here, *(("workload", index, "pool") for index in self.classes))

    @property
    def spans(self) -> dict[int, tuple[int, int]]:
        """(start, length) of the addresses of each class, by its number."""
        found = spans(self.usable, self.pool.layout.stripe_unit, tuple(self.classes.values()))
        return dict(zip(self.classes, found, strict=True))


def pool_uses(
    server: Server, workloads: Sequence[Workload], cluster: Cluster | None = None
) -> Iterator[PoolUse]:
    """Every pool in the order of the file, and the classes that use it; the only pool need not be named."""
    alone = server.pools[0].name if len(server.pools) == 1 else None
    for place, pool in enumerate(server.pools):
        mine = {
            index: each
            for index, each in enumerate(workloads)
            if (alone if each.pool is None else each.pool) == pool.name
        }
        yield PoolUse(pool, server.pool_path(place), mine, cluster)


def _capacity(use: PoolUse) -> tuple[KeyPath, ...]:
    """The keys on which it rests how much fits."""
    shared: tuple[KeyPath, ...] = () if use.cluster is None else (("cluster",),)
    return (*use.keys(*_CAPACITY), *shared)


def findings(use: PoolUse) -> Iterator[Finding]:
    """What is wrong between the capacity of a pool and the addresses of its classes."""
    usable, capacity = use.usable, _capacity(use)
    if use.pool.usable_capacity and usable == 0:
        most = units.short_size(use.pool.usable_capacity)
        wrong, accepted = "no piece fits on the servers", f"at most {most}, or larger drives"
        yield Finding(("cluster", "piece"), wrong, accepted, capacity)
    elif usable == 0:
        key = (*use.path, "media", "capacity")
        yield Finding(key, "less than one stripe unit", "at least layout.stripe_unit", capacity)
    elif usable >= 2**63:
        key = (*use.path, "media", "count")
        yield Finding(key, "8 EiB or more in all", "fewer or smaller drives", capacity)
    fits = 0 < usable < 2**63
    for index, (_, length) in use.spans.items():
        workload = use.classes[index]
        too_large = tuple(_too_large(index, workload, use)) if usable else ()
        yield from too_large
        yield from replayed.beyond_span(workload, ("workload", index), length)
        fits = fits and not too_large
        if fits or workload.span is not None:
            yield from _too_short(index, use, length)
    if fits and use.classes:
        yield from _too_long_a_row(use, usable)


def _too_large(index: int, workload: Workload, use: PoolUse) -> Iterator[Finding]:
    """A request, a span or a start that the capacity does not hold."""
    key = ("workload", index)
    usable, capacity = use.usable, _capacity(use)
    end = 0 if workload.start is None else workload.start + (workload.span or 1)
    if max(workload.largest_size, workload.span or 0, end) <= usable:
        return
    most = units.short_size(usable)
    if workload.largest_size > usable:
        yield Finding((*key, "request_size"), "larger than all the drives", f"at most {most}", capacity)
    if workload.span is not None and workload.span > usable:
        yield Finding((*key, "span"), "beyond the usable capacity", f"at most {most}", capacity)
    elif end > usable:
        accepted = f"start and span together at most {most}"
        rests_on = (*capacity, (*key, "span"))
        yield Finding((*key, "start"), "reaches beyond the usable capacity", accepted, rests_on)


def _too_short(index: int, use: PoolUse, length: int) -> Iterator[Finding]:
    """A span, or each client's own part of it, that does not hold the largest request."""
    workload = use.classes[index]
    parts = workload.clients if workload.pattern == "sequential" else 1
    if length // parts >= workload.largest_size:
        return
    in_row = sum(other.span or 0 for other in use.classes.values() if other.start is None)
    if workload.span is None and workload.start is None and in_row >= use.usable:
        return  # said of the whole row
    key = ("workload", index)
    rests_on: tuple[KeyPath, ...] = tuple(
        (*key, k) for k in ("request_size", "clients", "pattern", "start", "span")
    )
    if workload.span is None:
        rests_on += (*_capacity(use), *(("workload", i, "span") for i in use.classes))
    each = f" for each of {parts} clients" if parts > 1 else ""
    size, least = (
        units.write(workload.largest_size, "size"),
        units.short_size(workload.largest_size * parts, upwards=True),
    )
    default = "" if workload.span else f"the default of {units.short_size(length)} is "
    yield Finding(
        (*key, "span"), f"{default}too short for a request of {size}{each}", f"at least {least}", rests_on
    )


def _too_long_a_row(use: PoolUse, usable: int) -> Iterator[Finding]:
    """Spans that lie one after the other and do not fit."""
    row = [(index, workload) for index, workload in use.classes.items() if workload.start is None]
    total = sum(workload.span or 0 for _, workload in row)
    without = [index for index, workload in row if workload.span is None]
    keys: tuple[KeyPath, ...] = tuple(
        ("workload", index, key) for index, _ in row for key in ("span", "start")
    )
    most = units.short_size(usable)
    if total > usable:
        wrong = f"the spans add up to {units.short_size(total, upwards=True)}"
        accepted = f"at most {most} in all, or a start for classes that share addresses"
        rests_on = (*keys, *_capacity(use))
        yield Finding(("workload", row[-1][0], "span"), wrong, accepted, rests_on)
    elif total == usable and without:
        accepted = f"spans of less than {most} in all, or a start for classes that share addresses"
        wrong = "the spans of the other classes leave no room"
        rests_on = (*keys, *_capacity(use))
        yield Finding(("workload", without[0], "span"), wrong, accepted, rests_on)
