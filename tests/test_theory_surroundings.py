"""Fork-join, caches, flash and run length: independent computations, limits and properties."""

import itertools
import math
import re
import subprocess
import sys

import mpmath as mp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import lil_matrix
from scipy.sparse.linalg import spsolve
from scipy.special import lambertw

from oracles.bounds import fork_join_response_bounds
from oracles.caches import characteristic_time, che_hit_ratio, lru_hit_ratio, static_hit_ratio
from oracles.run_length import mm1_number_asymptotic_variance, mm1_wait_asymptotic_variance, run_length_needed
from tailrace import theory
from tailrace.physics import cache, flash
from tailrace.physics.zipf import zipf_law, zipf_probability


def mean_in_fork_join_of_two(arrival_rate: float, size: int) -> float:
    """Mean number of requests not yet joined at two exponential stations of rate 1, from the truncated chain."""
    states = size * size
    generator = lil_matrix((states, states))
    for a, b in itertools.product(range(size), repeat=2):
        here = a * size + b
        for rate, x, y in ((arrival_rate, a + 1, b + 1), (1.0, a - 1, b), (1.0, a, b - 1)):
            if 0 <= x < size and 0 <= y < size:
                generator[x * size + y, here] += rate
                generator[here, here] -= rate
    generator[-1, :] = 1.0
    right = np.zeros(states)
    right[-1] = 1.0
    p = spsolve(generator.tocsc(), right).reshape(size, size)
    longer = np.maximum(*np.indices((size, size)))
    return float(np.sum(p * longer))


def test_a_fork_join_of_two_agrees_with_the_chain_solved_numerically() -> None:
    # Little's law: a request is present until the longer queue has passed it.
    assert mean_in_fork_join_of_two(0.5, 45) / 0.5 == pytest.approx(
        theory.fork_join_response_mean(2, 0.5, 1.0), rel=1e-6
    )


@given(st.integers(1, 32), st.floats(0.01, 0.98))
@settings(deadline=None)
def test_the_fork_join_formula_lies_between_its_bounds(members: int, utilisation: float) -> None:
    mean = theory.fork_join_response_mean(members, utilisation, 1.0)
    low, high = fork_join_response_bounds(members, utilisation, 1.0)
    assert low * (1 - 1e-12) <= mean <= high * (1 + 1e-12)
    assert theory.fork_join_response_mean(members + 1, utilisation, 1.0) > mean


def test_a_fork_join_of_one_is_a_station_and_at_no_load_a_maximum() -> None:
    assert theory.fork_join_response_mean(1, 0.8, 1.0) == pytest.approx(5.0, rel=1e-12)
    assert theory.fork_join_response_quantile_bound(0.99, 1, 0.8, 1.0) == pytest.approx(
        theory.mmc_response_quantile(0.99, 0.8, 1.0), rel=1e-12
    )
    light = theory.fork_join_response_mean([2, 5, 30], 1e-9, 1.0)
    assert light == pytest.approx(theory.maximum_mean_exponential([2, 5, 30], 1.0), rel=1e-6)
    harmonic = [math.fsum(1 / k for k in range(1, n + 1)) for n in (2, 5, 30, 100_000)]
    assert theory.maximum_mean_exponential([2, 5, 30, 100_000], 2.0) == pytest.approx(
        2 * np.array(harmonic), rel=1e-12
    )


@given(st.floats(1e-20, 1.0), st.integers(1, 1000))
@settings(deadline=None)
def test_the_tail_of_a_maximum_is_one_less_the_power(tail: float, members: int) -> None:
    with mp.workdps(60):
        expected = float(1 - (1 - mp.mpf(tail)) ** members)
    assert theory.maximum_tail(tail, members) == pytest.approx(expected, rel=1e-12, abs=1e-300)


@given(st.floats(0.01, 0.9999), st.integers(1, 1000))
@settings(deadline=None)
def test_the_level_of_one_member_gives_the_level_of_the_maximum(p: float, members: int) -> None:
    level = theory.maximum_level(p, members)
    assert theory.maximum_tail(1 - level, members) == pytest.approx(1 - p, rel=1e-9)
    assert level >= p
    bound = theory.fork_join_response_quantile_bound(p, members, 0.5, 1.0)
    assert bound == pytest.approx(theory.mmc_response_quantile(level, 0.5, 1.0), rel=1e-6)


def lru_hits_by_orders(shares: np.ndarray, capacity: int) -> float:
    """King's sum over every ordered content of the cache, one by one."""
    total = 0.0
    for content in itertools.permutations(shares.tolist(), capacity):
        probability, before = 1.0, 0.0
        for p in content:
            probability *= p / (1 - before)
            before += p
        total += probability * before
    return total


