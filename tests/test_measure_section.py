"""Sectioning: intervals over replications, checked against a reference library and by their coverage of M/M/1."""

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from lindley import mm1_responses
from oracles.independent import independent_quantile
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.section import (
    MINIMUM_EXCURSIONS,
    interval_about,
    sectioned_mean,
    sectioned_quantiles,
    sectioned_ratio,
    wider_by_shares,
)

SAMPLES = st.lists(
    arrays(np.float64, st.integers(1, 30), elements=st.floats(0, 1e4).map(lambda x: round(x, 3))),
    min_size=2,
    max_size=8,
)


def sectioned_quantile(
    samples: list[np.ndarray], p: float, level: float = 0.95, minimum_excursions: int = MINIMUM_EXCURSIONS
) -> IntervalEstimate:
    return sectioned_quantiles(samples, (p,), level, minimum_excursions)[p]


def test_the_mean_of_equal_replications_has_the_classical_interval() -> None:
    samples = np.random.default_rng(1).gamma(2.0, size=(9, 50))
    expected = stats.ttest_1samp(samples.mean(axis=1), 0).confidence_interval(0.9)
    estimate = sectioned_mean(list(samples), level=0.9)
    assert estimate.value == pytest.approx(samples.mean())
    assert (estimate.low, estimate.high) == (pytest.approx(expected.low), pytest.approx(expected.high))
    assert estimate.n == 450


def test_a_quantile_by_hand() -> None:
    # pooled 1..12: the median is 6; own medians 2, 6, 10, so S^2 = (16 + 0 + 16) / 2; t(2) = 4.3027
    samples = [np.array([1.0, 2, 3, 4]), np.array([5.0, 6, 7, 8]), np.array([9.0, 10, 11, 12])]
    estimate = sectioned_quantile(samples, 0.5, minimum_excursions=0)
    assert estimate.value == 6
    assert estimate.half_width == pytest.approx(4.302653 * 4 / math.sqrt(3), rel=1e-6)


def test_shares_tell_more_than_own_quantiles_where_the_sample_has_a_gap_beside_the_value_by_hand() -> None:
    # Of 100 values each replication holds 48, 50, 50 and 52 up to the median, which lies at the end of a gap of 10.
    shares, weights = np.array([0.48, 0.5, 0.5, 0.52]), np.ones(4)
    off = np.array([0.02, 0.0, 0.0, -0.02])
    half = stats.t.ppf(0.975, 3) * math.sqrt(2 * 0.02**2 / 3) / 2

    def pooled(p: float) -> float:
        return 20.0 if p > 0.5 else 10.0 - (0.5 - p)

    own = np.array([1.0, 0, 0, -1.0])
    told = wider_by_shares(own, weights, shares, 0.5, pooled, (0.4, 0.6))
    np.testing.assert_allclose(told, off * math.hypot(10, half) / math.sqrt(2) / half)
    # Not where the sample is not known as far as that, where own quantiles tell more, and for one replication.
    assert wider_by_shares(own, weights, shares, 0.5, pooled, (0.5 - half / 2, 0.6)) is own
    far = 20 * own
    assert wider_by_shares(far, weights, shares, 0.5, pooled, (0.4, 0.6)) is far
    assert wider_by_shares(own[:1], weights[:1], shares[:1], 0.5, pooled, (0.4, 0.6)).size == 1
    assert wider_by_shares(own, weights, np.full(4, 0.5), 0.5, pooled, (0.4, 0.6)) is own


