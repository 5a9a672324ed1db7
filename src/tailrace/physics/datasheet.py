"""Which flash drive gives the figures of a datasheet? Its parts from its rates and latencies.

A drive is taken as a closed network at its rated depth. Random reads are paced by the command processor; there must
be dies enough that requests seldom meet at one. Sequential reads fill the buses. Writes fill the dies, each held by
one program at a time: one page a program when sequential, and with it the copies that random writes set in motion.
All of this is derived here, from the law of Little, Pollaczek and Khinchine's mean wait for constant service, and the
saturation of a station.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

SMALL = 4096
LARGE = 131072
"""Bytes of the requests by which datasheets rate: small at random, large in sequence."""

IN_TURN, AT_RANDOM = 0.1, 1.0
"""How irregularly dies come to a bus, a squared coefficient of variation: programs taken in turn are nearly regular
(found by trial), copies among them come from many dies as if at random."""


@dataclass(frozen=True)
class Datasheet:
    """Figures of one drive, in SI. Random ones for 4 KiB at ``depth``, sequential ones for 128 KiB, latencies idle."""

    random_read_rate: float
    random_write_rate: float
    depth: int
    sequential_read: float
    sequential_write: float
    read_latency: float
    write_latency: float


@dataclass(frozen=True)
class Frame:
    """What a datasheet does not say. ``lane_s`` is the time of 4 KiB on the link, ``erase_s`` that of a block."""

    channels: int
    page: int
    planes: int
    pages_per_block: int
    map_unit: int
    erase_s: float
    lane_s: float


@dataclass(frozen=True)
class Parts:
    """The parts of a drive: rates per second, times in seconds."""

    command_rate: float
    channel_rate: float
    cell_read_s: float
    dies: int
    program_s: float
    amplification: float
    buffer_s: float


def contradictions(sheet: Datasheet, frame: Frame) -> Iterator[tuple[str, str, str]]:
    """Figures that no drive of this kind has together: the key, what is wrong with it, and what would do."""
    bytes_read = sheet.random_read_rate * SMALL
    if bytes_read > 0.95 * sheet.sequential_read:
        wrong = "so many reads of 4 KiB come near sequential_read or beyond it"
        yield "random_read_rate", wrong, f"at most {0.95 * sheet.sequential_read / SMALL:.6g} /s"
    elif _cell_read_s(sheet, frame) <= 0:
        least = sheet.read_latency - _cell_read_s(sheet, frame)
        wrong = "command, bus and link take all of it"
        yield "read_latency", wrong, f"more than {least * 1e6:.4g} us with these rates and this link"
    elif _room(sheet, frame) < 0.02 * sheet.depth:
        most = 0.98 * sheet.depth / (sheet.read_latency + _bus_wait_s(sheet, frame))
        wrong = f"{sheet.depth} requests under way do not come to it at this read_latency"
        yield "random_read_rate", wrong, f"at most {most:.6g} /s at this rated_depth"
    if sheet.random_read_rate < sheet.sequential_read / LARGE:
        accepted = f"at least {sheet.sequential_read / LARGE:.6g} /s"
        yield "random_read_rate", "below the rate of the sequential reads of 128 KiB", accepted
    if sheet.random_write_rate > sheet.random_read_rate:
        accepted = "at most random_read_rate; else give the parts of the drive"
        yield "random_write_rate", "above random_read_rate, at which commands are taken", accepted
    if sheet.sequential_write > sheet.sequential_read:
        accepted = "at most sequential_read; else give the parts of the drive"
        yield "sequential_write", "above sequential_read, which the buses carry", accepted
    most = sheet.sequential_write / (_units(frame) * frame.map_unit)
    if sheet.random_write_rate > 1.01 * most:
        yield "random_write_rate", "more bytes than sequential_write", f"at most {most:.6g} /s"
    if sheet.write_latency < 1 / sheet.random_read_rate + frame.lane_s:
        least = 1 / sheet.random_read_rate + frame.lane_s
        wrong = "command and link take more"
        yield "write_latency", wrong, f"at least {least * 1e6:.4g} us with these rates and this link"


def parts_of(sheet: Datasheet, frame: Frame) -> Parts:
    """The parts of a drive that has these figures.

    The command processor carries the rated reads. The time of a cell is what the idle latency leaves to it. Dies: twice
    as many as reads keep busy, and so many more that no more than a third of the requests that the depth leaves over
    wait for one, x + 3 x**2 / (2 room) of them where reads keep x busy; at least as many as fill a bus with
    sequential reads, 1 + t_read / t_bus each, and one more. Writes keep all dies at work, each on its bus or away from
    it: the time of a program is the longest with which sequential writes get through, the amplification the largest
    with which random writes do, each page using the bus once and each of its A - 1 copies twice.
    Raises ValueError where `contradictions` finds any, or where erases leave no time to program.
    """
    wrong = next(contradictions(sheet, frame), None)
    if wrong is not None:
        raise ValueError(": ".join(wrong))
    cell_read_s, channel_rate = _cell_read_s(sheet, frame), sheet.sequential_read / frame.channels
    busy = sheet.random_read_rate * (cell_read_s + SMALL / channel_rate + _bus_wait_s(sheet, frame))
    at_random = max(2 * busy, busy + 1.5 * busy**2 / _room(sheet, frame))
    a_bus = max(
        math.ceil(at_random / frame.channels), 1 + math.ceil(1 + cell_read_s * channel_rate / frame.page)
    )
    dies = frame.channels * a_bus
    width = frame.planes * frame.page
    bus_s = width / channel_rate
    page_s = width / sheet.sequential_write * frame.channels

    def carries_in_sequence(away_s: float) -> bool:
        return _bus_passes_per_s(a_bus, away_s, IN_TURN, bus_s) * page_s > 1

    away_s = _most_by_bisection(0.0, a_bus * page_s, carries_in_sequence)
    program_s = away_s - frame.erase_s / frame.pages_per_block
    if program_s <= 0.001 * page_s:
        raise ValueError("erases and the buses take all the time of the dies")
    page_s = width // frame.map_unit / _units(frame) / sheet.random_write_rate * frame.channels

    def carries_at_random(amplification: float) -> bool:
        copies, passes = amplification - 1, 2 * amplification - 1
        between_s = (amplification * away_s + copies * cell_read_s) / passes
        return _bus_passes_per_s(a_bus, between_s, AT_RANDOM, bus_s) * page_s > passes

    amplification = _most_by_bisection(1.0, 1.0 + page_s / bus_s, carries_at_random)
    buffer_s = sheet.write_latency - 1 / sheet.random_read_rate - frame.lane_s
    return Parts(
        sheet.random_read_rate, channel_rate, cell_read_s, dies, program_s, amplification, max(buffer_s, 0.0)
    )


def _most_by_bisection(low: float, high: float, too_little: Callable[[float], bool]) -> float:
    """The largest value that is still too little, where what is too little lies below what is not."""
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if too_little(middle) else (low, middle)
    return low


def _bus_passes_per_s(dies: int, away_s: float, arrival_scv: float, bus_s: float) -> float:
    """Transfers per second on a bus whose ``dies`` come back ``away_s`` after each: a closed network of one queue.

    The wait of exponential services, by exact mean value analysis (from memory), times (c_a**2 + c_s**2) / 2 as
    Allen and Cunneen have it (from memory): services are constant, and arrivals irregular by ``arrival_scv``. Never
    more than the bus can carry.
    """
    present = passing_s = 0.0
    for number in range(1, dies + 1):
        passing_s = bus_s * (1 + present)
        present = number * passing_s / (away_s + passing_s)
    return dies / max(dies * bus_s, away_s + bus_s + (passing_s - bus_s) * arrival_scv / 2)


def _units(frame: Frame) -> int:
    """Map units of a small write."""
    return -(-SMALL // frame.map_unit)


def _cell_read_s(sheet: Datasheet, frame: Frame) -> float:
    bus_s = SMALL * frame.channels / sheet.sequential_read
    return sheet.read_latency - 1 / sheet.random_read_rate - bus_s - frame.lane_s


def _bus_wait_s(sheet: Datasheet, frame: Frame) -> float:
    """Mean wait of a small read for its bus at the rated rate."""
    used = sheet.random_read_rate * SMALL / sheet.sequential_read
    return used / (2 * (1 - used)) * SMALL * frame.channels / sheet.sequential_read


def _room(sheet: Datasheet, frame: Frame) -> float:
    """Requests of the rated depth that are left to wait, by Little's law."""
    return sheet.depth - sheet.random_read_rate * (sheet.read_latency + _bus_wait_s(sheet, frame))
