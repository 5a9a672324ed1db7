"""Order statistics of independent observations against printed tables and a reference library."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from oracles.independent import (
    coverage_of_ranks,
    independent_quantile,
    order_statistic_ranks,
    smallest_sample,
)

PUBLISHED = tomllib.loads(
    (Path(__file__).parent.parent / "shared/published/measurement.toml").read_text("utf-8")
)


@pytest.mark.parametrize("case", PUBLISHED["order_statistics"]["cases"], ids=str)
def test_the_ranks_about_a_quantile_are_the_published_ones(case: dict) -> None:
    ranks = order_statistic_ranks(case["n"], case["p"], PUBLISHED["order_statistics"]["level"])
    assert ranks == tuple(case["ranks"])
    assert coverage_of_ranks(case["n"], case["p"], ranks) == pytest.approx(case["coverage"], abs=5e-5)


@given(st.integers(1, 400), st.floats(0.02, 0.98), st.floats(0.5, 0.99))
def test_ranks_cover_what_they_promise_and_would_not_one_further_in(n: int, p: float, level: float) -> None:
    ranks = order_statistic_ranks(n, p, level)
    tail = (1 - level) / 2
    if ranks is None:
        # the least or the greatest observation alone errs with more than half of what is allowed
        assert max(stats.binom.cdf(0, n, p), stats.binom.sf(n - 1, n, p)) > tail * (1 - 1e-9)
        return
    low, high = ranks
    assert coverage_of_ranks(n, p, ranks) >= level - 1e-9
    assert stats.binom.cdf(low - 1, n, p) <= tail * (1 + 1e-9)
    assert stats.binom.cdf(low, n, p) > tail * (1 - 1e-9)
    assert stats.binom.sf(high - 2, n, p) > tail * (1 - 1e-9)


def test_the_interval_agrees_with_the_reference_library() -> None:
    sample = np.random.default_rng(1).exponential(size=500)
    for p in (0.5, 0.9, 0.95):
        expected = stats.quantile_test(sample, q=0, p=p).confidence_interval(0.95)
        estimate = independent_quantile(sample, p)
        assert (estimate.low, estimate.high) == (expected.low, expected.high)
        assert estimate.value == np.quantile(sample, p, method="inverted_cdf")


def test_the_smallest_sample_whose_greatest_bounds_a_quantile_is_the_published_one() -> None:
    published = PUBLISHED["smallest_sample"]
    assert [smallest_sample(p, published["level"]) for p in published["p"]] == published["n"]


@given(st.floats(0.01, 0.999), st.floats(0.01, 0.999))
def test_one_observation_less_would_not_bound_the_quantile(p: float, level: float) -> None:
    n = smallest_sample(p, level)
    assert p**n <= (1 - level) * (1 + 1e-9)
    assert n == 1 or p ** (n - 1) > (1 - level) * (1 - 1e-9)


def test_a_sample_too_small_for_an_interval_gives_none_with_the_reason() -> None:
    estimate = independent_quantile(np.arange(100.0), 0.99)
    assert estimate.value is None
    assert "100 independent observations" in estimate.method
    assert independent_quantile(np.array([]), 0.5).value is None


def test_intervals_between_order_statistics_cover_as_computed() -> None:
    rng, runs, n, p = np.random.default_rng(2), 2_000, 100, 0.9
    exact = -np.log(1 - p)
    estimates = [independent_quantile(rng.exponential(size=n), p) for _ in range(runs)]
    held = sum(e.low <= exact <= e.high for e in estimates)
    low, high = stats.binom.interval(0.999, runs, coverage_of_ranks(n, p, (84, 96)))
    assert low <= held <= high
    # power: one rank narrower at each end covers 91.6 %, outside the bound
    assert runs * coverage_of_ranks(n, p, (85, 95)) < low
