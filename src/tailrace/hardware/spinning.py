"""Where on a spinning drive does an access lie, and how long does it take to pass?"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tailrace.arrays import FloatArray, IntArray
from tailrace.physics import platter
from tailrace.physics.seek import (
    SeekCurve,
    mean_seek_s,
    pair_curve,
    three_point_curve,
    two_piece_curve,
    with_head_switch,
)
from tailrace.scenario.tables.spinning import Spinning, TwoPieceSeek


@dataclass(frozen=True)
class SpinningCost:
    """One spinning drive. Rates in bytes per second; ``cylinders`` is None where each track is one of its own."""

    capacity: int
    outer_rate: float
    inner_rate: float
    turns_per_s: float
    write_settle_s: float
    curve: SeekCurve
    cylinders: int | None = None

    @property
    def mean_positioning_s(self) -> float:
        """Mean seek between places uniform in radius, and half a turn."""
        return mean_seek_s(self.curve) + 0.5 / self.turns_per_s

    def settle_s(self, write: bool, slowness: FloatArray) -> FloatArray:
        """What each access settles before its sector can come round, shape of ``slowness``.

        A drive that takes f times as long is one that repeats seeks and turns: to its own settling it adds f − 1
        mean positionings, so that a random access by itself takes f times as long in the mean, while the turn of the
        platter stays what it is (derived).
        """
        settle = self.write_settle_s if write else 0.0
        return settle + (slowness - 1.0) * (self.mean_positioning_s + settle)

    @classmethod
    def of(cls, drive: Spinning) -> SpinningCost:
        """The costs of a scenario's spinning drive."""
        curve, inner_rate = seek_curve(drive), drive.inner_rate or drive.outer_rate
        tracks = platter.total_turns(int(drive.capacity), drive.rpm, drive.outer_rate, inner_rate)
        cylinders = None
        if isinstance(drive.seek_curve, TwoPieceSeek):
            cylinders = drive.seek_curve.cylinders
        elif drive.heads is not None and drive.heads > 1:
            cylinders = math.ceil(tracks / drive.heads)
        if cylinders is not None and cylinders < tracks:
            curve = with_head_switch(curve, cylinders, drive.head_switch)
        return cls(
            int(drive.capacity),
            drive.outer_rate,
            inner_rate,
            drive.rpm,
            drive.write_settle,
            curve,
            cylinders,
        )

    def position(self, address: IntArray) -> tuple[FloatArray, FloatArray]:
        """Share of the stroke and angle in turns at which each address lies."""
        turns = platter.total_turns(self.capacity, self.turns_per_s, self.outer_rate, self.inner_rate)
        share, ratio = address / self.capacity, self.outer_rate / self.inner_rate
        if self.cylinders is None:
            return platter.position(share, ratio, turns)
        return platter.cylinder_position(share, ratio, turns, self.cylinders)

    def transfer_s(self, address: IntArray, size_bytes: IntArray) -> FloatArray:
        """Seconds for the bytes to pass under the head."""
        return platter.transfer_s(address, size_bytes, self.capacity, self.outer_rate, self.inner_rate)


def seek_curve(drive: Spinning) -> SeekCurve:
    """The seek curve in whichever form the scenario gives it."""
    curve = drive.seek_curve
    if isinstance(curve, TwoPieceSeek):
        return two_piece_curve(curve.cylinders, curve.boundary, curve.near, curve.far)
    if curve is not None:
        return pair_curve([point.share for point in curve], [point.time for point in curve])
    assert drive.seek_adjacent is not None
    assert drive.seek_average is not None
    assert drive.seek_full is not None
    return three_point_curve(drive.seek_adjacent, drive.seek_average, drive.seek_full)