def test_a_quantile_between_two_points_of_a_lattice_has_an_interval_that_reaches_them() -> None:
    # The median is 0, half-way between narrow peaks at -0.5 and 0.5; invented, from the law the median is known.
    random, replications, size = np.random.default_rng(3), 16, 2000
    held = alone = 0
    for _ in range(200):
        peaks = np.floor(random.normal(0.0, 5.0, (replications, size))) + 0.5
        samples = list(peaks + random.normal(0.0, 0.06, peaks.shape))
        estimate = sectioned_quantile(samples, 0.5)
        held += abs(estimate.value) <= estimate.half_width
        own = np.sort(samples, axis=1)[:, size // 2 - 1] - estimate.value
        alone += abs(estimate.value) <= interval_about(estimate.value, own, 1).half_width
    assert 180 <= held <= 199
    assert alone < 20  # what the shares are for: the own medians alone say far too little


def test_a_short_replication_moves_the_interval_of_a_quantile_by_its_share() -> None:
    # the pooled median is 3, the own ones 3 and 2; the second holds 2 of 8, so that e = 0 and (2/4)(2 - 3)
    samples = [np.array([1.0, 2, 3, 4, 5, 6]), np.array([2.0, 9])]
    estimate = sectioned_quantile(samples, 0.5, minimum_excursions=0)
    assert estimate.value == 3
    assert estimate.half_width == pytest.approx(12.7062 * 0.5 / math.sqrt(2), rel=1e-5)


def test_a_ratio_weighs_long_replications_more() -> None:
    # 30 requests in 10 s and 1 in 1 s: 31/11, residuals 30 - 310/11 and 1 - 31/11, over a mean of 5.5 s
    estimate = sectioned_ratio([30, 1], [10, 1])
    assert estimate.value == pytest.approx(31 / 11)
    spread = math.sqrt(2 * ((30 - 310 / 11) / 5.5) ** 2)
    assert estimate.half_width == pytest.approx(12.7062 * spread / math.sqrt(2), rel=1e-5)


def test_what_was_not_observed_is_unknown_and_not_zero() -> None:
    nothing = np.array([])
    assert sectioned_mean([nothing, nothing]).value is None
    assert sectioned_quantile([nothing, np.ones(9)], 0.5).value is None
    assert "replication 0" in sectioned_quantile([nothing, np.ones(9)], 0.5).method
    assert sectioned_ratio([0, 0], [0, 0]).value is None
    assert sectioned_ratio([0, 0], [5, 5]).value == 0


def test_one_replication_gives_a_value_without_an_interval() -> None:
    estimate = sectioned_mean([np.array([1.0, 3.0])])
    assert (estimate.value, estimate.low, estimate.high) == (2.0, None, None)
    assert "one replication" in estimate.method


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_a_request_that_never_completed_is_refused(bad: float) -> None:
    samples = [np.array([1.0, bad]), np.array([1.0, 2.0])]
    with pytest.raises(ValueError, match="finite"):
        sectioned_mean(samples)
    with pytest.raises(ValueError, match="finite"):
        sectioned_quantile(samples, 0.5)


def test_arguments_out_of_range_are_refused() -> None:
    samples = [np.ones(3), np.ones(3)]
    for p in (0.0, 1.0, math.nan):
        with pytest.raises(ValueError, match="probability"):
            sectioned_quantile(samples, p)
    for level in (0.0, 1.0):
        with pytest.raises(ValueError, match="level"):
            sectioned_mean(samples, level)
        with pytest.raises(ValueError, match="level"):
            sectioned_mean(samples[:1], level)
    with pytest.raises(ValueError, match="replication"):
        sectioned_quantile([], 0.5)
    with pytest.raises(ValueError, match="negative"):
        sectioned_ratio([1, 1], [1, -1])
    with pytest.raises(ValueError, match="dimension"):
        sectioned_mean([np.ones((2, 2))])


@given(SAMPLES, st.sampled_from([0.25, 0.5, 0.9, 0.99]))
def test_the_interval_holds_the_pooled_value_and_widens_with_the_level(
    samples: Sequence[np.ndarray], p: float
) -> None:
    pooled = np.concatenate(samples)
    for estimate, wider, value in (
        (sectioned_mean(samples), sectioned_mean(samples, 0.99), pooled.mean()),
        (
            sectioned_quantile(samples, p, minimum_excursions=0),
            sectioned_quantile(samples, p, 0.99, minimum_excursions=0),
            np.quantile(pooled, p, method="inverted_cdf"),
        ),
    ):
        assert estimate.value == pytest.approx(value)
        assert estimate.low <= estimate.value <= estimate.high
        assert wider.low <= estimate.low
        assert wider.high >= estimate.high


@given(SAMPLES, st.integers(-20, 20), st.randoms(use_true_random=False))
def test_a_change_of_unit_or_of_the_order_of_replications_changes_nothing_else(
    samples: list[np.ndarray], exponent: int, random: object
) -> None:
    factor = 2.0**exponent  # a power of two, so that scaling itself rounds nothing
    shuffled = list(samples)
    random.shuffle(shuffled)
    for make in (sectioned_mean, lambda s: sectioned_quantile(s, 0.9, minimum_excursions=0)):
        plain = make(samples)
        scaled = make([factor * sample for sample in samples])
        again = make(shuffled)
        assert scaled.value == pytest.approx(factor * plain.value, rel=1e-12)
        assert scaled.half_width == pytest.approx(factor * plain.half_width, rel=1e-9, abs=1e-9 * factor)
        assert again.value == pytest.approx(plain.value, rel=1e-12)
        assert again.half_width == pytest.approx(plain.half_width, rel=1e-9, abs=1e-9)


def test_the_samples_are_left_as_they_were() -> None:
    samples = [np.random.default_rng(2).random(100) for _ in range(3)]
    kept = [sample.copy() for sample in samples]
    sectioned_quantiles(samples, (0.5, 0.9))
    assert all(np.array_equal(sample, copy) for sample, copy in zip(samples, kept, strict=True))


def test_a_quantile_seen_in_few_spells_is_refused_however_many_observations_lie_beyond_it() -> None:
    rng = np.random.default_rng(3)
    scattered = [rng.random(4_000) for _ in range(4)]
    gathered = [np.sort(sample) for sample in scattered]
    assert sectioned_quantile(scattered, 0.99).value == pytest.approx(0.99, abs=0.01)
    assert sectioned_quantile([*scattered[1:], gathered[0]], 0.99).value is None
    refused = sectioned_quantile(gathered, 0.99)
    assert refused.value is None
    assert refused.n == 16_000
    assert "excursions beyond p99 in replication" in refused.method


def test_the_bar_may_differ_between_quantiles() -> None:
    samples = [np.random.default_rng(4).random(500) for _ in range(4)]
    estimates = sectioned_quantiles(samples, (0.9, 0.99), minimum_excursions={0.9: 12, 0.99: 1})
    assert estimates[0.9].value is not None
    assert estimates[0.99].value is not None
    assert sectioned_quantile(samples, 0.99).value is None


def test_a_server_that_never_queues_has_a_known_quantile_once_the_sample_is_long_enough() -> None:
    constant = [np.full(1_200, 0.5) for _ in range(4)]
    assert sectioned_quantile(constant, 0.99).as_dict() | {"method": ""} == {
        "value": 0.5,
        "low": 0.5,
        "high": 0.5,
        "n": 4_800,
        "method": "",
    }
    assert sectioned_quantile([sample[:1_100] for sample in constant], 0.99).value is None
    # one spell of slow requests, too short to move p99: no replication shows anything but the usual latency
    stalled = [np.concatenate([sample, [9.0] * 5]) for sample in constant]
    assert sectioned_quantile(stalled, 0.99).value == 0.5
    assert sectioned_quantile(stalled, 0.999).value is None


def coverage(estimates: list, exact: float, narrowed: float = 1.0) -> float:
    """Share of the intervals, narrowed about their values, that hold the exact figure."""
    return float(np.mean([abs(e.value - exact) <= narrowed * e.half_width for e in estimates]))


def test_intervals_of_sectioning_hold_the_exact_figures_of_mm1_as_often_as_they_say() -> None:
    # M/M/1: the response time is exponential with rate 1 - rho (Kleinrock, Queueing Systems I, 1975, from memory)
    rho, runs, requests = 0.8, 200, 8_000
    rng = np.random.default_rng(2024)
    means, medians, tails, naive = [], [], [], []
    for _ in range(runs):
        samples = [replication[requests // 10 :] for replication in mm1_responses(rho, 16, requests, rng)]
        quantiles = sectioned_quantiles(samples, (0.5, 0.95), minimum_excursions=0)
        means.append(sectioned_mean(samples))
        medians.append(quantiles[0.5])
        tails.append(quantiles[0.95])
        naive.append(independent_quantile(np.concatenate(samples), 0.95))
    exact = {"mean": 1 / (1 - rho), 0.5: math.log(2) / (1 - rho), 0.95: math.log(20) / (1 - rho)}
    # bound: the binomial 99.9 % interval of 200 draws at 95 %
    low, high = stats.binom.interval(0.999, runs, 0.95)
    for estimates, figure in ((means, exact["mean"]), (medians, exact[0.5]), (tails, exact[0.95])):
        assert low <= runs * coverage(estimates, figure) <= high
        # power: intervals seven tenths as wide are caught
        assert runs * coverage(estimates, figure, narrowed=0.7) < low
    # and so is taking the requests of a queue for independent
    assert runs * coverage(naive, exact[0.95]) < low / 2
