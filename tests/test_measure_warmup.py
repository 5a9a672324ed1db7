"""Warm-up: the MSER rule and the steady-state window against worked values, and the check of the fixed share."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from lindley import mm1_responses
from tailrace.measure.warmup import (
    RANGE_LIMIT,
    RISE_LIMIT,
    mser,
    settled,
    steady_window,
    truncation_point,
)

PUBLISHED = tomllib.loads(
    (Path(__file__).parent.parent / "shared/published/measurement.toml").read_text("utf-8")
)


def test_steady_windows_agree_with_the_worked_ones() -> None:
    limits = PUBLISHED["steady_window"]["limits"]
    assert (limits["range_share"], limits["rise_share"]) == (RANGE_LIMIT, RISE_LIMIT)
    for worked in PUBLISHED["steady_window"]["windows"]:
        window = steady_window(np.array(worked["rounds"], dtype=float))
        assert window.range_share == pytest.approx(worked["range_share"], abs=1e-4)
        assert abs(window.rise_share) == pytest.approx(worked["rise_share"], abs=1e-4)
        assert window.steady is worked["steady"]


@given(arrays(np.float64, st.integers(2, 12), elements=st.floats(1, 100)))
def test_the_rise_of_a_window_is_that_of_the_least_squares_line(rounds: np.ndarray) -> None:
    slope = np.polyfit(np.arange(rounds.size), rounds, 1)[0]
    rise = slope * (rounds.size - 1) / rounds.mean()
    assert steady_window(rounds).rise_share == pytest.approx(rise, abs=1e-9)


def test_a_window_of_nothing_is_flat_and_one_about_zero_is_not() -> None:
    assert steady_window(np.zeros(5)).steady
    assert not steady_window(np.array([-1.0, 1.0, -1.0, 1.0, 0.0])).steady
    with pytest.raises(ValueError, match="two rounds"):
        steady_window(np.ones(1))


def test_mser_agrees_with_the_worked_series() -> None:
    worked = PUBLISHED["mser"]
    series = np.array(worked["series"], dtype=float)
    assert mser(series)[: len(worked["statistic"])] == pytest.approx(worked["statistic"], abs=1e-5)
    assert truncation_point(series, batch=1) == worked["truncation"]


def test_a_few_equal_batches_do_not_deceive_mser() -> None:
    worked = PUBLISHED["mser_trap"]
    means = np.array(worked["batch_means"])
    assert mser(means)[worked["zero_at"]] == pytest.approx(0, abs=1e-12)
    series = np.array(PUBLISHED["mser"]["series"], dtype=float)
    assert series.reshape(-1, worked["batch"]).mean(axis=1) == pytest.approx(means)
    assert truncation_point(series, batch=worked["batch"]) is None


@given(arrays(np.float64, st.integers(1, 40), elements=st.floats(-50, 50)))
def test_mser_is_the_squared_error_of_what_is_left(series: np.ndarray) -> None:
    for deleted, statistic in enumerate(mser(series)):
        left = series[deleted:]
        assert statistic == pytest.approx(left.var() / left.size, abs=1e-9)


def test_mser_cuts_a_step_where_it_is_and_rejects_a_series_that_never_settles() -> None:
    rng = np.random.default_rng(1)
    step = np.where(np.arange(1_000) < 130, 5.0, 1.0) + rng.normal(0, 0.1, 1_000)
    assert truncation_point(step) == 130
    late = np.where(np.arange(1_000) < 800, 5.0, 1.0) + rng.normal(0, 0.1, 1_000)
    assert truncation_point(late) is None


def test_a_transient_within_the_warm_up_settles_and_a_longer_one_does_not() -> None:
    rng = np.random.default_rng(2)
    position = np.arange(2_000)
    noise = [rng.normal(0, 1.0, position.size) for _ in range(8)]
    short = settled([10 + 20 * np.exp(-position / 30) + n for n in noise])
    assert short
    assert short.reason == ""
    assert 0 < short.cut_share <= 0.1
    long = settled([10 + 20 * np.exp(-position / 100) + n for n in noise])
    assert not long
    assert "the transient lasts" in long.reason
    assert settled([10 + 20 * np.exp(-position / 100) + n for n in noise], share=0.4)
    growing = settled([10 + position / 500 + n for n in noise])
    assert not growing
    assert growing.cut_share is None


def test_a_drift_or_a_bump_too_weak_for_mser_is_seen_over_what_is_measured() -> None:
    rng = np.random.default_rng(5)
    position = np.linspace(0, 1, 20_000)
    noise = [rng.normal(0, 10, position.size) for _ in range(16)]
    drift = settled([10 * (1 + 0.2 * position) + n for n in noise])
    assert drift.cut_share < 0.01
    assert not drift
    assert drift.window.rise_share == pytest.approx(0.13, abs=0.02)
    assert "changes by +1" in drift.reason
    bump = settled([10 * (1 + 0.3 * (abs(position - 0.55) < 0.09)) + n for n in noise])
    assert bump.cut_share < 0.01
    assert not bump
    assert abs(bump.window.rise_share) < 0.02
    assert "fifths of what is measured differ" in bump.reason
    assert settled([10 + n for n in noise])


def test_replications_of_different_lengths_are_averaged_as_far_as_all_go() -> None:
    rng = np.random.default_rng(3)
    assert settled([5 + rng.random(size) for size in (900, 1_000, 1_100)])


def test_a_run_too_short_to_see_a_transient_is_not_called_settled() -> None:
    verdict = settled([np.ones(40), np.ones(60)])
    assert not verdict
    assert "40 requests" in verdict.reason


def test_a_constant_latency_is_settled() -> None:
    assert settled([np.full(500, 0.25)] * 4)
    assert settled([np.zeros(500)] * 4)


def test_a_queue_in_equilibrium_is_rarely_called_unsettled_and_one_emptying_always() -> None:
    rho, runs, requests = 0.9, 40, 5_000
    rng = np.random.default_rng(4)
    false_alarms = found = 0
    for _ in range(runs):
        # the wait in equilibrium is 0 with probability 1 - rho, else exponential with rate 1 - rho
        waits = np.where(rng.random(16) < rho, rng.exponential(1 / (1 - rho), 16), 0.0)
        in_equilibrium = np.stack([mm1_responses(rho, 1, requests, rng, wait)[0] for wait in waits])
        false_alarms += not settled(list(in_equilibrium))
        found += not settled(list(mm1_responses(rho, 16, requests, rng, first_wait=300.0)))
    assert false_alarms <= 4
    assert found == runs
