"""Distributions by numerical inversion and by sums, against high precision and independent methods."""

import math
from collections.abc import Callable
from itertools import pairwise

import mpmath as mp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tailrace import theory
from tailrace.theory.inversion import invert_tail
from tailrace.theory.quantile import find_root, solve_tail_once

mp.mp.dps = 50

LAWS = [
    theory.Constant(1.0),
    theory.Uniform(0.0, 2.0),
    theory.Uniform(0.4, 1.6),
    theory.Gamma(1.0, 0.25),
    theory.exponential(1.0),
    theory.Gamma(1.0, 3.0),
    theory.Lognormal(1.0, 0.2),
    theory.Lognormal(1.0, 9.0),
    theory.hyperexponential(1.0, 4.0),
    theory.Mixture((0.9, 0.1), (theory.Constant(0.5), theory.Constant(5.5))),
]
NAMES = [f"{type(law).__name__} {law.scv:.2f}" for law in LAWS]


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
def test_moments_tails_and_transforms_of_a_law_agree(law: theory.Law) -> None:
    grid = np.concatenate([np.linspace(0, 10, 60_001), np.geomspace(10, 1e7, 60_001)[1:]])
    tail = law.tail((grid[1:] + grid[:-1]) / 2)

    def mean(function: Callable[[np.ndarray], np.ndarray]) -> float:
        """E f(S) = f(0) + integral of f' P(S > t), by parts: from the tail alone."""
        return float(function(np.zeros(1))[0] + np.diff(function(grid)) @ tail)

    assert mean(lambda t: t) == pytest.approx(law.mean_s, rel=2e-4)
    assert mean(lambda t: t**2) == pytest.approx(law.mean_s**2 * (1 + law.scv), rel=1e-3)
    for s in (0.05, 1.0, 20.0):
        expected = mean(lambda t, s=s: np.exp(-s * t))
        assert law.transform(np.array([s + 0j]))[0] == pytest.approx(expected, rel=2e-4, abs=1e-5)
    for s in (1e-4 + 1e-3j, 0.3 + 0.2j, 2.0 - 3.0j):
        point = np.array([s])
        direct = (1 - law.transform(point)) / (s * law.mean_s)
        assert law.residual_transform(point)[0] == pytest.approx(direct[0], rel=1e-10)
    for x in (0.0, 0.3, 1.0, 4.0):
        beyond = mean(lambda u, x=x: np.maximum(u - x, 0.0)) / law.mean_s
        assert float(law.residual_tail(np.asarray(x))) == pytest.approx(beyond, rel=2e-4, abs=2e-4)


@pytest.mark.parametrize("scv", [0.1, 1.0, 16.0])
@pytest.mark.parametrize(
    "s", [1e-6 + 1e-6j, 0.01 + 0.02j, 0.1 + 0.2j, 1.0 + 3.0j, 5.0 + 100.0j, 1.0 + 5000.0j]
)
def test_the_lognormal_transform_agrees_with_high_precision(scv: float, s: complex) -> None:
    law = theory.Lognormal(1.0, scv)
    with mp.workdps(25):
        variance = mp.log(1 + mp.mpf(scv))
        # Integrated along a line turned nearly by the argument of s, where nothing oscillates.
        turn = -mp.arg(mp.mpc(s)) * mp.mpf("0.95") * 1j

        def integrand(y: mp.mpf) -> mp.mpc:
            return mp.exp(-((y + turn) ** 2) / (2 * variance) - mp.mpc(s) * mp.exp(y + turn - variance / 2))

        width = mp.sqrt(variance)
        total = mp.quad(integrand, [k * width for k in range(-16, 17, 4)])
        expected = total / mp.sqrt(2 * mp.pi * variance)
        residual = (1 - expected) / mp.mpc(s)
        assert abs(mp.mpc(complex(law.transform(np.array([s]))[0])) - expected) < 1e-12
        assert abs(mp.mpc(complex(law.residual_transform(np.array([s]))[0])) / residual - 1) < 1e-9


