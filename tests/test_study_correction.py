"""Closed forms that a simulation corrects: on models whose truth is known. Data are seeded."""

import numpy as np
import pytest

from tailrace.fit.correction import correct, fit_through
from tailrace.measure.fit import fit, profile_intervals

X = np.linspace(0.2, 3.0, 14)
TRUE = np.array([0.3, -0.2])


def rough(theta):
    return theta[0] + np.exp(theta[1]) * X


def exact(theta):
    """What the simulation would say without noise: other in level, and in what the second parameter does."""
    return rough(theta) + 0.1 * np.sin(2 * X) - 0.3 + 0.2 * theta[1] * X**2


class Simulation:
    """The same with noise, that calls of one draw have in common as far as the parameters are the same."""

    def __init__(self, noise):
        self.noise = noise

    def __call__(self, theta, draw, rough=False):
        del rough  # as long as the others
        key = [draw, *np.round(1e6 * (theta + 10)).astype(int)]
        return exact(theta) + self.noise * np.random.default_rng(key).normal(size=X.size)


def fitted_to(measured):
    return lambda model, begin: fit(model, begin, TRUE - 3, TRUE + 3, measured)


def test_level_and_slope_are_those_of_the_simulation():
    corrected = correct(rough, Simulation(0.0), TRUE, np.array([0.3, 0.3]), 1)
    for move in ([0.2, 0.0], [0.0, 0.2], [-0.1, 0.25]):
        theta = TRUE + move
        assert corrected.model(theta) == pytest.approx(exact(theta), abs=1e-9)
    assert corrected.noise == pytest.approx(np.zeros(X.size), abs=1e-12)


def test_parameters_are_found_that_the_closed_forms_alone_would_miss():
    measured = exact(TRUE) + np.random.default_rng(4).normal(0, 0.01, X.size)
    fitted = fitted_to(measured)
    start = fitted(rough, np.array([1.0, 1.0]))
    assert np.abs(start.theta - TRUE).max() > 0.2
    model, found, apart = fit_through(rough, Simulation(0.002), fitted, start)
    assert found.theta == pytest.approx(TRUE, abs=0.03)
    assert apart == 0.0
    ends = profile_intervals(model, found)
    assert ((ends[:, 0] < TRUE) & (ends[:, 1] > TRUE)).all()


def test_a_simulation_that_no_correction_follows_is_told():
    def jagged(theta, draw, rough=False):
        return exact(theta) + 0.2 * np.sign(np.sin(40 * theta[0])) * X

    fitted = fitted_to(exact(TRUE))
    _, _, apart = fit_through(rough, jagged, fitted, fitted(rough, TRUE))
    assert apart > 0.03
