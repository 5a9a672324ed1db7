"""Do the buffers of drives and controller hold what a write brings at once, and can flash drives be laid out so?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from tailrace import units
from tailrace.scenario.tables.checks.addresses import PoolUse
from tailrace.scenario.tables.datasheet import flash_findings
from tailrace.scenario.tables.flash import BUFFER, Flash
from tailrace.scenario.tables.model import Finding, KeyPath
from tailrace.scenario.tables.rebuild import rebuild_of
from tailrace.scenario.tables.server import Controller, Pool, Server
from tailrace.scenario.tables.workload import Workload


def findings(use: PoolUse) -> Iterator[Finding]:
    """What is wrong between flash drives, their link, their layout and what is written to them."""
    pool = use.pool
    if isinstance(pool.media, Flash):
        for found in flash_findings(pool.media, pool.lanes, pool.layout.stripe_unit, pool.queue_slots or 1):
            yield replace(found, key=(*use.path, *found.key), rests_on=use.keys(*found.rests_on))
        yield from _write_buffer(pool.media, use)


def _write_buffer(media: Flash, use: PoolUse) -> Iterator[Finding]:
    """A write buffer that can never hold all pages which a write takes at once: it would wait for ever."""
    pool = use.pool
    written = {
        index: workload.largest_size
        for index, workload in use.classes.items()
        if workload.reads < 1 and not workload.durable
    }
    most = [_most_on_a_drive(pool, size) for size in written.values()]
    most += [rebuild.chunk for rebuild in [rebuild_of(pool)] if rebuild is not None]
    if not most:
        return
    at_once = min(max(most), pool.transfer_piece)
    # It may find a page that lacks but one unit, and fill it, and as many more as it can.
    least = (-(-at_once // media.map_unit) - 1) * media.map_unit + media.width
    if (media.buffer or max(BUFFER, 2 * media.width)) < least:
        page: tuple[KeyPath, ...] = (("media", "page"), ("media", "planes"), ("media", "map_unit"))
        rests_on: tuple[KeyPath, ...] = (
            *use.keys(("media", "kind"), ("media", "count"), *page, ("lanes",), ("layout",)),
            *(
                ("workload", index, key)
                for index in written
                for key in ("request_size", "read_share", "durable")
            ),
        )
        wrong = f"no room for {units.write(at_once, 'size')} that a write brings at once"
        accepted = f"at least {units.write(least, 'size')}"
        yield Finding((*use.path, "media", "buffer"), wrong, accepted, rests_on)


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


def write_back_findings(server: Server, workloads: Sequence[Workload]) -> Iterator[Finding]:
    """Write-back memory that can never hold a write, which takes all of its room at once."""
    controller = server.controller
    memory = controller.write_back if isinstance(controller, Controller) else None
    written = [
        (workload.largest_size, index) for index, workload in enumerate(workloads) if workload.reads < 1
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
