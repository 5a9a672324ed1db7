"""Tracks of one cylinder: the arm does not move between them, it switches heads."""

import numpy as np
import pytest

from tailrace.hardware.spinning import SpinningCost
from tailrace.physics import seek
from tailrace.scenario import parse
from tailrace.scenario.tables.spinning import Spinning, TwoPieceSeek
from test_through_spinning import published_drive
from through import observe, published

ROW = published("spinning")["seek_curve"]
TRACK = ROW["sectors_per_track"] * ROW["sector_bytes"]
MS = 1e-3


def the_drive(**more: float) -> SpinningCost:
    media = published_drive().server.media
    assert isinstance(media, Spinning)
    return SpinningCost.of(media.model_copy(update=more))


def moves_ms(cost: SpinningCost, *tracks: int) -> list[float]:
    """Milliseconds from the first track to each of the others."""
    shares, _ = cost.position(np.array(tracks) * TRACK + TRACK // 2)
    return (seek.seek_times_s(np.abs(shares[1:] - shares[0]), cost.curve) / MS).tolist()


def test_tracks_are_laid_into_as_many_cylinders_as_the_curve_has() -> None:
    cost = the_drive(head_switch=1.5 * MS)
    assert cost.cylinders == ROW["cylinders"]
    heads = ROW["heads"]
    # The same track; another of the cylinder; its last; the next cylinder; two and 400 further: by the published curve.
    found = moves_ms(cost, 0, 0, 1, heads - 1, heads, 2 * heads, 400 * heads)
    wanted = [0.0, 1.5, 1.5, 3.24 + 0.4, 3.24 + 0.4 * 2**0.5, 8.0 + 0.008 * 400]
    assert found == pytest.approx(wanted, abs=2e-3)


def test_a_switch_of_heads_takes_the_shortest_seek_unless_something_else_is_said() -> None:
    assert moves_ms(the_drive(), 0, 1) == pytest.approx([3.64], abs=1e-3)


def test_heads_lay_tracks_into_cylinders_where_three_seek_times_are_given() -> None:
    text = """
[server.media]
kind = "spinning"
capacity = "1 GB"
rpm = "6000 rpm"
seek_adjacent = "1 ms"
seek_average = "8 ms"
seek_full = "16 ms"
outer_rate = "100 MB/s"
heads = 10
head_switch = "0.7 ms"
[[workload]]
name = "booking"
think_time = "1 s"
request_size = "4 KiB"
"""
    # A turn of 10 ms holds 1 MB, so there are 1,000 tracks in 100 cylinders.
    media = parse(text).server.media
    assert isinstance(media, Spinning)
    cost = SpinningCost.of(media)
    assert cost.cylinders == 100
    shares, _ = cost.position(np.array([0, 9, 10, 999]) * 10**6)
    assert shares * 99 == pytest.approx([0, 0, 1, 99], abs=1e-3)
    assert seek.seek_times_s(shares[1:] - shares[0], cost.curve)[0] == pytest.approx(0.7 * MS)
    latency = observe(parse(text, overrides=["server.media.capacity='10 MB'"]), 400).latency_s
    # One cylinder: a switch of heads or none, then a turn at most, 0.04 ms of transfer and 0.04 ms for the command.
    assert latency.max() < (0.7 + 10 + 0.09) * MS


def test_heads_beside_cylinders_are_refused() -> None:
    curve = TwoPieceSeek(cylinders=100, boundary=50, near=(1e-3, 0.0), far=(2e-3, 0.0))
    media = published_drive().server.media
    assert isinstance(media, Spinning)
    said = [each.wrong for each in media.model_copy(update={"seek_curve": curve, "heads": 4}).findings()]
    assert said == ["given beside cylinders"]
    plain = {"seek_curve": None, "seek_adjacent": 1e-3, "seek_average": 8e-3, "seek_full": 16e-3}
    said = [each.wrong for each in media.model_copy(update={**plain, "head_switch": 1e-3}).findings()]
    assert said == ["means nothing without cylinders"]
