"""Seek curves: published values, exact means, and what a curve may not do."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tailrace.physics import seek

PUBLISHED = tomllib.loads(
    (Path(__file__).parent.parent / "shared/published/spinning.toml").read_text("utf-8")
)


def published_curve() -> seek.SeekCurve:
    drive = PUBLISHED["seek_curve"]
    near, far = ((v[0] * 1e-3, v[1] * 1e-3) for v in (drive["near_ms"], drive["far_ms"]))
    return seek.two_piece_curve(drive["cylinders"], drive["boundary"], near, far)


def test_mean_distance_and_its_root_are_the_published_integrals() -> None:
    one, zero = np.ones(1), np.zeros(1)
    distance = seek.SeekCurve(one, zero, zero, one)
    root = seek.SeekCurve(one, zero, one, zero)
    assert seek.mean_seek_s(distance) == pytest.approx(
        PUBLISHED["mean_seek_distance"]["share_of_stroke"], rel=1e-12
    )
    assert seek.mean_seek_s(root) == pytest.approx(
        PUBLISHED["mean_root_of_seek_distance"]["root_share"], rel=1e-12
    )


def test_mean_distance_over_cylinders_is_the_published_one() -> None:
    published = PUBLISHED["mean_seek_distance"]
    n = published["cylinders"]
    curve = seek.two_piece_curve(n, 1, (0.0, 0.0), (0.0, 1.0))  # one second a cylinder
    d = np.arange(n)
    weight = np.where(d == 0, n, 2 * (n - d)) / n**2
    mean = float(weight @ seek.seek_times_s(d / (n - 1), curve))
    assert mean == pytest.approx(published["mean_cylinders"], abs=0.05)
    # The integral leaves out that cylinders are discrete: (N - 1)/3 against (N² - 1)/(3N).
    assert seek.mean_seek_s(curve) == pytest.approx(mean, rel=1e-3)


def test_random_placement_gives_the_mean_of_the_curve() -> None:
    rng = np.random.default_rng(19)
    curve = published_curve()
    sample = seek.seek_times_s(np.abs(np.diff(rng.random((400_000, 2)), axis=1)[:, 0]), curve)
    error = float(np.std(sample)) / np.sqrt(len(sample))
    mean = seek.mean_seek_s(curve)
    assert error < 0.00125 * mean  # four of them are the bound of half a per cent
    assert abs(float(np.mean(sample)) - mean) < 4 * error


def test_published_curve_gives_the_published_times() -> None:
    drive = PUBLISHED["seek_curve"]
    curve = published_curve()
    for distance, time_ms in zip(drive["distances"], drive["times_ms"], strict=True):
        share = distance / (drive["cylinders"] - 1)
        assert seek.seek_s(share, *curve) * 1e3 == pytest.approx(time_ms, abs=0.6e-3)


def test_published_curve_is_continuous_and_never_falls_over_cylinders() -> None:
    n = PUBLISHED["seek_curve"]["cylinders"]
    times = seek.seek_times_s(np.arange(1, n) / (n - 1), published_curve())
    steps = np.diff(times)
    assert np.all(steps > 0)
    assert steps[PUBLISHED["seek_curve"]["boundary"] - 2] < 0.01e-3


def test_a_published_curve_that_falls_a_little_where_its_pieces_meet_is_taken() -> None:
    drive = PUBLISHED["seek_curve_with_a_step"]
    n, boundary = drive["cylinders"], drive["boundary"]
    near, far = ((v[0] * 1e-3, v[1] * 1e-3) for v in (drive["near_ms"], drive["far_ms"]))
    curve = seek.two_piece_curve(n, boundary, near, far)
    d = np.arange(n)
    times_ms = seek.seek_times_s(d / (n - 1), curve) * 1e3
    assert times_ms[drive["distances"]] == pytest.approx(drive["times_ms"], abs=0.6e-3)
    assert times_ms[boundary] - times_ms[boundary - 1] == pytest.approx(-0.063, abs=1e-3)
    weight = np.where(d == 0, n, 2 * (n - d)) / n**2
    assert float(weight @ times_ms) == pytest.approx(drive["mean_ms"], abs=1.5e-3)
    assert seek.mean_seek_s(curve) * 1e3 == pytest.approx(drive["mean_ms"], rel=1e-3)


def test_mean_of_the_published_curve_is_the_published_mean() -> None:
    drive = PUBLISHED["seek_curve"]
    n = drive["cylinders"]
    curve = published_curve()
    d = np.arange(n)
    weight = np.where(d == 0, n, 2 * (n - d)) / n**2
    over_pairs_ms = float(weight @ seek.seek_times_s(d / (n - 1), curve)) * 1e3
    assert over_pairs_ms == pytest.approx(drive["mean_ms"], abs=1.5e-3)
    # The integral lets two positions differ by less than a cylinder, so it is a whisker off.
    assert seek.mean_seek_s(curve) * 1e3 == pytest.approx(drive["mean_ms"], rel=3e-4)


def test_mean_of_the_curve_is_not_the_curve_at_the_mean() -> None:
    published = PUBLISHED["mean_of_curve_is_not_curve_at_mean"]
    curve = published_curve()
    share = published["distance_cylinders"] / (PUBLISHED["seek_curve"]["cylinders"] - 1)
    assert seek.mean_seek_s(curve) * 1e3 == pytest.approx(published["mean_ms"], abs=5e-3)
    assert seek.seek_s(share, *curve) * 1e3 == pytest.approx(published["at_mean_distance_ms"], abs=5e-3)


times = st.floats(1e-5, 0.1)


@given(adjacent=times, stroke=times, at=st.floats(1 / 3, 11 / 15))
def test_three_point_curve_meets_its_three_times_and_rises_between_them(
    adjacent: float, stroke: float, at: float
) -> None:
    full = adjacent + stroke
    average = adjacent + at * stroke
    curve = seek.three_point_curve(adjacent, average, full)
    t = seek.seek_times_s(np.concatenate(([0.0], np.geomspace(1e-9, 1, 200))), curve)
    assert t[0] == 0.0
    assert np.all(t[1:] >= adjacent)
    assert np.all(np.diff(t[1:]) >= -1e-12 * full)
    assert t[1] == pytest.approx(adjacent, abs=1e-4 * full)
    assert t[-1] == pytest.approx(full, rel=1e-12)
    assert seek.mean_seek_s(curve) == pytest.approx(average, rel=1e-9)


@given(adjacent=times, stroke=times, excess=st.floats(1e-6, 2), below=st.booleans())
def test_three_points_that_would_bend_or_fall_are_refused(
    adjacent: float, stroke: float, excess: float, below: bool
) -> None:
    slack = excess * (adjacent + stroke)
    average = adjacent + (stroke / 3 - slack if below else stroke * 11 / 15 + slack)
    with pytest.raises(ValueError, match="allow averages from"):
        seek.three_point_curve(adjacent, average, adjacent + stroke)


def test_a_refused_average_is_answered_with_those_allowed() -> None:
    with pytest.raises(ValueError, match=r"allow averages from 2 ms to 3\.2 ms"):
        seek.three_point_curve(1e-3, 3.5e-3, 4e-3)
    for average in (2e-3, 3.2e-3):  # both ends belong to the range, decimals or not
        seek.three_point_curve(1e-3, average, 4e-3)


@pytest.mark.parametrize(
    "bad", [(-1e-3, 0, 1e-3), (2e-3, 2e-3, 1e-3), (1e-3, 2e-3, np.inf), (1e-3, np.nan, 4e-3)]
)
def test_impossible_seek_times_are_refused(bad: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="seek"):
        seek.three_point_curve(*bad)


def test_a_seek_that_takes_the_same_over_any_distance_is_a_curve() -> None:
    curve = seek.three_point_curve(5e-3, 5e-3, 5e-3)
    assert seek.seek_times_s([0, 1e-9, 1], curve).tolist() == [0, 5e-3, 5e-3]


@st.composite
def pairs(draw: st.DrawFn) -> tuple[list[float], list[float]]:
    inner = draw(st.lists(st.integers(0, 999), max_size=8, unique=True))
    shares = [v / 1000 for v in sorted(inner)] + [1.0]
    steps = draw(st.lists(st.floats(0, 0.01), min_size=len(shares), max_size=len(shares)))
    return shares, np.cumsum(steps).tolist()


@given(pairs())
def test_pair_curve_passes_through_its_pairs_and_never_falls(
    given_pairs: tuple[list[float], list[float]],
) -> None:
    shares, times_s = given_pairs
    curve = seek.pair_curve(shares, times_s)
    for share, time_s in zip(shares, times_s, strict=True):
        if share > 0:
            assert seek.seek_s(share, *curve) == pytest.approx(time_s, abs=1e-12)
    x = np.linspace(0, 1, 401)[1:]
    t = seek.seek_times_s(x, curve)
    assert np.all(np.diff(t) >= -1e-15)
    assert t == pytest.approx(np.interp(x, shares, times_s), abs=1e-12)
    grid = (np.arange(200_000) + 0.5) / 200_000
    mean = float(np.mean(2 * (1 - grid) * np.interp(grid, shares, times_s)))
    assert seek.mean_seek_s(curve) == pytest.approx(mean, abs=1e-7)


@pytest.mark.parametrize(
    ("shares", "times_s", "says"),
    [
        ([], [], "as many times"),
        ([0.5, 1], [1e-3], "as many times"),
        ([0.5, 0.9], [1e-3, 2e-3], "exactly 1"),
        ([0.5, 0.5, 1], [1e-3, 2e-3, 3e-3], "rise strictly"),
        ([-0.1, 1], [1e-3, 2e-3], "at least 0"),
        ([float("nan"), 1], [1e-3, 2e-3], "at least 0"),
        ([0.5, 1], [2e-3, 1e-3], "never fall"),
        ([0.5, 1], [-2e-3, 1e-3], "negative"),
        ([0.5, 1], [1e-3, float("nan")], "never fall"),
        ([0.5, 1], [1e-3, float("inf")], "never fall"),
    ],
)
def test_measured_pairs_that_make_no_curve_are_refused(
    shares: list[float], times_s: list[float], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        seek.pair_curve(shares, times_s)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((1, 1, (1e-3, 0), (1e-3, 0)), "boundary"),
        ((100, 0, (1e-3, 0), (1e-3, 0)), "boundary"),
        ((100, 100, (1e-3, 0), (1e-3, 0)), "boundary"),
        ((100, 50, (-1e-3, 0), (1e-3, 0)), "positive and rise"),
        ((100, 50, (1e-3, 0), (1e-3, -1e-6)), "positive and rise"),
        ((100, 50, (1e-3, float("nan")), (1e-3, 0)), "positive and rise"),
        ((100, 50, (1e-3, 1e-3), (1e-3, 0)), "falls at the boundary"),
        ((100, 50, (1e-3, 1e-3), (7.9e-3, 0)), "falls at the boundary"),  # from 8 ms, by more than 1 %
    ],
)
def test_two_pieces_that_make_no_curve_are_refused(arguments: tuple, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        seek.two_piece_curve(*arguments)


@given(pairs(), st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_one_seek_and_an_array_of_them_have_the_same_bits(
    given_pairs: tuple[list[float], list[float]], shares: list[float]
) -> None:
    for curve in (published_curve(), seek.pair_curve(*given_pairs)):
        assert seek.seek_times_s(shares, curve).tolist() == [seek.seek_s(x, *curve) for x in shares]
