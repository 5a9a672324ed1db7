"""Platter geometry: zones, turns, angles and transfers under constant linear density."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tailrace.physics import platter

PUBLISHED = tomllib.loads(
    (Path(__file__).parent.parent / "shared/published/spinning.toml").read_text("utf-8")
)
ratios = st.one_of(st.just(1.0), st.floats(1, 1 + 1e-6), st.floats(1, 5))
shares = st.floats(0, 1)


def test_zoned_recording_has_the_published_mean_rates() -> None:
    zoned = PUBLISHED["zoned_recording"]
    inner, turns_per_s, capacity = 100e6, 120.0, 2e12
    u = (np.arange(100_000) + 0.5) / 100_000
    rows = zip(zoned["ratio"], zoned["time_mean_over_inner"], zoned["capacity_mean_over_inner"], strict=True)
    for q, time_mean, capacity_mean in rows:
        full_read_s = float(platter.transfer_s(0, capacity, capacity, q * inner, inner))
        turns = platter.total_turns(capacity, turns_per_s, q * inner, inner)
        assert full_read_s == pytest.approx(turns / turns_per_s, rel=1e-12)  # full read time = turns × turn
        assert capacity / full_read_s / inner == pytest.approx(time_mean, abs=1e-9)
        rates = platter.rate_bytes_per_s(platter.stroke_share(u, q), q * inner, inner)
        assert float(np.mean(rates)) / inner == pytest.approx(capacity_mean, abs=0.5e-3)


def test_sixteen_sectors_take_their_share_of_a_turn() -> None:
    drive, turn = PUBLISHED["seek_curve"], PUBLISHED["turn_at_4002_rpm"]
    turns_per_s = drive["rpm"] / 60
    rate = drive["sectors_per_track"] * drive["sector_bytes"] * turns_per_s
    capacity = drive["cylinders"] * drive["heads"] * drive["sectors_per_track"] * drive["sector_bytes"]
    assert 1e3 / turns_per_s == pytest.approx(turn["turn_ms"], abs=0.5e-3)
    transfer = platter.transfer_s(12345, turn["sectors"] * drive["sector_bytes"], capacity, rate, rate)
    assert float(transfer) * 1e3 == pytest.approx(turn["transfer_ms"], abs=0.5e-3)
    tracks = drive["cylinders"] * drive["heads"]
    assert platter.total_turns(capacity, turns_per_s, rate, rate) == pytest.approx(tracks, rel=1e-12)


def test_a_drive_of_one_zone_has_its_addresses_in_proportion_to_the_stroke() -> None:
    u = np.linspace(0, 1, 1001)
    assert np.array_equal(platter.stroke_share(u, 1.0), u)
    assert np.allclose(platter.stroke_share(u, 1 + 1e-9), u, rtol=0, atol=1e-9)


@given(u=shares, q=ratios)
def test_address_to_stroke_and_back_is_the_same_address(u: float, q: float) -> None:
    x = platter.stroke_share(u, q)
    assert 0 <= x <= 1 + 1e-15
    assert platter.address_share(x, q) == pytest.approx(u, abs=1e-14)
    assert platter.stroke_share(platter.address_share(u, q), q) == pytest.approx(u, abs=1e-14)


@given(u=shares, q=st.floats(1.01, 5))
def test_the_stable_form_is_the_textbook_inverse(u: float, q: float) -> None:
    textbook = (q - np.sqrt(q * q - u * (q * q - 1))) / (q - 1)
    assert platter.stroke_share(u, q) == pytest.approx(textbook, abs=1e-12)


@given(q=ratios)
def test_addresses_run_inward_from_the_outer_edge(q: float) -> None:
    x = platter.stroke_share(np.linspace(0, 1, 101), q)
    assert x[0] == 0
    assert x[-1] == pytest.approx(1, abs=1e-15)
    assert np.all(np.diff(x) > 0)
    rate = platter.rate_bytes_per_s(x, q * 1e8, 1e8)
    assert rate[0] == pytest.approx(q * 1e8)
    assert rate[-1] == pytest.approx(1e8)
    assert np.all(np.diff(rate) <= 0)


@given(
    start=shares,
    sizes=st.lists(st.integers(512, 2**24), min_size=1, max_size=20),
    q=ratios,
)
def test_transfers_one_after_the_other_take_as_long_as_one(start: float, sizes: list[int], q: float) -> None:
    capacity = 2e12
    first = float(int(start * (capacity - 2**29)))
    at = first + np.concatenate(([0], np.cumsum(sizes[:-1])))
    pieces = platter.transfer_s(at, sizes, capacity, q * 1e8, 1e8)
    whole = platter.transfer_s(first, sum(sizes), capacity, q * 1e8, 1e8)
    assert float(np.sum(pieces)) == pytest.approx(float(whole), rel=1e-12)


@given(start=shares, size=st.integers(512, 2**24), q=ratios)
def test_a_transfer_turns_the_platter_from_its_first_angle_to_its_last(
    start: float, size: int, q: float
) -> None:
    capacity, turns_per_s = 2e12, 120.0
    turns = platter.total_turns(capacity, turns_per_s, q * 1e8, 1e8)
    first = float(int(start * (capacity - size)))
    passed = float(platter.transfer_s(first, size, capacity, q * 1e8, 1e8)) * turns_per_s
    begin, end = platter.turns_from_edge(np.array([first, first + size]) / capacity, q, turns)
    assert end - begin == pytest.approx(passed, abs=1e-7)  # a float64 holds 2 million turns to 1e-9


def test_transfer_rate_is_the_local_rate() -> None:
    capacity, outer, inner = 2e12, 2e8, 1e8
    u = np.array([0.0, 0.3, 0.9])
    rate = 4096 / platter.transfer_s(u * capacity, 4096, capacity, outer, inner)
    local = platter.rate_bytes_per_s(platter.stroke_share(u, 2.0), outer, inner)
    assert rate == pytest.approx(local, rel=1e-7)


@given(u=shares, q=ratios, turns=st.floats(1e3, 1e8))
def test_position_is_the_whole_turn_and_the_angle_on_it(u: float, q: float, turns: float) -> None:
    share, angle = platter.position(u, q, turns)
    from_edge = platter.turns_from_edge(u, q, turns)
    assert 0 <= angle < 1
    assert share * turns + angle == pytest.approx(float(from_edge), rel=1e-12, abs=1e-9)
    assert share * turns == pytest.approx(round(float(share * turns)), abs=1e-6)


def test_addresses_on_one_turn_are_at_distance_zero() -> None:
    turns = 10.0
    share, angle = platter.position(np.array([0.301, 0.305, 0.399, 0.401]), 1.0, turns)
    assert share[0] == share[1] == share[2] == 0.3
    assert share[3] == 0.4
    assert angle == pytest.approx([0.01, 0.05, 0.99, 0.01])
