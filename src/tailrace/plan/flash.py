"""Flash drives as visits: dies, buses, the write buffer, and the programming behind it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from tailrace.arrays import BoolArray, FloatArray, IntArray, running_before
from tailrace.hardware.drives import slowness
from tailrace.hardware.extents import Extents
from tailrace.hardware.flash import FlashCost
from tailrace.plan.columns import Stage
from tailrace.plan.drives import add_to_each
from tailrace.plan.filling import next_on_drive_s, page_fills
from tailrace.plan.links import LanesPlan
from tailrace.plan.media import MediaPlan, WriteState
from tailrace.plan.operations import Operations, places
from tailrace.plan.path import Behind, InTurn, Path, Series, fork, give, take, visit
from tailrace.plan.stations import Dies, Discipline, Stations
from tailrace.scenario.tables.flash import Flash
from tailrace.workload.requests import Requests
from tailrace.workload.streams import Purpose, Streams


class Rank(IntEnum):
    """Who goes first where several wait for a die: reads, then what is half done, then what is not begun."""

    READ = 0
    REST = 1
    PROGRAM = 2


@dataclass
class FlashState(WriteState):
    """Where a source of writes stands on each drive: map units in the page that fills, programs in all.

    Counted from an arbitrary start: what matters is ``units`` modulo a page's, ``programs`` modulo the dies.
    """

    units: IntArray
    programs: IntArray


class FlashPlan(MediaPlan):
    """Flash drives, each with dies that are held through the bus transfer (a token) and a bus a channel."""

    def __init__(
        self,
        media: Flash,
        cost: FlashCost,
        queue_slots: int,
        piece: int,
        lanes: LanesPlan,
        stations: Stations,
        servers: int,
    ) -> None:
        """``piece`` in bytes: larger requests cross the lane in pieces, so that medium and lane overlap.

        The stations are those of one server, what writes leave behind is that of all ``servers``.
        """
        self._cost, self._piece, self._lanes, self._drives = cost, piece, lanes, media.count
        self._servers = servers
        self._slowness = slowness(media)
        self.foresight_s = cost.flush_s

        def pool(name: str, servers: int, key: str) -> int:
            return stations.add(
                name, Stage.MEDIA, Discipline.TOKEN, servers, media.count, paces=False, key=key
            )

        self._slots = pool("queue slots", queue_slots, "queue_slots")
        self._command = add_to_each(stations, media, "command processor", Discipline.FCFS)
        self._buffer = pool("write buffer", cost.buffer_units, "buffer")
        dies = Dies(cost.dies, cost.channels, cost.buffer_units // cost.units_per_program)
        self._die = add_to_each(stations, media, "die", Discipline.TOKEN, dies=dies)
        self._bus = stations.add("bus", Stage.MEDIA, Discipline.FCFS, 1, cost.channels * media.count)
        self._cell = stations.add("cell", Stage.MEDIA, Discipline.DELAY)

    def new_state(self, streams: Streams) -> FlashState:
        """Somewhere in a page and at some die: as good a place as any, so that even few writes fill their share."""

        def spread(purpose: Purpose, places: int) -> IntArray:
            return (streams.uniforms(purpose, np.arange(self._servers * self._drives)) * places).astype(
                np.int64
            )

        fill = spread(Purpose.FIRST_FILL, self._cost.units_per_program)
        return FlashState(fill, spread(Purpose.FIRST_DIE, self._cost.dies))

    def reads(self, operations: Operations) -> Path:
        parts = operations.extents.cut(self._piece, only_larger=True)
        pages = parts.cut(self._cost.page)
        die = pages.address // self._cost.page % self._cost.dies
        read = self._read(pages.drive, die, self._cost.bus_s(pages.size_bytes), Rank.READ)
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
        pages = parts.cut(self._cost.width)
        request = operations.extents.owner[parts.owner[pages.owner]]
        programs = _Programs(operations.requests, request, pages.drive, pages.size_bytes)
        awaited, behind = self._programs(programs, random, state)
        program = fork(Series(len(pages), [awaited, behind]), pages.counts)
        transfer = self._lanes.to_drive(parts.drive, parts.size_bytes)
        return Series(len(parts), [*transfer, program])

    def _buffered(self, operations: Operations, parts: Extents, random: bool, state: FlashState) -> Path:
        """Transfers into the write buffer; behind each of them the programs of the pages that it fills or ends.

        A transfer takes room for its own units or for the pages that it fills and the one that it leaves to be
        programmed in part, whichever is more, and gives all of it back: as the pages are programmed, and the rest at
        once. So what lies in a page that is still filling, less than a page for each source and drive, is not counted.
        If it were, it would be freed only by the write that fills the page; where many have overtaken that one and hold
        all the room, nothing would ever move again.
        """
        cost = self._cost
        per_page = cost.units_per_program
        units = cost.units(parts.size_bytes)
        last = np.zeros(len(parts), dtype=bool)
        last[np.cumsum(parts.counts) - 1] = self._ends_its_page(operations)
        owner = operations.extents.owner[parts.owner]
        filled, left = page_fills(
            self._among_all(operations.requests, owner, parts.drive), units, last, per_page, state.units
        )
        ended = (left > 0).astype(np.int64)
        wanted = np.maximum(units, filled * per_page + left)
        rest = wanted - filled * per_page - left
        some = rest > 0

        behind = filled + ended
        request = np.repeat(owner, behind)
        held = np.full(request.size, per_page)
        in_part = np.zeros(request.size, dtype=bool)
        in_part[np.cumsum(behind)[left > 0] - 1] = True
        held[in_part] = left[left > 0]
        programs = _Programs(
            operations.requests, request, np.repeat(parts.drive, behind), held * cost.map_unit
        )
        program, copying = self._programs(programs, random, state)
        pause = visit(int(in_part.sum()), self._cell, cost.flush_s)
        room = give(request.size, self._buffer + programs.drive, held.astype(np.float64))
        children = Series(request.size, [InTurn(pause, in_part.astype(np.int64)), program, room, copying])
        buffer = self._buffer + parts.drive
        unused = give(int(some.sum()), buffer[some], rest[some].astype(np.float64))
        transfer = self._lanes.to_drive(parts.drive, parts.size_bytes)
        return Series(
            len(parts),
            [
                take(len(parts), buffer, wanted.astype(np.float64)),
                *transfer,
                Behind(children, behind),
                InTurn(unused, some.astype(np.int64)),
            ],
        )

    def _ends_its_page(self, operations: Operations) -> BoolArray:
        """Whether no other write of the source comes to the drive before a page in part is programmed.

        By the arrivals, where they are known. Else by chance, from the rate at which the source's thinking lets writes
        come; one that does not think is taken never to pause.
        """
        requests, extents = operations.requests, operations.extents
        later = operations.later
        if requests.arrival_s is not None and later is not None and later.requests.arrival_s is not None:
            arrival_s = requests.arrival_s[extents.owner]
            later_s = later.requests.arrival_s[later.extents.owner]
            drive = self._among_all(requests, extents.owner, extents.drive)
            later_drive = self._among_all(later.requests, later.extents.owner, later.extents.drive)
            gaps = next_on_drive_s(drive, arrival_s, later_drive, later_s)
            return np.asarray(gaps > self._cost.flush_s)
        if requests.arrival_s is not None or np.isinf(requests.most_per_s):
            return np.zeros(len(operations), dtype=bool)
        to_this_drive = requests.most_per_s * extents.counts[extents.owner] / self._drives
        return self._cost.stays_in_part(operations.uniforms(Purpose.FLUSH), to_this_drive)

    def _programs(self, programs: _Programs, random: bool, state: FlashState) -> tuple[Path, Path]:
        """The programs of pages written, and the copies of other pages that go on behind each of them.

        The dies of a drive take programs in turn, from a die of the source's own.
        """
        cost, requests = self._cost, programs.requests
        index = requests.index[programs.request]
        ordinal = places(np.bincount(programs.request, minlength=len(requests)))
        uniforms = requests.streams.uniforms
        followers = cost.copies_drawn(uniforms(Purpose.COPIES, index, ordinal), random)
        drive = self._among_all(requests, programs.request, programs.drive)
        turn = running_before(drive, followers + 1, state.programs)
        # Numbered apart, so that a page and its copies draw their erases independently.
        cell_s = cost.program_and_erase_s(uniforms(Purpose.ERASE, index, ordinal << 16))
        written = self._program(programs.drive, turn % cost.dies, cost.bus_s(programs.size_bytes), cell_s)

        copy_place = places(followers)
        copy_drive = np.repeat(programs.drive, followers)
        copy_die = (np.repeat(turn, followers) + 1 + copy_place) % cost.dies
        copy_ordinal = (np.repeat(ordinal, followers) << 16) + 1 + copy_place
        u = uniforms(Purpose.ERASE, np.repeat(index, followers), copy_ordinal)
        bus_s = np.full(copy_drive.size, cost.width / cost.channel_rate)
        fetch = self._read(copy_drive, copy_die, bus_s, Rank.PROGRAM)  # nobody waits for a copy
        store = self._program(copy_drive, copy_die, bus_s, cost.program_and_erase_s(u))
        return written, Behind(Series(copy_drive.size, [fetch, store]), followers)

    def _among_all(self, requests: Requests, request: IntArray, drive: IntArray) -> IntArray:
        """The number of a drive among those of all servers; ``request`` is the place of what asks for it."""
        return drive if requests.server is None else requests.server[request] * self._drives + drive

    def _read(self, drive: IntArray, die: IntArray, bus_s: FloatArray, rank: Rank) -> Path:
        """A read of cells: cell, then bus, the die held for both."""
        cell = visit(drive.size, self._cell, self._cost.cell_read_s * self._slowness[drive])
        return self._holding(drive, die, rank, [cell, self._transfer(drive, die, bus_s)])

    def _program(self, drive: IntArray, die: IntArray, bus_s: FloatArray, cell_s: FloatArray) -> Path:
        """A program: bus, then cell, the die held for both, and let go between slices of the cell time."""
        cell_s = cell_s * self._slowness[drive]
        slice_s = self._cost.slice_s
        transfer = self._transfer(drive, die, bus_s)
        if slice_s is None:
            return self._holding(drive, die, Rank.PROGRAM, [transfer, visit(drive.size, self._cell, cell_s)])
        slices = np.ceil(cell_s / slice_s).astype(np.int64)
        begun = np.where(slices > 1, slice_s, cell_s)
        first = self._holding(drive, die, Rank.PROGRAM, [transfer, visit(drive.size, self._cell, begun)])
        others = slices - 1
        place = places(others)
        each_s = np.full(place.size, slice_s)
        ends = place == np.repeat(others, others) - 1
        each_s[ends] = (cell_s - slice_s * others)[others > 0]
        drives, dies = np.repeat(drive, others), np.repeat(die, others)
        rest = self._holding(drives, dies, Rank.REST, [visit(place.size, self._cell, each_s)])
        return Series(drive.size, [first, InTurn(rest, others)])

    def _holding(self, drive: IntArray, die: IntArray, rank: Rank, inside: list[Path]) -> Path:
        token = self._die + drive * self._cost.dies + die
        return Series(drive.size, [take(drive.size, token, rank=int(rank)), *inside, give(drive.size, token)])

    def _transfer(self, drive: IntArray, die: IntArray, bus_s: FloatArray) -> Path:
        return visit(drive.size, self._bus + drive * self._cost.channels + die % self._cost.channels, bus_s)

    def _in_slot(self, operations: Operations, inside: list[Path]) -> Path:
        count, drive = len(operations), operations.extents.drive
        command = visit(count, self._command + drive, self._cost.command_s * self._slowness[drive])
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
