"""Rules between the server and the workload, which neither can check alone."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from tailrace import units
from tailrace.scenario.tables import recorded
from tailrace.scenario.tables.datasheet import CHANNELS, dies_of, flash_findings
from tailrace.scenario.tables.flash import BUFFER, DATASHEET, Flash
from tailrace.scenario.tables.layout import findings_of_drives
from tailrace.scenario.tables.model import Finding, KeyPath
from tailrace.scenario.tables.rebuild import rebuild_of
from tailrace.scenario.tables.server import Controller, Network, Pool

if TYPE_CHECKING:
    from tailrace.scenario.tables.scenario import Scenario
    from tailrace.scenario.tables.workload import Workload

STATE_BYTES = 2000
"""Memory reckoned for each client or outstanding request whose state lives as long as the run."""

STATION_BYTES = 3000
"""Memory reckoned for each die, bus or link with its queue, as measured with the interpreted engine."""

STATIONS_OF_A_DRIVE = 8
"""At most so many stations belong to a drive beside its dies and buses."""

_OF_CLASS = ("name", "clients", "rate", "queue_depth", "think_time", "arrivals")
"""Keys that a transaction has as a whole; all others of a class of requests are those of a step."""

_CAPACITY: tuple[KeyPath, ...] = (("media", "kind"), ("media", "count"), ("media", "capacity"), ("layout",))


def spans(usable: int, stripe_unit: int, workloads: Sequence[Workload]) -> tuple[tuple[int, int], ...]:
    """(start, length) of each class; see `Scenario.spans`."""
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


def classes_by_pool(scenario: Scenario) -> Iterator[tuple[Pool, list[int]]]:
    """Every pool in the order of the file, and the numbers of the classes that use it."""
    for pool in scenario.server.pools:
        yield pool, [index for index, name in enumerate(_pool_names(scenario)) if name == pool.name]


def _pool_names(scenario: Scenario) -> Iterator[str | None]:
    """Of each class the name of its pool; the only one need not be named."""
    pools = scenario.server.pools
    for workload in scenario.workload:
        yield pools[0].name if workload.pool is None and len(pools) == 1 else workload.pool


def findings(scenario: Scenario) -> Iterator[Finding]:
    """Everything that is wrong between the parts of a scenario."""
    yield from _names(scenario)
    for index, workload in enumerate(scenario.workload):
        yield from recorded.findings(workload, ("workload", index))
        yield from _computing(scenario, index)
        yield from _collecting(scenario, index)
    places = _step_places(scenario)
    for found in _of_requests(scenario.by_step):
        rests_on = tuple(_in_file(key, places) for key in found.rests_on)
        yield replace(found, key=_in_file(found.key, places), rests_on=rests_on)
    yield from _targets(scenario)
    yield from _memory(scenario)


def _of_requests(scenario: Scenario) -> Iterator[Finding]:
    """What is wrong between the server and each class of requests."""
    yield from _pools(scenario)
    for place, (pool, mine) in enumerate(classes_by_pool(scenario)):
        checked = _InPool(scenario, pool, scenario.server.pool_path(place), mine)
        if any(findings_of_drives(pool.layout, pool.media.count)):
            continue  # how much it holds is not known
        yield from _addresses(checked)
        yield from _flash(checked)
        yield from _write_buffer(checked)
        yield from _memory_of_stations(checked)
    yield from _read_cache(scenario)
    yield from _write_back(scenario)


def _step_places(scenario: Scenario) -> list[KeyPath]:
    """Where in the file each class of `Scenario.by_step` is described."""
    places: list[KeyPath] = []
    for index, workload in enumerate(scenario.workload):
        asking = [at for at, each in enumerate(workload.step) if each.request_size is not None]
        places += (
            [("workload", index, "step", at) for at in asking] if workload.step else [("workload", index)]
        )
    return places


def _in_file(key: KeyPath, places: list[KeyPath]) -> KeyPath:
    if key[:1] != ("workload",) or len(key) < 2:
        return key
    place = places[int(key[1])]
    of_class = len(key) > 2 and key[2] in _OF_CLASS
    return (*(place[:2] if of_class else place), *key[2:])


def _computing(scenario: Scenario, index: int) -> Iterator[Finding]:
    """Steps that compute on a controller which has no cores."""
    controller = scenario.server.controller
    for place, step in enumerate(scenario.workload[index].step):
        if step.compute is not None and step.compute_at == "controller":
            if isinstance(controller, Controller):
                continue
            wrong = "the server has no controller with cores"
            accepted = '"client", or "controller" with cores in [server.controller]'
            key = ("workload", index, "step", place)
            yield Finding(
                (*key, "compute_at"), wrong, accepted, ((*key, "compute"), ("server", "controller"))
            )


def _collecting(scenario: Scenario, index: int) -> Iterator[Finding]:
    """Steps whose writes are collected for the drives though protected memory answers them before."""
    controller = scenario.server.controller
    if not isinstance(controller, Controller) or controller.write_back is None:
        return
    for place, step in enumerate(scenario.workload[index].step):
        if step.group_commit is not None:
            key = ("workload", index, "step", place, "group_commit")
            wrong, accepted = (
                "the write-back memory answers before any drive",
                "group_commit without write_back",
            )
            yield Finding(key, wrong, accepted, (("server", "controller", "write_back"),))


@dataclass(frozen=True)
class _InPool:
    """A pool, where its keys stand, and the numbers of the classes that use it."""

    scenario: Scenario
    pool: Pool
    path: KeyPath
    classes: list[int]

    def keys(self, *keys: KeyPath) -> tuple[KeyPath, ...]:
        """Keys of the pool as keys of the file, and that of each class which says that it uses it."""
        here: tuple[KeyPath, ...] = tuple((*self.path, *key) for key in keys)
        return (*here, *(("workload", index, "pool") for index in self.classes))

    @property
    def workloads(self) -> list[Workload]:
        return [self.scenario.workload[index] for index in self.classes]


def _pools(scenario: Scenario) -> Iterator[Finding]:
    """A class that names a pool which is not there, or none where there are several."""
    names = [pool.name for pool in scenario.server.pools]
    written = scenario.server.pool
    for index, workload in enumerate(scenario.workload):
        key, rests_on = ("workload", index, "pool"), (("server", "pool"), ("server", "media"))
        accepted = f"one of {', '.join(names)}" if len(names) > 1 else ", ".join(names)
        if workload.pool is None and len(names) > 1:
            yield Finding(key, "missing: there are several pools", accepted, rests_on)
        elif workload.pool is not None and not written:
            yield Finding(key, "the server has no pools", "pool with [[server.pool]] tables only", rests_on)
        elif workload.pool is not None and workload.pool not in names:
            yield Finding(key, "no pool of this name", accepted, rests_on)


def _names(scenario: Scenario) -> Iterator[Finding]:
    seen: set[str] = set()
    rebuilds = {rebuild.name for rebuild in scenario.rebuilds}
    for index, workload in enumerate(scenario.workload):
        if workload.name in seen:
            yield Finding(
                ("workload", index, "name"), "a second class of this name", "a name of its own for each class"
            )
        if workload.name in rebuilds:
            accepted = "another name: the rebuild of failed drives is called so"
            yield Finding(("workload", index, "name"), "the name of a rebuild", accepted)
        seen.add(workload.name)


def _addresses(checked: _InPool) -> Iterator[Finding]:
    pool, workloads = checked.pool, checked.workloads
    usable, capacity = pool.usable_capacity, checked.keys(*_CAPACITY)
    if usable == 0:
        key = (*checked.path, "media", "capacity")
        yield Finding(key, "less than one stripe unit", "at least layout.stripe_unit", capacity)
    elif usable >= 2**63:
        key = (*checked.path, "media", "count")
        yield Finding(key, "8 EiB or more in all", "fewer or smaller drives", capacity)
    fits = 0 < usable < 2**63
    placed = spans(usable, pool.layout.stripe_unit, workloads)
    for index, workload, (_, length) in zip(checked.classes, workloads, placed, strict=True):
        too_large = tuple(_too_large(index, workload, checked)) if usable else ()
        yield from too_large
        yield from recorded.beyond_span(workload, ("workload", index), length)
        fits = fits and not too_large
        if fits or workload.span is not None:
            yield from _too_short(index, checked, length)
    if fits and workloads:
        yield from _too_long_a_row(checked, usable)


def _too_large(index: int, workload: Workload, checked: _InPool) -> Iterator[Finding]:
    """A request, a span or a start that the capacity does not hold."""
    key = ("workload", index)
    usable, capacity = checked.pool.usable_capacity, checked.keys(*_CAPACITY)
    most = units.write(usable, "size")
    if workload.largest_size > usable:
        yield Finding((*key, "request_size"), "larger than all the drives", f"at most {most}", capacity)
    if workload.span is not None and workload.span > usable:
        yield Finding((*key, "span"), "beyond the usable capacity", f"at most {most}", capacity)
    elif workload.start is not None and workload.start + (workload.span or 1) > usable:
        accepted = f"start and span together at most {most}"
        rests_on = (*capacity, (*key, "span"))
        yield Finding((*key, "start"), "reaches beyond the usable capacity", accepted, rests_on)


def _too_short(index: int, checked: _InPool, length: int) -> Iterator[Finding]:
    """A span, or each client's own part of it, that does not hold the largest request."""
    workload = checked.scenario.workload[index]
    parts = workload.clients if workload.pattern == "sequential" else 1
    if length // parts >= workload.largest_size:
        return
    in_row = sum(other.span or 0 for other in checked.workloads if other.start is None)
    if workload.span is None and workload.start is None and in_row >= checked.pool.usable_capacity:
        return  # said of the whole row
    key = ("workload", index)
    rests_on: tuple[KeyPath, ...] = tuple(
        (*key, k) for k in ("request_size", "clients", "pattern", "start", "span")
    )
    if workload.span is None:
        rests_on += (*checked.keys(*_CAPACITY), *(("workload", i, "span") for i in checked.classes))
    each = f" for each of {parts} clients" if parts > 1 else ""
    size, least = (
        units.write(workload.largest_size, "size"),
        units.write(workload.largest_size * parts, "size"),
    )
    default = "" if workload.span else f"the default of {units.write(length, 'size')} is "
    yield Finding(
        (*key, "span"), f"{default}too short for a request of {size}{each}", f"at least {least}", rests_on
    )


