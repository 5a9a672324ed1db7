"""Rules between the server and the workload, which no part can check alone."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from tailrace import units
from tailrace.scenario.quantity import Finding
from tailrace.scenario.server import Network

if TYPE_CHECKING:
    from tailrace.scenario.scenario import Scenario
    from tailrace.scenario.workload import Workload

STATE_BYTES = 2000
"""Memory reckoned for each client or outstanding request whose state lives as long as the run."""

_MEDIA = (("server", "media"), ("server", "layout"))


def spans(usable: int, stripe_unit: int, workloads: Sequence[Workload]) -> tuple[tuple[int, int], ...]:
    """(start, length) of each class; see `Scenario.spans`."""
    in_row = [workload for workload in workloads if workload.start is None]
    unset = sum(workload.span is None for workload in in_row)
    left = usable - sum(workload.span or 0 for workload in in_row)
    share = max(left, 0) // unset if unset else 0
    if share > stripe_unit:
        share -= share % stripe_unit
    result, position = [], 0
    for workload in workloads:
        if workload.start is None:
            length = share if workload.span is None else workload.span
            result.append((position, length))
            position += length
        else:
            result.append(
                (workload.start, max(usable - workload.start, 0) if workload.span is None else workload.span)
            )
    return tuple(result)


def findings(scenario: Scenario) -> Iterator[Finding]:
    """Everything that is wrong between the parts of a scenario."""
    yield from _names(scenario)
    yield from _addresses(scenario)
    yield from _targets(scenario)
    yield from _memory(scenario)


def _names(scenario: Scenario) -> Iterator[Finding]:
    seen: set[str] = set()
    for index, workload in enumerate(scenario.workload):
        if workload.name in seen:
            yield Finding(
                ("workload", index, "name"), "a second class of this name", "a name of its own for each class"
            )
        seen.add(workload.name)


def _addresses(scenario: Scenario) -> Iterator[Finding]:
    usable = scenario.server.usable_capacity
    room = f"the usable capacity of {units.write(usable, 'size')}"
    if usable == 0:
        yield Finding(
            ("server", "media", "capacity"),
            "less than one stripe unit",
            "at least server.layout.stripe_unit",
            _MEDIA,
        )
        return
    if usable >= 2**63:
        yield Finding(
            ("server", "media", "count"), "more than 8 EiB in all", "less capacity or fewer drives", _MEDIA
        )
        return
    placed = scenario.spans()
    rows = [(("workload", index), workload) for index, workload in enumerate(scenario.workload)]
    in_row = tuple((*path, "span") for path, workload in rows if workload.start is None)
    fits = True
    for (path, workload), (start, length) in zip(rows, placed, strict=True):
        largest, span_key, start_key, size_key = (
            workload.largest_size,
            (*path, "span"),
            (*path, "start"),
            (*path, "request_size"),
        )
        if largest > usable:
            yield Finding(size_key, f"larger than {room}", f"at most {units.write(usable, 'size')}", _MEDIA)
            fits = False
            continue
        if workload.span is not None and length > usable:
            yield Finding(span_key, f"beyond {room}", f"at most {units.write(usable, 'size')}", _MEDIA)
            fits = False
            continue
        if workload.start is not None and start + length > usable:
            accepted = f"start and span within {units.write(usable, 'size')}"
            yield Finding(start_key, f"start and span reach beyond {room}", accepted, (*_MEDIA, span_key))
            continue
        if workload.start is not None and workload.span is None and length == 0:
            accepted = f"less than {units.write(usable, 'size')}"
            yield Finding(start_key, f"not within {room}", accepted, _MEDIA)
            continue
        walkers = workload.clients if workload.pattern == "sequential" else 1
        if length // walkers < largest and (workload.span is not None or length > 0):
            rests_on = (
                size_key,
                (*path, "clients"),
                (*path, "pattern"),
                start_key,
                span_key,
                *in_row,
                *_MEDIA,
            )
            each = f" for each of the {walkers} clients" if walkers > 1 else ""
            wrong = f"a span of {units.write(length, 'size')} is too short{each} for a request of {units.write(largest, 'size')}"
            yield Finding(span_key, wrong, f"at least {units.write(largest * walkers, 'size')}", rests_on)
    total = sum(workload.span or 0 for _, workload in rows if workload.start is None)
    unset = [path for path, workload in rows if workload.start is None and workload.span is None]
    if fits and (total > usable or (total == usable and unset)):
        wrong = f"the spans add up to {units.write(total, 'size')}, {room} leaves no more"
        accepted = f"spans that add up to at most {units.write(usable, 'size')}, or a start of their own"
        shown = "" if unset else None
        yield Finding((*rows[-1][0], "span"), wrong, accepted, (*in_row, *_MEDIA), shown=shown)


def _targets(scenario: Scenario) -> Iterator[Finding]:
    for index, workload in enumerate(scenario.workload):
        for quantity, _ in workload.target.limits if workload.target else ():
            key = ("workload", index, "target", quantity)
            share = (("workload", index, "read_share"),)
            if quantity.startswith("read_") and workload.read_share == 0:
                yield Finding(
                    key, "the class has no reads", "a target for writes, or a read_share above 0", share
                )
            if quantity.startswith("write_") and workload.read_share == 1:
                yield Finding(
                    key, "the class has no writes", "a target for reads, or a read_share below 1", share
                )


def _memory(scenario: Scenario) -> Iterator[Finding]:
    memory = machine_memory()
    if memory is None:
        return
    own_link = (
        isinstance(scenario.server.network, Network) and scenario.server.network.client_rate is not None
    )
    kept = [_states(workload, own_link) for workload in scenario.workload]
    needed = sum(kept) * STATE_BYTES
    if needed <= memory / 2:
        return
    index = max(range(len(kept)), key=kept.__getitem__)
    key = ("workload", index, "clients")
    rests_on = tuple(
        ("workload", i, k)
        for i in range(len(kept))
        for k in ("clients", "queue_depth", "arrivals", "pattern")
    )
    wrong = f"the clients need about {needed / 1e9:.3g} GB, this machine has {memory / 1e9:.3g} GB"
    accepted = f"about {int(memory / 2 / STATE_BYTES)} clients times queue depth in all"
    yield Finding(key, wrong, accepted, (*rests_on, ("server", "network")))


def _states(workload: Workload, own_link: bool) -> int:
    if not workload.is_open:
        return workload.clients * (workload.queue_depth or 1)
    keeps = workload.arrivals == "regular" or workload.pattern == "sequential" or own_link
    return workload.clients if keeps else 0


def machine_memory() -> int | None:
    """Physical memory of this machine in bytes; None where the system does not tell."""
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return None
