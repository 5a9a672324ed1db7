"""Paired differences: common random numbers tell apart what independent runs cannot."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from lindley import mm1_responses
from tailrace.measure.paired import Paired, paired_sections
from tailrace.measure.section import MINIMUM_EXCURSIONS, mean_sections, quantile_sections


def paired_mean(first: list[np.ndarray], second: list[np.ndarray]) -> Paired:
    return paired_sections(mean_sections(first), mean_sections(second))


def paired_quantile(
    first: list[np.ndarray], second: list[np.ndarray], p: float, excursions: int = MINIMUM_EXCURSIONS
) -> Paired:
    return paired_sections(*(quantile_sections(each, (p,), excursions)[p] for each in (first, second)))


def test_the_difference_of_means_has_the_interval_of_the_paired_t_test() -> None:
    rng = np.random.default_rng(1)
    first, second = rng.gamma(2.0, size=(10, 40)), rng.gamma(2.5, size=(10, 40))
    expected = stats.ttest_rel(second.mean(axis=1), first.mean(axis=1)).confidence_interval(0.95)
    difference = paired_mean(list(first), list(second)).difference
    assert difference.value == pytest.approx(second.mean() - first.mean())
    assert (difference.low, difference.high) == (pytest.approx(expected.low), pytest.approx(expected.high))


@given(
    arrays(np.float64, (4, 20), elements=st.floats(1, 100)),
    st.sampled_from([0.5, 2.0, 4.0]),
    st.floats(-5, 5),
)
def test_a_design_that_multiplies_or_shifts_every_latency_is_known_exactly(
    first: np.ndarray, factor: float, shift: float
) -> None:
    for p in (0.5, 0.9):
        multiplied = paired_quantile(list(first), list(factor * first), p, 0).ratio
        assert multiplied.value == pytest.approx(factor)
        assert multiplied.half_width == pytest.approx(0, abs=1e-12)
    shifted = paired_mean(list(first), list(first + shift)).difference
    assert shifted.value == pytest.approx(shift, abs=1e-9)
    assert shifted.half_width == pytest.approx(0, abs=1e-9)


@given(arrays(np.float64, (2, 4, 15), elements=st.floats(1, 100)))
def test_exchanging_the_designs_turns_the_difference_round(both: np.ndarray) -> None:
    first, second = list(both[0]), list(both[1])
    there = paired_quantile(first, second, 0.9, 0)
    back = paired_quantile(second, first, 0.9, 0)
    assert back.difference.value == -there.difference.value
    assert back.difference.half_width == pytest.approx(there.difference.half_width, abs=1e-12)
    assert back.ratio.value == pytest.approx(1 / there.ratio.value)


def test_common_random_numbers_tell_apart_what_independent_runs_cannot() -> None:
    # M/M/1: the response time is exponential with rate 1 - rho (Kleinrock, Queueing Systems I, 1975, from memory)
    runs, exact = 30, np.log(20) / 0.31 - np.log(20) / 0.30
    common, apart = [], []
    for seed in range(runs):
        slow, fast, other = (
            list(mm1_responses(utilisation, 12, 10_000, np.random.default_rng((seed, stream))))
            for utilisation, stream in ((0.70, 0), (0.69, 0), (0.69, 1))
        )
        common.append(paired_quantile(slow, fast, 0.95).difference)
        apart.append(paired_quantile(slow, other, 0.95).difference)
    assert all(difference.high < 0 for difference in common)
    assert sum(difference.high < 0 for difference in apart) < runs / 2
    assert np.mean([d.half_width for d in common]) < np.mean([d.half_width for d in apart]) / 5
    # both are honest: fewer than 24 of 30 at 95 % has a chance of 0.06 %
    for differences in (common, apart):
        assert sum(d.low <= exact <= d.high for d in differences) >= 24


def test_a_quantile_that_one_design_does_not_support_has_no_difference() -> None:
    rng = np.random.default_rng(2)
    long, short = [rng.random(3_000) for _ in range(4)], [rng.random(50) for _ in range(4)]
    pair = paired_quantile(long, short, 0.99)
    assert (pair.difference.value, pair.ratio.value) == (None, None)
    assert pair.difference.method.startswith("second: ")


def test_no_ratio_to_nothing() -> None:
    pair = paired_mean([np.zeros(5)] * 3, [np.ones(5)] * 3)
    assert pair.difference.value == 1
    assert pair.ratio.value is None


def test_designs_with_different_numbers_of_replications_are_refused() -> None:
    with pytest.raises(ValueError, match="one to one"):
        paired_mean([np.ones(3)] * 2, [np.ones(3)] * 3)
