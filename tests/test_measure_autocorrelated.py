"""Batch means and the effective sample size, against series whose asymptotic variance is known exactly."""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy import signal, stats

from lindley import mm1
from tailrace.measure import autocorrelated
from tailrace.measure.autocorrelated import batch_means, effective_sample_size

PUBLISHED = tomllib.loads(
    (Path(__file__).parent.parent / "shared/published/measurement.toml").read_text("utf-8")
)["mm1_wait_variance"]


def autoregressive(phi: float, n: int, rng: np.random.Generator) -> np.ndarray:
    """x_i = phi x_{i-1} + noise; its mean of n is as certain as that of n (1 - phi) / (1 + phi) independent ones."""
    return np.asarray(signal.lfilter([1.0], [1.0, -phi], rng.normal(size=n + 1_000))[1_000:])


def test_batch_means_by_hand() -> None:
    # batches of two after the odd one: means 1, 3, 5; s = 2, t(2) = 4.3027
    estimate = batch_means(np.array([99.0, 0, 2, 2, 4, 4, 6]), batches=3)
    assert estimate.value == 3
    assert estimate.half_width == pytest.approx(4.302653 * 2 / math.sqrt(3), rel=1e-6)
    assert estimate.n == 6


def test_batch_means_cover_the_mean_wait_of_mm1_and_find_its_asymptotic_variance() -> None:
    # Law and Kelton, Simulation Modeling and Analysis (from memory): b = 20 batches, each long against the correlation
    rho, runs, batches, length = 0.8, 200, 20, 20_000
    index = PUBLISHED["utilisation"].index(rho)
    exact, variance = PUBLISHED["mean_wait"][index], PUBLISHED["asymptotic_variance"][index]
    rng = np.random.default_rng(7)
    estimates = []
    for _ in range(runs):
        _, wait, _ = mm1(rho, 1, batches * length + 2_000, rng)
        estimates.append(batch_means(wait[0, 2_000:], batches))
    held = np.mean([abs(e.value - exact) <= e.half_width for e in estimates])
    assert 0.91 <= held <= 0.99
    # power: intervals three fifths as wide fall out
    assert np.mean([abs(e.value - exact) <= 0.6 * e.half_width for e in estimates]) < 0.91
    t = stats.t.ppf(0.975, batches - 1)
    found = np.array([length * batches * (e.half_width / t) ** 2 for e in estimates])
    error = found.std(ddof=1) / math.sqrt(runs)
    assert abs(found.mean() - variance) < 4 * error
    assert error < 0.05 * variance


def test_batches_too_short_or_too_few_are_told() -> None:
    assert batch_means(np.ones(7), batches=8).value is None
    with pytest.raises(ValueError, match="two batches"):
        batch_means(np.ones(7), batches=1)
    with pytest.raises(ValueError, match="finite"):
        batch_means(np.array([1.0, np.inf, 1.0]), batches=2)


@pytest.mark.parametrize("phi", [0.3, 0.9, 0.99])
def test_the_effective_size_of_an_autoregressive_series_is_the_exact_one(phi: float) -> None:
    # Fuller, Introduction to Statistical Time Series (from memory): variance of the mean, (1 + phi) / (1 - phi)
    n = 400_000
    size = effective_sample_size(autoregressive(phi, n, np.random.default_rng(11)))
    assert size == pytest.approx(n * (1 - phi) / (1 + phi), rel=0.1)


def test_the_effective_size_of_mm1_waits_follows_from_their_asymptotic_variance() -> None:
    rho, n = 0.8, 2_000_000
    variance = PUBLISHED["asymptotic_variance"][PUBLISHED["utilisation"].index(rho)]
    of_one = rho * (2 - rho) / (1 - rho) ** 2  # variance of a single wait, M/M/1 with service time 1
    _, wait, _ = mm1(rho, 1, n, np.random.default_rng(12))
    size = effective_sample_size(wait[0])
    assert size == pytest.approx(n * of_one / variance, rel=0.15)


def test_independent_observations_count_in_full_and_never_more() -> None:
    rng = np.random.default_rng(13)
    assert effective_sample_size(rng.normal(size=50_000)) == pytest.approx(50_000, rel=0.05)
    assert effective_sample_size(np.tile([0.0, 1.0], 500)) == 1_000
    # their mean is three times as certain as that of independent ones, which is not claimed
    assert effective_sample_size(autoregressive(-0.5, 20_000, rng)) == 20_000


def test_the_effective_size_agrees_with_a_sum_over_lags_by_hand() -> None:
    # a seed whose pairs of covariances rise once before they turn negative
    series = autoregressive(0.95, 61, np.random.default_rng(35))
    centred = series - series.mean()
    covariances = [sum(a * b for a, b in zip(centred, centred[lag:], strict=False)) / 61 for lag in range(30)]
    total, least = -covariances[0], math.inf
    for even, odd in zip(covariances[::2], covariances[1::2], strict=True):
        if even + odd <= 0:
            break
        least = min(least, even + odd)
        total += 2 * least
    assert effective_sample_size(series) == pytest.approx(61 * covariances[0] / total, rel=1e-9)


def test_a_long_series_in_pieces_gives_what_it_gives_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    series = autoregressive(0.9, 200_000, np.random.default_rng(14))
    whole = effective_sample_size(series)
    monkeypatch.setattr(autocorrelated, "LONGEST_PIECE", 30_000)
    assert effective_sample_size(series) == pytest.approx(whole, rel=0.05)
    assert effective_sample_size(series) != whole


def test_a_series_without_variation_has_no_effective_size() -> None:
    assert effective_sample_size(np.full(100, 3.0)) is None
    assert effective_sample_size(np.array([1.0, 2.0])) is None
    with pytest.raises(ValueError, match="finite"):
        effective_sample_size(np.array([1.0, np.nan, 2.0, 3.0]))