@pytest.mark.parametrize("law", LAWS[1:9], ids=NAMES[1:9])
def test_inverting_a_transform_gives_back_the_tail(law: theory.Law) -> None:
    # Uniform densities jump at their ends; the points keep away from them.
    for t in (0.2, 0.7, 1.3, 5.0):
        assert invert_tail(law.transform, t) == pytest.approx(float(law.tail(np.asarray(t))), abs=1e-7)


def test_a_jump_of_the_tail_is_refused_and_not_smoothed_over() -> None:
    with pytest.raises(theory.OutsideValidityError, match="jump"):
        invert_tail(theory.Constant(1.0).transform, 1.0001)


def md1_tail_by_the_alternating_sum(t: float, rho: float) -> mp.mpf:
    """Erlang's sum in 120 digits; what it cancels is then far below."""
    with mp.workdps(120):
        x, load = mp.mpf(t), mp.mpf(rho)
        terms = [
            mp.exp(-load * (k - x)) * (load * (k - x)) ** k / mp.factorial(k)
            for k in range(math.floor(t) + 1)
        ]
        return 1 - (1 - load) * mp.fsum(terms)


@pytest.mark.parametrize("rho", [0.05, 0.3, 0.8, 0.95, 0.99, 0.9999])
@pytest.mark.parametrize("t", [0.0, 0.3, 1.0, 1.5, 5.0, 40.0, 100.25])
def test_waits_at_md1_agree_with_120_digits(rho: float, t: float) -> None:
    expected = md1_tail_by_the_alternating_sum(t, rho)
    if expected > mp.mpf(10) ** -35:
        assert theory.md1_wait_tail(t, rho, 1.0) == pytest.approx(float(expected), rel=1e-9)


@pytest.mark.parametrize("rho", [0.1, 0.5, 0.8, 0.95, 0.999])
@pytest.mark.parametrize("t", [0.3, 1.0, 1.5, 2.0, 7.0, 30.0])
def test_inversion_agrees_with_the_sum_at_constant_service_also_at_the_kinks(rho: float, t: float) -> None:
    inverted = theory.mg1_wait_tail(t, rho, theory.Constant(1.0))
    assert abs(inverted - theory.md1_wait_tail(t, rho, 1.0)) / rho < 1e-9


@pytest.mark.parametrize("rho", [0.1, 0.8, 0.99, 0.9999])
@pytest.mark.parametrize("t", [0.01, 1.0, 50.0, 20_000.0])
def test_inversion_agrees_with_the_closed_form_at_exponential_service(rho: float, t: float) -> None:
    law = theory.exponential(1.0)
    assert abs(theory.mg1_wait_tail(t, rho, law) - theory.mmc_wait_tail(t, rho, 1.0)) / rho < 1e-9
    assert abs(theory.mg1_response_tail(t, rho, law) - theory.mmc_response_tail(t, rho, 1.0)) < 1e-9


@pytest.mark.parametrize("t", [0.1, 1.0, 10.0, 100.0])
def test_inversion_agrees_with_partial_fractions_at_hyperexponential_service(t: float) -> None:
    # The wait has two poles: the roots of 1 = lambda sum p_i / (mu_i + s) in high precision.
    rho, law = 0.8, theory.hyperexponential(1.0, 4.0)
    p = [mp.mpf(w) for w in law.weights]
    mu = [1 / mp.mpf(part.mean_s) for part in law.laws]
    a = mp.mpf(1)
    b = mu[0] + mu[1] - rho
    c = mu[0] * mu[1] - rho * (p[0] * mu[1] + p[1] * mu[0])
    root = mp.sqrt(b * b - 4 * a * c)
    poles = [(-b + root) / 2, (-b - root) / 2]
    tail = mp.mpf(0)
    for here, other in (poles, poles[::-1]):
        # Residue of (1 - rho) (s + mu_0) (s + mu_1) / ((s - r_0) (s - r_1)) at a pole; the tail is residue e^(rt) / -r.
        residue = (1 - mp.mpf(rho)) * (here + mu[0]) * (here + mu[1]) / (here - other)
        tail += residue * mp.exp(here * t) / -here
    assert abs(theory.mg1_wait_tail(t, rho, law) - float(tail)) / rho < 1e-9