def _too_long_a_row(checked: _InPool, usable: int) -> Iterator[Finding]:
    """Spans that lie one after the other and do not fit."""
    classes = zip(checked.classes, checked.workloads, strict=True)
    row = [(index, workload) for index, workload in classes if workload.start is None]
    total = sum(workload.span or 0 for _, workload in row)
    without = [index for index, workload in row if workload.span is None]
    keys: tuple[KeyPath, ...] = tuple(
        ("workload", index, key) for index, _ in row for key in ("span", "start")
    )
    most = units.write(usable, "size")
    if total > usable:
        wrong = f"the spans add up to {units.write(total, 'size')}"
        accepted = f"at most {most} in all, or a start for classes that share addresses"
        rests_on = (*keys, *checked.keys(*_CAPACITY))
        yield Finding(("workload", row[-1][0], "span"), wrong, accepted, rests_on)
    elif total == usable and without:
        accepted = f"spans of less than {most} in all, or a start for classes that share addresses"
        wrong = "the spans of the other classes leave no room"
        rests_on = (*keys, *checked.keys(*_CAPACITY))
        yield Finding(("workload", without[0], "span"), wrong, accepted, rests_on)


def _flash(checked: _InPool) -> Iterator[Finding]:
    """What is wrong between flash drives, their link and their layout."""
    pool = checked.pool
    if isinstance(pool.media, Flash):
        for found in flash_findings(pool.media, pool.lanes, pool.layout.stripe_unit, pool.queue_slots or 1):
            yield replace(found, key=(*checked.path, *found.key), rests_on=checked.keys(*found.rests_on))