@given(st.lists(st.floats(0.05, 1.0), min_size=2, max_size=6), st.integers(1, 4))
@settings(deadline=None, max_examples=40)
def test_hits_by_sets_agree_with_the_sum_over_orders(weights: list[float], capacity: int) -> None:
    shares = np.array(weights) / sum(weights)
    if capacity < len(weights):
        expected = lru_hits_by_orders(shares, capacity)
        assert lru_hit_ratio(weights, capacity) == pytest.approx(expected, rel=1e-10)
        assert expected <= static_hit_ratio(weights, capacity) * (1 + 1e-12)
    else:
        assert lru_hit_ratio(weights, capacity) == 1


def test_a_uniform_cache_holds_its_share_of_the_requests() -> None:
    assert lru_hit_ratio(np.ones(12), 5) == pytest.approx(5 / 12, rel=1e-12)
    assert che_hit_ratio(np.ones(1000), 300) == pytest.approx(0.3, rel=1e-12)
    assert static_hit_ratio(np.ones(10), 3) == pytest.approx(0.3, rel=1e-12)


@given(
    st.lists(st.floats(0.0, 50.0), min_size=1, max_size=60), st.floats(0.001, 0.9999), st.floats(0.01, 100.0)
)
@settings(deadline=None)
def test_the_characteristic_time_fills_the_cache(rates: list[float], fill: float, speed: float) -> None:
    asked = [rate for rate in rates if rate > 0]
    if not asked or min(asked) < 1e-6:
        return
    capacity = fill * len(asked)
    time = characteristic_time(rates, capacity)
    assert cache.hit_probability(rates, time).sum() == pytest.approx(capacity, rel=1e-9)
    # Twice the requests, half the time.
    assert characteristic_time(np.array(rates) * speed, capacity) == pytest.approx(time / speed, rel=1e-9)


def test_a_cache_for_everything_that_is_asked_for_never_forgets() -> None:
    assert characteristic_time([1.0, 2.0, 0.0], 2) == math.inf
    assert cache.hit_probability([1.0, 0.0], math.inf).tolist() == [1.0, 0.0]
    assert che_hit_ratio([1.0, 2.0, 0.0], 2) == 1.0


@pytest.mark.parametrize("exponent", [0.5, 0.8, 1.0, 1.3])
@pytest.mark.parametrize("capacity", [100, 20_000, 250_000])
def test_popularity_in_groups_moves_a_hit_share_by_less_than_a_hundred_thousandth(
    exponent: float, capacity: int
) -> None:
    law = zipf_law(300_000, exponent)
    groups = cache.popularity_groups(law)
    assert groups.counts.sum() == 300_000
    assert groups.counts.size < 5000
    assert float(groups.counts @ groups.shares) == pytest.approx(1, rel=1e-9)
    shares = zipf_probability(np.arange(300_000), law)
    assert che_hit_ratio(groups.shares, capacity, groups.counts) == pytest.approx(
        che_hit_ratio(shares, capacity), abs=1e-5
    )


def test_two_classes_share_one_characteristic_time_by_their_rates() -> None:
    busy, quiet = np.full(1000, 9.0), np.full(1000, 1.0)
    time = characteristic_time(np.concatenate([busy, quiet]), 500)
    hits = cache.hit_probability([9.0, 1.0], time)
    assert 1000 * hits.sum() == pytest.approx(500, rel=1e-12)
    # Each item is refreshed by its own rate: nine times the rate, the ninth power of the miss probability.
    assert 1 - hits[0] == pytest.approx((1 - hits[1]) ** 9, rel=1e-12)


@pytest.mark.parametrize("overprovisioning", [1e-4, 0.001, 0.07, 0.28, 1.0, 3.0, 10.0, 40.0])
def test_write_amplification_agrees_with_lamberts_function_in_forty_digits(overprovisioning: float) -> None:
    with mp.workdps(40):
        a = 1 + mp.mpf(overprovisioning)
        expected = float(a / (a + mp.lambertw(-a * mp.exp(-a))))
    assert flash.write_amplification(overprovisioning) == pytest.approx(expected, rel=1e-9)


@given(st.floats(0.01, 5.0))
@settings(deadline=None)
def test_write_amplification_is_invertible_and_falls_with_spare_room(overprovisioning: float) -> None:
    value = flash.write_amplification(overprovisioning)
    a = 1 + overprovisioning
    assert value == pytest.approx(float((a / (a + lambertw(-a * math.exp(-a)))).real), rel=1e-8)
    assert flash.overprovisioning_of_amplification(value) == pytest.approx(overprovisioning, rel=1e-9)
    assert value > 1
    assert flash.write_amplification(overprovisioning * 1.01) < value
    # The valid share of the victim block, 1 - 1/A, solves the balance of the oldest block.
    valid = 1 - 1 / value
    assert valid == pytest.approx(math.exp(-a * (1 - valid)), rel=1e-9)