def wait_by_the_renewal_equation(rho: float, law: theory.Law, t: float, steps: int) -> float:
    """P(W > t) from W(t) = 1 - rho + rho integral of W(t - u) P(S > u) / E S, by the trapezoidal rule."""
    step = t / steps
    u = np.arange(steps + 1) * step
    # The mean of both sides where the density jumps on the grid.
    density = (law.tail(u * (1 - 1e-13)) + law.tail(u * (1 + 1e-13))) / 2 / law.mean_s
    density[0] = 1 / law.mean_s
    ends = law.tail(u * (1 - 1e-13)) / law.mean_s
    below = np.empty(steps + 1)
    below[0] = 1 - rho
    for n in range(1, steps + 1):
        inner = density[1:n] @ below[n - 1 : 0 : -1] + ends[n] * below[0] / 2
        below[n] = (1 - rho + rho * step * inner) / (1 - rho * step * density[0] / 2)
    return float(1 - below[-1])


@pytest.mark.parametrize("law", [LAWS[1], LAWS[3], LAWS[6], LAWS[9]], ids=[NAMES[i] for i in (1, 3, 6, 9)])
@pytest.mark.parametrize("t", [0.5, 2.0, 5.5, 12.0])
def test_inversion_agrees_with_the_renewal_equation_solved_step_by_step(law: theory.Law, t: float) -> None:
    rho = 0.8
    # So many steps that every jump of a service law lies on the grid.
    steps = 1100 if t == 5.5 else 1200
    coarse, fine = (wait_by_the_renewal_equation(rho, law, t, n) for n in (steps, 2 * steps))
    extrapolated = fine + (fine - coarse) / 3
    assert abs(theory.mg1_wait_tail(t, rho, law) - extrapolated) / rho < 1e-6


# Without the wide lognormal, of whose variance a good part lies beyond any horizon.
@pytest.mark.parametrize("law", LAWS[:7] + LAWS[8:], ids=NAMES[:7] + NAMES[8:])
def test_means_and_variances_of_the_wait_are_the_moments_of_its_tail(law: theory.Law) -> None:
    rho = 0.5
    mean = theory.mg1_wait_mean(rho, 1.0, law.scv)
    # W^2 + lambda E S^3 / (3 (1 - rho)): Takacs 1962; Kleinrock, volume 1, 1975, section 5.7 (from memory).
    grid = np.concatenate([np.linspace(0, 10, 60_001), np.geomspace(10, 1e4, 60_001)[1:]])
    third = float(np.diff(grid**3) @ law.tail((grid[1:] + grid[:-1]) / 2))
    variance = mean**2 + rho * third / (3 * (1 - rho))
    # Gauss-Legendre on panels that grow; the tail beyond is below the tolerance.
    nodes, weights = np.polynomial.legendre.leggauss(6)
    edges = np.concatenate([np.linspace(0, 6, 13), np.geomspace(6, 1500, 14)[1:]])
    first = second = 0.0
    for low, high in pairwise(edges):
        t = (low + high) / 2 + (high - low) / 2 * nodes
        tails = np.array([theory.mg1_wait_tail(x, rho, law) for x in t])
        first += (high - low) / 2 * float(weights @ tails)
        second += (high - low) / 2 * float(weights @ (2 * t * tails))
        if tails.max() < 1e-9:
            break
    assert first == pytest.approx(mean, rel=2e-3)
    assert second - first**2 == pytest.approx(variance, rel=2e-2)


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
def test_quantiles_by_inversion_invert_the_tails(law: theory.Law) -> None:
    for p in (0.5, 0.99):
        wait = theory.mg1_wait_quantile(p, 0.7, law)
        response = theory.mg1_response_quantile(p, 0.7, law)
        assert theory.mg1_wait_tail(wait, 0.7, law) == pytest.approx(1 - p, abs=1e-8)
        assert theory.mg1_response_tail(response, 0.7, law) <= 1 - p + 1e-8
        assert theory.mg1_response_tail(response * (1 - 1e-9), 0.7, law) >= 1 - p - 1e-7
        assert wait < response
    assert theory.mg1_wait_quantile(0.3, 0.7, law) == 0


