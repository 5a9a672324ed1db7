"""Overload by the growth of the backlog: false alarms below saturation, misses above it."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lindley import mm1_backlog
from tailrace.measure.backlog import backlog_growth


def test_growth_is_the_share_of_arrivals_left_unserved() -> None:
    # 100 arrive and 20 stay in the one, 100 and 24 in the other; the spread is that of 0.20 and 0.24
    arrived = [np.array([50.0, 100, 150]), np.array([40.0, 90, 140])]
    present = [np.array([5.0, 99, 25]), np.array([1.0, 0, 25])]
    backlog = backlog_growth(arrived, present)
    assert backlog.growth.value == pytest.approx(0.22)
    assert backlog.sustained == pytest.approx(0.78)
    assert backlog.growth.n == 200
    # t(1) at 99.9 % is 318.31 (any table of Student's distribution, from memory): two replications decide nothing
    assert backlog.growth.half_width == pytest.approx(318.31 * 0.02, rel=1e-4)
    assert backlog.state == "unclear"


def test_a_backlog_that_grows_alike_in_all_replications_is_an_overload() -> None:
    arrived = [np.array([0.0, 500, 1000])] * 4
    assert backlog_growth(arrived, [np.array([0.0, 25, 50])] * 4).overloaded
    steady = backlog_growth(arrived, [np.array([7.0, 9, 7])] * 4)
    assert (steady.state, steady.sustained, steady.overloaded) == ("stable", 1.0, False)
    # growth that is certain, though under the threshold, is not stable either
    assert backlog_growth(arrived, [np.array([0.0, 2, 5])] * 4).state == "unclear"


def test_no_arrivals_or_one_replication_leave_the_matter_unclear() -> None:
    nothing = backlog_growth([np.zeros(3)] * 4, [np.zeros(3)] * 4)
    assert (nothing.state, nothing.sustained, nothing.growth.value) == ("unclear", None, None)
    alone = backlog_growth([np.array([0.0, 100])], [np.array([0.0, 50])])
    assert (alone.state, alone.sustained) == ("unclear", 0.5)


def test_marks_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="replication"):
        backlog_growth([], [])
    with pytest.raises(ValueError, match="two marks"):
        backlog_growth([np.zeros(1)], [np.zeros(1)])
    with pytest.raises(ValueError, match="two marks"):
        backlog_growth([np.zeros(3)], [np.zeros(2)])
    with pytest.raises(ValueError, match="decrease"):
        backlog_growth([np.array([3.0, 2.0])], [np.zeros(2)])


@given(st.integers(2, 8), st.floats(1, 1000))
def test_growth_does_not_depend_on_the_unit_of_work(replications: int, factor: float) -> None:
    arrived, present = mm1_backlog(1.0, replications, 500, np.random.default_rng(replications))
    plain = backlog_growth(arrived, present)
    scaled = backlog_growth([factor * a for a in arrived], [factor * p for p in present])
    assert scaled.growth.value == pytest.approx(plain.growth.value, abs=1e-12)
    assert scaled.growth.half_width == pytest.approx(plain.growth.half_width, rel=1e-9)
    assert scaled.state == plain.state


@pytest.mark.parametrize("replications", [8, 16])
def test_a_busy_server_that_keeps_up_raises_no_false_alarm(replications: int) -> None:
    rng = np.random.default_rng(21)
    states = [
        backlog_growth(*mm1_backlog(utilisation, replications, requests, rng)).state
        for utilisation, requests, runs in ((0.95, 2_500, 40), (0.98, 2_500, 40), (0.95, 20_000, 20))
        for _ in range(runs)
    ]
    assert states.count("overloaded") == 0
    # power: at 0.95 and 20,000 requests the growth is not merely unclear
    assert states[-20:].count("stable") >= 18


def test_an_overload_of_five_percent_is_found_with_the_load_that_would_be_carried() -> None:
    rng = np.random.default_rng(22)
    backlogs = [backlog_growth(*mm1_backlog(1.05, 16, 10_000, rng)) for _ in range(20)]
    assert all(backlog.overloaded for backlog in backlogs)
    sustained = np.array([backlog.sustained for backlog in backlogs])
    error = sustained.std(ddof=1) / np.sqrt(sustained.size)
    assert abs(sustained.mean() - 1 / 1.05) < 4 * error
    assert error < 0.01


def test_an_overload_too_small_to_find_is_never_called_stable() -> None:
    rng = np.random.default_rng(23)
    states = [backlog_growth(*mm1_backlog(1.01, 16, 10_000, rng)).state for _ in range(30)]
    assert states.count("stable") == 0


def test_a_backlog_that_only_fills_up_is_no_overload() -> None:
    # of 1,000 arrivals 80 stay, but only 20 of those in the later half: queues that fill, not queues that grow
    arrived = [np.array([0.0, 500, 1000])] * 4
    filling = backlog_growth(arrived, [np.array([0.0, 60 + extra, 80 + extra]) for extra in (0, 1, 0, 1)])
    assert filling.growth.low is not None
    assert filling.growth.low > 0.01
    assert filling.state == "unclear"
    growing = backlog_growth(arrived, [np.array([0.0, 40 + extra, 80 + extra]) for extra in (0, 1, 0, 1)])
    assert growing.state == "overloaded"