def _write_buffer(checked: _InPool) -> Iterator[Finding]:
    """A write buffer that can never hold all pages which a write takes at once: it would wait for ever."""
    pool = checked.pool
    if not isinstance(pool.media, Flash):
        return
    written = {
        index: workload.largest_size
        for index, workload in zip(checked.classes, checked.workloads, strict=True)
        if workload.reads < 1 and not workload.durable
    }
    most = [_most_on_a_drive(pool, size) for size in written.values()]
    most += [rebuild.chunk for rebuild in [rebuild_of(pool)] if rebuild is not None]
    if not most:
        return
    media = pool.media
    at_once = min(max(most), pool.transfer_piece)
    # It may find a page that lacks but one unit, and fill it, and as many more as it can.
    least = (-(-at_once // media.map_unit) - 1) * media.map_unit + media.width
    if (media.buffer or max(BUFFER, 2 * media.width)) < least:
        page: tuple[KeyPath, ...] = (("media", "page"), ("media", "planes"), ("media", "map_unit"))
        rests_on: tuple[KeyPath, ...] = (
            *checked.keys(("media", "kind"), ("media", "count"), *page, ("lanes",), ("layout",)),
            *(
                ("workload", index, key)
                for index in written
                for key in ("request_size", "read_share", "durable")
            ),
        )
        wrong = f"no room for {units.write(at_once, 'size')} that a write brings at once"
        accepted = f"at least {units.write(least, 'size')}"
        yield Finding((*checked.path, "media", "buffer"), wrong, accepted, rests_on)


def _most_on_a_drive(pool: Pool, size: int) -> int:
    """Most bytes of a request that lie on one drive."""
    layout, unit = pool.layout, pool.layout.stripe_unit
    in_use = layout.in_use(pool.media.count)
    columns = in_use // layout.mirrored - in_use // layout.group_size(in_use) * layout.parities
    touched = (size + unit - 2) // unit + 1
    if not layout.parities:
        return min(size, -(-touched // columns) * unit)
    # Parity is written for every row that is touched, whole where several of its units are.
    return size if size <= unit and touched == 1 else (-(-touched // columns) + 1) * unit


def _read_cache(scenario: Scenario) -> Iterator[Finding]:
    """Recorded requests follow no law of popularity from which hits could be reckoned."""
    controller = scenario.server.controller
    cache = controller.read_cache if isinstance(controller, Controller) else None
    if cache is None or cache.hit_share is not None:
        return
    for index, workload in enumerate(scenario.workload):
        if workload.arrivals == "trace":
            key: KeyPath = ("server", "controller", "read_cache", "hit_share")
            accepted = f"a share from 0 to 1, since the class {workload.name} is recorded"
            yield Finding(key, "missing", accepted, (("workload", index, "arrivals"),))


def _write_back(scenario: Scenario) -> Iterator[Finding]:
    """Write-back memory that can never hold a write, which takes all of its room at once."""
    controller = scenario.server.controller
    memory = controller.write_back if isinstance(controller, Controller) else None
    written = [
        (workload.largest_size, index)
        for index, workload in enumerate(scenario.workload)
        if workload.reads < 1
    ]
    if memory is None or not written:
        return
    largest, _ = max(written)
    least = -(-largest // memory.unit) * memory.unit
    if memory.size < least:
        key: KeyPath = ("server", "controller", "write_back")
        rests_on: tuple[KeyPath, ...] = (
            (*key, "unit"),
            *(("workload", index, name) for _, index in written for name in ("request_size", "read_share")),
        )
        wrong = f"no room for a write of {units.write(largest, 'size')}"
        yield Finding((*key, "size"), wrong, f"at least {units.write(least, 'size')}", rests_on)


def _targets(scenario: Scenario) -> Iterator[Finding]:
    for index, workload in enumerate(scenario.workload):
        rests_on: tuple[KeyPath, ...] = (("workload", index, "read_share"),)
        for quantity, _ in workload.target.limits if workload.target is not None else ():
            key = ("workload", index, "target", quantity)
            if quantity.startswith("read_") and workload.reads == 0:
                yield Finding(
                    key, "the class has no reads", "such a limit with a read_share above 0", rests_on
                )
            if quantity.startswith("write_") and workload.reads == 1:
                yield Finding(
                    key, "the class has no writes", "such a limit with a read_share below 1", rests_on
                )


def _memory(scenario: Scenario) -> Iterator[Finding]:
    memory = machine_memory()
    if memory is None:
        return
    network = scenario.server.network
    own_link = isinstance(network, Network) and network.client_rate is not None
    kept = [_states(workload, own_link) for workload in scenario.workload]
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


def _memory_of_stations(checked: _InPool) -> Iterator[Finding]:
    memory, media = machine_memory(), checked.pool.media
    if memory is None:
        return
    each = STATIONS_OF_A_DRIVE
    if isinstance(media, Flash):
        try:
            each += dies_of(media, checked.pool.lanes) + (media.channels or CHANNELS)
        except ValueError:
            return  # said of the figures from which the dies follow
    needed = media.count * each * STATION_BYTES
    if 2 * needed <= memory:
        return
    sizes = ("kind", "dies", "die_capacity", "capacity", "channels", *DATASHEET)
    rests_on = checked.keys(*(("media", key) for key in sizes))
    wrong = (
        f"their dies and links need about {needed / 1e9:.1f} GB, and this machine has {memory / 1e9:.1f} GB"
    )
    accepted = f"about {int(memory / 2 / each / STATION_BYTES)} drives of {each} stations each"
    yield Finding((*checked.path, "media", "count"), wrong, accepted, rests_on)


def _states(workload: Workload, own_link: bool) -> int:
    """Clients, or requests of a closed class, whose state is kept for the whole run."""
    if not workload.is_open:
        return workload.clients * (workload.queue_depth or 1)
    in_turn = any(each.pattern == "sequential" for each in workload.parts)
    keeps = workload.arrivals == "regular" or in_turn or own_link
    return workload.clients if keeps else 0


def machine_memory() -> int | None:
    """Physical memory of this machine in bytes; None where the system does not tell."""
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return None
