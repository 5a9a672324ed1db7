"""Least squares and profile intervals: against linear theory, a published example, and by counting. Data are seeded."""

import numpy as np
import pytest
from scipy import stats
from scipy.stats import binomtest

from tailrace.measure.fit import fit, profile_intervals

WIDE = 1e6


def straight(x):
    return lambda theta: theta[0] + theta[1] * x


def test_of_a_linear_model_the_intervals_are_those_of_the_textbook():
    x = np.arange(12.0)
    y = 3 + 0.5 * x + np.random.default_rng(1).normal(0, 0.2, x.size)
    found = fit(straight(x), np.zeros(2), np.full(2, -WIDE), np.full(2, WIDE), y)
    ends = profile_intervals(straight(x), found)
    line = stats.linregress(x, y)
    for (low, high), value, error in zip(
        ends, (line.intercept, line.slope), (line.intercept_stderr, line.stderr), strict=True
    ):
        half = stats.t.ppf(0.975, 10) * error
        assert (low, high) == (
            pytest.approx(value - half, abs=0.02 * error),
            pytest.approx(value + half, abs=0.02 * error),
        )


def test_the_reaction_rates_of_puromycin_have_the_published_estimates_and_profile_intervals():
    # Treadwell's reaction rates (treated cells) and the fit V c/(K + c): Bates and Watts 1988, tables 2.1 and 2.2:
    # 212.7 and 0.06412 with standard errors 6.947 and 0.008281, s = 10.93. Profile intervals 197.30 to 229.29 and
    # 0.04692 to 0.08616: Venables and Ripley, Modern Applied Statistics with S, 2002, section 8.4. All from memory.
    c = np.repeat([0.02, 0.06, 0.11, 0.22, 0.56, 1.1], 2)
    rate = np.array([76, 47, 97, 107, 123, 139, 159, 152, 191, 201, 207, 200.0])

    def saturating(theta):
        return theta[0] * c / (theta[1] + c)

    found = fit(saturating, np.array([100.0, 0.5]), np.array([1.0, 1e-4]), np.array([1e4, 10.0]), rate)
    assert found.theta == pytest.approx([212.7, 0.06412], rel=2e-4)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx([6.947, 0.008281], rel=1e-3)
    assert found.spread == pytest.approx(10.93, rel=1e-3)
    ends = profile_intervals(saturating, found)
    assert ends[0] == pytest.approx([197.30, 229.29], abs=0.05)
    assert ends[1] == pytest.approx([0.04692, 0.08616], abs=5e-5)


def test_what_the_values_leave_open_has_no_end():
    x = np.linspace(0, 1, 20)
    y = 1 + np.random.default_rng(2).normal(0, 0.1, x.size)  # no slope, and so none above some bound

    def with_a_small_part(theta):
        return 1 + np.exp(theta[0]) * x

    found = fit(with_a_small_part, np.array([-3.0]), np.array([-20.0]), np.array([5.0]), y)
    low, high = profile_intervals(with_a_small_part, found)[0]
    assert low == -np.inf
    assert 1 + np.exp(high) * x.mean() == pytest.approx(1.05, abs=0.06)


def test_a_parameter_without_effect_near_the_best_has_the_ends_at_which_it_begins_to_have_one():
    x = np.linspace(0, 1, 30)
    y = 2 * x + np.random.default_rng(5).normal(0, 0.1, x.size)

    def bounded_below(theta):
        return np.maximum(theta[0] * x, theta[1])

    found = fit(bounded_below, np.array([1.0, -3.0]), np.full(2, -20.0), np.full(2, 20.0), y)
    (low, high), (none, bound) = profile_intervals(bounded_below, found)
    assert low < 2 < high
    assert none == -np.inf
    assert 0.05 < bound < 0.5


@pytest.mark.whole
def test_curved_models_are_held_as_often_as_the_intervals_say():
    x = np.array([0.1, 0.3, 0.6, 1.0, 2.0, 4.0])
    true, rng = np.array([1.0, 0.2]), np.random.default_rng(3)

    def decay(theta):
        return theta[0] * np.exp(-np.exp(theta[1]) * x)

    held = np.zeros(2)
    for _ in range(160):
        y = decay(true) + rng.normal(0, 0.15, x.size)
        found = fit(decay, true, true - 4, true + 4, y)
        ends = profile_intervals(decay, found)
        held += (ends[:, 0] <= true) & (true <= ends[:, 1])
    for each in held:
        assert binomtest(int(each), 160, 0.95).pvalue > 0.001


def test_more_values_than_parameters_are_needed():
    with pytest.raises(ValueError, match="2 measured quantities for 2 parameters: more are needed"):
        fit(straight(np.arange(2.0)), np.zeros(2), -np.ones(2), np.ones(2), np.zeros(2))
