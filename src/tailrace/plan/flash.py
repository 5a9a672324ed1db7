"""Flash drives as visits: dies, buses, the write buffer, and the programming behind it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray, IntArray, running_before
from tailrace.hardware.extents import Extents
from tailrace.hardware.flash import FlashCost
from tailrace.plan.columns import Stage
from tailrace.plan.links import LanesPlan
from tailrace.plan.media import MediaPlan, WriteState
from tailrace.plan.operations import Operations, places
from tailrace.plan.path import Behind, InTurn, Path, Series, fork, give, take, visit
from tailrace.plan.stations import Discipline, Stations
from tailrace.scenario.flash import Flash
from tailrace.workload.requests import Requests
from tailrace.workload.streams import Purpose, Streams


@dataclass
class FlashState(WriteState):
    """Where a source of writes stands on each drive: map units written and programs set in motion, in all.

    Counted from an arbitrary start: what matters is ``units`` modulo a page's, ``programs`` modulo the dies.
    """

    units: IntArray
    programs: IntArray


class FlashPlan(MediaPlan):
    """Flash drives, each with dies that are held through the bus transfer (a token) and a bus a channel."""

    def __init__(
        self, media: Flash, queue_slots: int, piece: int, lanes: LanesPlan, stations: Stations
    ) -> None:
        """``piece`` in bytes: larger requests cross the lane in pieces, so that medium and lane overlap."""
        self._cost, self._piece, self._lanes, self._drives = FlashCost.of(media), piece, lanes, media.count
        cost = self._cost

        def add(name: str, discipline: Discipline, servers: int, each: int, paces: bool = True) -> int:
            return stations.add(name, Stage.MEDIA, discipline, servers, each * media.count, paces=paces)

        self._slots = add("queue slots", Discipline.TOKEN, queue_slots, 1, paces=False)
        self._command = add("command processor", Discipline.FCFS, 1, 1)
        self._buffer = add("write buffer", Discipline.TOKEN, cost.buffer_units, 1, paces=False)
        self._die = add("die", Discipline.TOKEN, 1, cost.dies)
        self._bus = add("bus", Discipline.FCFS, 1, cost.channels)
        self._cell = stations.add("cell", Stage.MEDIA, Discipline.DELAY)

    def new_state(self, streams: Streams) -> FlashState:
        """Somewhere in a page and at some die: as good a place as any, so that even few writes fill their share."""

        def spread(purpose: Purpose, places: int) -> IntArray:
            return (streams.uniforms(purpose, np.arange(self._drives)) * places).astype(np.int64)

        fill = spread(Purpose.FIRST_FILL, self._cost.units_per_page)
        return FlashState(fill, spread(Purpose.FIRST_DIE, self._cost.dies))

    def reads(self, operations: Operations) -> Path:
        parts = operations.extents.cut(self._piece, only_larger=True)
        pages = parts.cut(self._cost.page)
        number = pages.address // self._cost.page
        die = number % self._cost.dies
        read = self._on_die(pages.drive, die, self._cost.bus_s(pages.size_bytes), read=True)
        transfer = self._lanes.from_drive(parts.drive, parts.size_bytes)
        pieces = Series(len(parts), [fork(read, pages.counts), *transfer])
        return self._in_slot(operations, [fork(pieces, parts.counts)])

    def writes(self, operations: Operations, durable: bool, random: bool, state: WriteState) -> Path:
        assert isinstance(state, FlashState)
        parts = operations.extents.cut(self._piece, only_larger=True)
        if durable:
            pieces = self._written_through(operations, parts, random, state)
            return self._in_slot(operations, [fork(pieces, parts.counts)])
        pieces = self._buffered(operations, parts, random, state)
        answer = visit(len(operations), self._cell, self._cost.buffer_s)
        return self._in_slot(operations, [fork(pieces, parts.counts), answer])

    def _written_through(
        self, operations: Operations, parts: Extents, random: bool, state: FlashState
    ) -> Path:
        """Transfers, each followed by the programs of all pages that it touches, which are awaited."""
        pages = parts.cut(self._cost.page)
        request = operations.extents.owner[parts.owner[pages.owner]]
        programs = _Programs(operations.requests, request, pages.drive, pages.size_bytes)
        awaited, behind = self._programs(programs, random, state, buffered=False)
        program = fork(Series(len(pages), [awaited, behind]), pages.counts)
        transfer = self._lanes.to_drive(parts.drive, parts.size_bytes)
        return Series(len(parts), [*transfer, program])

    def _buffered(self, operations: Operations, parts: Extents, random: bool, state: FlashState) -> Path:
        """Transfers into the write buffer; behind each of them the programs of the pages that it fills.

        A transfer takes room for its own units or for the pages that it fills, whichever is more, and gives all
        of it back: as the pages are programmed, and the rest at once. So what lies in a page that is still
        filling, less than a page for each source and drive, is not counted. If it were, it would be freed only
        by the write that fills the page; where many have overtaken that one and hold all the room, nothing
        would ever move again.
        """
        per_page = self._cost.units_per_page
        units = self._cost.units(parts.size_bytes)
        before = running_before(parts.drive, units, state.units)
        filled = (before + units) // per_page - before // per_page
        wanted = np.maximum(units, filled * per_page)
        rest = wanted - filled * per_page
        some = rest > 0

        request = operations.extents.owner[parts.owner]
        drive = np.repeat(parts.drive, filled)
        full = np.full(drive.size, self._cost.page)
        programs = _Programs(operations.requests, np.repeat(request, filled), drive, full)
        program, copying = self._programs(programs, random, state, buffered=True)
        buffer = self._buffer + parts.drive
        room = take(len(parts), buffer, wanted.astype(np.float64))
        transfer = self._lanes.to_drive(parts.drive, parts.size_bytes)
        behind = Behind(Series(drive.size, [program, copying]), filled)
        unused = give(int(some.sum()), buffer[some], rest[some].astype(np.float64))
        return Series(len(parts), [room, *transfer, behind, InTurn(unused, some.astype(np.int64))])

    def _programs(
        self, programs: _Programs, random: bool, state: FlashState, buffered: bool
    ) -> tuple[Path, Path]:
        """The programs of pages written, and the copies of other pages that go on behind each of them.

        The dies of a drive take programs in turn, from a die of the source's own. Room in the buffer is given
        back when a page is programmed.
        """
        cost, requests, count = self._cost, programs.requests, programs.drive.size
        index = requests.index[programs.request]
        ordinal = places(np.bincount(programs.request, minlength=len(requests)))
        uniforms = requests.streams.uniforms
        followers = cost.copies_drawn(uniforms(Purpose.COPIES, index, ordinal), random)
        turn = running_before(programs.drive, followers + 1, state.programs)
        # Numbered apart, so that a page and its copies draw their erases independently.
        erase = cost.program_and_erase_s(uniforms(Purpose.ERASE, index, ordinal << 16))
        written = self._on_die(
            programs.drive, turn % cost.dies, cost.bus_s(programs.size_bytes), read=False, cell_s=erase
        )
        if buffered:
            room = give(count, self._buffer + programs.drive, float(cost.units_per_page))
            written = Series(count, [written, room])

        copy_place = places(followers)
        copy_drive = np.repeat(programs.drive, followers)
        copy_die = (np.repeat(turn, followers) + 1 + copy_place) % cost.dies
        copy_ordinal = (np.repeat(ordinal, followers) << 16) + 1 + copy_place
        u = uniforms(Purpose.ERASE, np.repeat(index, followers), copy_ordinal)
        bus_s = np.full(copy_drive.size, cost.page / cost.channel_rate)
        fetch = self._on_die(copy_drive, copy_die, bus_s, read=True)
        store = self._on_die(copy_drive, copy_die, bus_s, read=False, cell_s=cost.program_and_erase_s(u))
        return written, Behind(Series(copy_drive.size, [fetch, store]), followers)

    def _on_die(
        self,
        drive: IntArray,
        die: IntArray,
        bus_s: FloatArray,
        read: bool,
        cell_s: FloatArray | None = None,
    ) -> Path:
        """A page read (cell, then bus) or programmed (bus, then cell), the die held for both."""
        count, cost = drive.size, self._cost
        token = self._die + drive * cost.dies + die
        bus = visit(count, self._bus + drive * cost.channels + die % cost.channels, bus_s)
        cell = visit(count, self._cell, cost.cell_read_s if cell_s is None else cell_s)
        order = [cell, bus] if read else [bus, cell]
        return Series(count, [take(count, token), *order, give(count, token)])

    def _in_slot(self, operations: Operations, inside: list[Path]) -> Path:
        count, drive = len(operations), operations.extents.drive
        command = visit(count, self._command + drive, self._cost.command_s)
        way = [*self._lanes.dispatch(operations), command]
        slots = self._slots + drive
        return Series(count, [take(count, slots), *way, *inside, give(count, slots)])


@dataclass(frozen=True)
class _Programs:
    """Pages to program: of which request, on which drive, how many bytes to move. Shape (pages,)."""

    requests: Requests
    request: IntArray
    drive: IntArray
    size_bytes: IntArray