def asymptotic_variance_of_a_chain(rho: float, states: int) -> float:
    """2 sum p f h for the number present, h from Poisson's equation of the truncated M/M/1 chain."""
    generator = np.diag(np.full(states - 1, rho), 1) + np.diag(np.ones(states - 1), -1)
    np.fill_diagonal(generator, -generator.sum(axis=1))
    p = rho ** np.arange(states)
    p /= p.sum()
    centred = np.arange(states) - p @ np.arange(states)
    relative = np.linalg.solve(generator - np.outer(np.ones(states), p), -centred)
    return float(2 * (p * centred) @ relative)


@pytest.mark.parametrize("rho", [0.3, 0.5, 0.8])
def test_the_asymptotic_variance_of_the_number_agrees_with_poissons_equation(rho: float) -> None:
    expected = asymptotic_variance_of_a_chain(rho, 250)
    assert mm1_number_asymptotic_variance(rho, 1.0) == pytest.approx(expected, rel=1e-8)


def test_the_asymptotic_variance_of_the_wait_is_met_by_many_short_runs() -> None:
    # Waits of 400 independent stations side by side by Lindley's recursion, stationary from the start.
    rho, runs, length = 0.5, 400, 4000
    random = np.random.default_rng(42)
    wait = np.where(random.random(runs) < rho, random.exponential(1 / (1 - rho), runs), 0.0)
    total = np.zeros(runs)
    for _ in range(length):
        total += wait
        wait = np.maximum(0.0, wait + random.exponential(1.0, runs) - random.exponential(1 / rho, runs))
    observed = length * np.var(total / length, ddof=1)
    expected = mm1_wait_asymptotic_variance(rho, 1.0)
    # The standard error of a variance of 400 values is 7 %; a factor of rho or of (1 - rho) would be 50 % off.
    assert observed == pytest.approx(expected, rel=0.25)
    assert total.mean() / length == pytest.approx(1.0, rel=0.03)


def test_run_length_grows_with_the_square_of_the_precision() -> None:
    coarse, fine = run_length_needed(4.0, 1976.0, [0.1, 0.01])
    assert fine / coarse == pytest.approx(100)
    assert run_length_needed(4.0, 1976.0, 0.1, 0.99) > coarse
    # Twice as fast a station: the same number of requests, half the seconds.
    slow, fast = (mm1_wait_asymptotic_variance(0.8 * mu, mu) for mu in (1.0, 2.0))
    assert fast == pytest.approx(slow / 4)


REFUSED = {
    "utilisation": [lambda: theory.fork_join_response_mean(2, 1.0, 1.0)],
    "members": [lambda: theory.fork_join_response_mean(0, 0.5, 1.0), lambda: theory.maximum_tail(0.1, 1.5)],
    "tail": [lambda: theory.maximum_tail(1.5, 2)],
    "^p =": [
        lambda: theory.maximum_level(1.0, 2),
        lambda: theory.fork_join_response_quantile_bound(0.0, 2, 0.5, 1.0),
    ],
}


@pytest.mark.parametrize(
    ("name", "call"), [(name, call) for name, calls in REFUSED.items() for call in calls]
)
def test_what_lies_outside_the_range_is_refused_by_name(name: str, call: object) -> None:
    assert callable(call)
    with pytest.raises(theory.OutsideValidityError, match=name):
        call()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: flash.write_amplification(0.0), "overprovisioning"),
        (lambda: flash.write_amplification(math.inf), "overprovisioning"),
        (lambda: flash.overprovisioning_of_amplification(1.0), "above 1"),
        (lambda: flash.spare_factor(-0.1), "overprovisioning"),
        (lambda: characteristic_time([1.0, -1.0], 1), "rates"),
        (lambda: characteristic_time([1.0, math.nan], 1), "rates"),
        (lambda: characteristic_time([1.0, 2.0], 0), "capacity"),
        (lambda: characteristic_time([1.0, 2.0], 1, [1.0]), "equal length"),
        (lambda: cache.popularity_groups(zipf_law(10, 1.0), single=0), "single"),
    ],
)
def test_the_shared_formulas_refuse_what_they_cannot_answer(call: object, message: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=message):
        call()


def test_write_amplification_compiles_and_keeps_its_value() -> None:
    numba = pytest.importorskip("numba")
    compiled = numba.njit(flash.write_amplification)
    assert compiled(0.28) == pytest.approx(flash.write_amplification(0.28), rel=1e-14)


def test_the_index_of_the_closed_forms_lists_every_one_of_them() -> None:
    assert theory.__doc__ is not None
    listed = re.findall(r"`(\w+)`", theory.__doc__)
    given = [name for name, value in vars(theory).items() if callable(value) and not name.startswith("_")]
    assert sorted(set(listed)) == sorted(given)


def test_the_closed_forms_start_without_the_slow_parts_of_scipy() -> None:
    code = "import sys, tailrace.theory; print([m for m in sys.modules if m.startswith('scipy.')])"
    loaded = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout
    assert "scipy.special" in loaded
    for slow in ("scipy.stats", "scipy.optimize", "scipy.signal"):
        assert f"'{slow}'" not in loaded