def test_a_quantile_at_a_jump_is_the_place_of_the_jump() -> None:
    # At load 0.1 nine of ten requests find the server idle; nine of ten services take exactly half a second.
    law = theory.Mixture((0.9, 0.1), (theory.Constant(0.5), theory.Constant(5.5)))
    assert theory.mg1_response_quantile(0.5, 0.1, law) == pytest.approx(0.5, rel=1e-9)
    assert theory.mg1_response_tail(0.4999, 0.1, law) == 1
    assert theory.mg1_response_tail(0.5, 0.1, law) == pytest.approx(0.1 + 0.9 * 0.1, abs=1e-9)


def test_response_at_md1_is_the_wait_and_one_service() -> None:
    assert theory.md1_response_quantile(0.99, 0.8, 1.0) == theory.md1_wait_quantile(0.99, 0.8, 1.0) + 1
    assert theory.mg1_response_quantile(0.99, 0.8, theory.Constant(1.0)) == pytest.approx(
        theory.md1_response_quantile(0.99, 0.8, 1.0), rel=1e-9
    )
    assert theory.mg1_response_mean(0.8, 1.0, 0.0) == pytest.approx(3.0)


def test_the_unit_of_time_does_not_matter() -> None:
    micro = theory.mg1_wait_quantile(0.99, 0.8e6, theory.Gamma(1e-6, 0.5))
    assert micro == pytest.approx(
        1e-6 * theory.mg1_wait_quantile(0.99, 0.8, theory.Gamma(1.0, 0.5)), rel=1e-8
    )
    assert theory.md1_wait_quantile(0.99, 0.8e6, 1e-6) == pytest.approx(
        1e-6 * theory.md1_wait_quantile(0.99, 0.8, 1.0), rel=1e-10
    )


@given(st.floats(0.01, 40.0), st.floats(0.05, 0.95), st.floats(0.05, 6.0))
@settings(deadline=None, max_examples=40)
def test_tails_of_waits_fall_and_stay_between_none_and_the_waiting_share(
    t: float, rho: float, scv: float
) -> None:
    law = theory.two_moment_law(1.0, scv)
    here, later = (theory.mg1_wait_tail(x, rho, law) for x in (t, 1.1 * t))
    assert -1e-9 <= later <= here + 1e-9
    assert here <= rho + 1e-9
    assert theory.mg1_response_tail(t, rho, law) >= here - 1e-9


@given(st.floats(0.05, 20.0))
@settings(deadline=None)
def test_a_two_moment_law_has_these_moments(scv: float) -> None:
    law = theory.two_moment_law(2.5, scv)
    assert law.mean_s == pytest.approx(2.5, rel=1e-12)
    assert law.scv == pytest.approx(scv, rel=1e-9)
    assert theory.two_moment_law(2.5, 0.0) == theory.Constant(2.5)


@given(st.floats(-50, 50), st.floats(0.1, 9.0))
@settings(deadline=None)
def test_roots_are_found_of_smooth_and_of_jumping_functions(root: float, steepness: float) -> None:
    found = find_root(lambda x: math.tanh(steepness * (x - root)) + (x - root) ** 3, root - 37.0, root + 11.0)
    assert found == pytest.approx(root, abs=1e-11)
    assert find_root(lambda x: 1.0 if x < root else -1.0, root - 3.0, root + 1.0) == pytest.approx(
        root, abs=1e-10
    )


def test_a_tail_that_never_falls_is_refused() -> None:
    with pytest.raises(theory.OutsideValidityError, match="does not fall"):
        solve_tail_once(lambda _: 0.5, 0.01, 1.0)
