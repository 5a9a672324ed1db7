"""What closed forms and the simulation say of the points at which a drive was measured."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.engine.choice import Engine
from tailrace.fit.measured import MeasuredPoint, Media
from tailrace.hardware.flash import FlashCost
from tailrace.hardware.measured_fit import LEVELS
from tailrace.physics.seek import three_point_curve
from tailrace.replicate.boiled import replicate
from tailrace.scenario.tables.flash import Flash
from tailrace.scenario.tables.measured import Measured
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.server import TRANSFER_PIECE, Server
from tailrace.scenario.tables.spinning import Spinning
from tailrace.scenario.tables.workload import Workload
from tailrace.theory.one_drive import arm_service_s, bounded_response_s, closed_banks_s, open_response_s

REQUESTS = 6000
"""Measured requests at a point."""

REQUESTS_OF_DEPTH = 50
"""And so many more for each that is under way at a time."""

PIECES = 8
"""Requests of more pieces than this are fewer by as much: each averages over its own, and costs as much time."""

MOST_DEPTH = 256
"""Requests under way at which a drive carries the most that it can, where a point has a rate."""

FULLEST = 20.0
"""A buffer that fills more slowly than by one in so many of what is written counts as one that does not fill."""


def closed_form(media: Media, points: Sequence[MeasuredPoint]) -> FloatArray:
    """Logarithms of what closed forms say, one entry for each measured quantity of each point in order."""
    told = []
    for point, (depth, response) in zip(points, _closed_responses(media, points), strict=True):
        for name in point.measured:
            value = depth / response if name == "throughput" else response
            told.append(np.log(value * _tail(name)))
    return np.array(told)


def _tail(name: str) -> float:
    """A quantile over the mean, as if exponential: the simulation will say it better."""
    return -np.log(1 - LEVELS[name]) if name in LEVELS else 1.0


def _closed_responses(media: Media, points: Sequence[MeasuredPoint]) -> list[tuple[float, float]]:
    """Mean number of requests under way at each point, and how long they take."""
    most = max(MOST_DEPTH if point.queue_depth is None else point.queue_depth for point in points)
    table = (
        _arm_table(media, points, most) if isinstance(media, Spinning) else _die_table(media, points, most)
    )
    found = []
    for place, point in enumerate(points):
        if point.queue_depth is not None:
            found.append((float(point.queue_depth), float(table[point.queue_depth - 1, place])))
            continue
        rate, idle = point.rate_per_s or 0.0, float(table[0, place])
        carried = most / float(table[-1, place])
        if isinstance(media, Flash) and not point.read:  # the buffer hides programs from what it can take up
            drive = FlashCost.of(media, None)
            response = open_response_s(idle, rate, 1 / drive.command_s)
            if rate > carried:
                response += open_response_s(0.0, rate, carried) - open_response_s(0.0, carried, carried)
        else:
            response = open_response_s(idle, rate, carried)
        found.append((min(rate, carried) * response, response))
    return found


def _arm_table(media: Spinning, points: Sequence[MeasuredPoint], most: int) -> FloatArray:
    """Mean response of each point with 1, 2 ... ``most`` requests under way, shape (most, points)."""
    seeks = (media.seek_adjacent or 0.0, media.seek_average or 0.0, media.seek_full or 0.0)
    chooses = media.scheduling == "shortest access first"
    positioning = np.array(_positioning_s(min(most, media.queue_slots), seeks, 1 / media.rpm, chooses))
    depths = np.arange(1, most + 1)
    transfer = np.array([each.size_bytes for each in points]) * 2 / (media.outer_rate + media.inner_rate)
    settle = np.array([0.0 if each.read else media.write_settle for each in points])
    service = positioning[np.minimum(depths, positioning.size) - 1][:, None] + transfer + settle
    command_s = 1 / media.command_rate  # while the arm serves another, but for the first
    return np.asarray(depths[:, None] * np.maximum(service, command_s) + command_s)


@lru_cache(maxsize=64)
def _positioning_s(
    most: int, seeks: tuple[float, float, float], turn_s: float, chooses: bool
) -> tuple[float, ...]:
    depths = np.arange(1.0, most + 1)
    return tuple(arm_service_s(depths, three_point_curve(*seeks), turn_s, chooses).tolist())


def _die_table(media: Flash, points: Sequence[MeasuredPoint], most: int) -> FloatArray:
    """The same of flash: reads go over banks of dies and buses, writes are bound by what programs carry."""
    drive = FlashCost.of(media, None)
    size = np.array([each.size_bytes for each in points], dtype=np.float64)
    is_read = np.array([each.read for each in points])
    table = np.empty((most, size.size))
    table[:, is_read] = _reads(drive, size[is_read], most)
    depths = np.arange(1.0, most + 1)[:, None]
    carried = np.minimum(1 / drive.command_s, _programmed_per_s(drive, size[~is_read]))
    table[:, ~is_read] = bounded_response_s(depths, drive.command_s + drive.buffer_s, carried)
    return table


def _reads(drive: FlashCost, size_bytes: FloatArray, most: int) -> FloatArray:
    """Each size is followed once, however many points have it."""
    size, place = np.unique(size_bytes, return_inverse=True)
    pages, bus = np.ceil(size / drive.page), size / drive.channel_rate
    command, cell = np.full_like(size, drive.command_s), np.full_like(size, drive.cell_read_s)
    own = np.stack([command, cell, bus / np.minimum(pages, drive.channels)], axis=1)
    work = np.stack([command, cell * pages + bus, bus], axis=1)
    return closed_banks_s(most, own, work, np.array([1.0, drive.dies, drive.channels]))[:, place]


def _programmed_per_s(drive: FlashCost, size_bytes: FloatArray) -> FloatArray:
    """Writes of a size that all dies together program per second."""
    programs = size_bytes / drive.width * (1.0 + drive.copies)
    each = drive.program_s + drive.width / drive.channel_rate + drive.erase_s * drive.erases
    return np.asarray(drive.dies / (programs * each))


def simulated(
    media: Media | Measured,
    points: Sequence[MeasuredPoint],
    seed: int,
    engine: Engine,
    requests: int = REQUESTS,
    draw: int = 0,
) -> FloatArray:
    """The same by simulation of one such drive without anything around it.

    Random numbers are common to all calls with the same ``draw``, and others at each point, so that the noise of one
    point says nothing of that of another.
    """
    told: list[float] = []
    for place, point in enumerate(points):
        filling = _filling(media, point)
        piece = media.page if isinstance(media, Flash) else TRANSFER_PIECE
        fewer = max(point.size_bytes / (PIECES * piece), 1.0)
        length = filling + int((requests + REQUESTS_OF_DEPTH * (point.queue_depth or 1)) / fewer)
        number = 8 + place + len(points) * draw
        sample = replicate(_around(media, point), seed, number, length, engine, length + 10**6)
        latencies = sample.kinds["point"]["all"].latencies
        assert latencies is not None
        every = latencies.every_s
        latency = every[filling + (every.size - filling) // 10 :]
        for name in point.measured:
            if name in LEVELS:
                told.append(np.quantile(latency, LEVELS[name]))
            elif name == "mean" or point.queue_depth:
                mean = float(np.mean(latency))
                told.append(mean if name == "mean" else (point.queue_depth or 1) / mean)  # Little's law
            else:
                told.append(sample.kinds["point"]["all"].completed / sample.window_s)
    return np.log(told)


def _filling(media: Media | Measured, point: MeasuredPoint) -> int:
    """Writes until the buffer of a flash drive is full, if they come in faster than dies program: 0 if not."""
    if point.read or point.queue_depth is None or not isinstance(media, Flash):
        return 0
    drive = FlashCost.of(media, None)
    size = np.array([point.size_bytes], dtype=np.float64)
    in_per_s = min(point.queue_depth / (drive.command_s + drive.buffer_s), 1 / drive.command_s)
    gained = 1.0 - float(_programmed_per_s(drive, size)[0]) / in_per_s
    if gained < 1 / FULLEST:
        return 0
    room = drive.buffer_units / max(point.size_bytes / drive.map_unit, 1.0)
    return int(1.2 * room / gained)


def _around(media: Media | Measured, point: MeasuredPoint) -> Scenario:
    asked = {"rate": point.rate_per_s} if point.queue_depth is None else {"queue_depth": point.queue_depth}
    workload = Workload(name="point", request_size=point.size_bytes, read_share=float(point.read), **asked)
    return Scenario(server=Server(media=media), workload=(workload,))
