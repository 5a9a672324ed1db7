"""Stations: high precision, identities between independent code paths, limits and properties."""

import mpmath as mp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oracles.bounded_queue import bounded_queue
from oracles.gim1 import (
    gim1_response_quantile,
    gim1_wait_mean,
    gim1_wait_probability,
    gim1_wait_quantile,
    gim1_wait_tail,
)
from oracles.priorities import conserved_wait, preemptive_response_means
from oracles.several_servers import (
    dmc_wait_cosmetatos,
    ggc_wait_kimura,
    mdc_wait_cosmetatos,
    mgc_wait_cosmetatos,
)
from tailrace import theory

mp.mp.dps = 50

servers_and_load = st.tuples(st.integers(1, 300), st.floats(0.01, 0.999))


def loss_by_summation(servers: int, offered: float) -> mp.mpf:
    """1 / B = sum over k of c! / ((c - k)! a^k), summed in fifty digits."""
    term = total = mp.mpf(1)
    for k in range(servers):
        term *= (servers - k) / mp.mpf(offered)
        total += term
        if term < total * mp.mpf(10) ** -40:
            break
    return 1 / total


@pytest.mark.parametrize("servers", [1, 2, 7, 15, 16, 17, 64, 1000, 100_000])
@pytest.mark.parametrize("utilisation", [0.5, 0.9, 0.99, 0.9999, 1.0, 1.001, 1.05, 2.0, 100.0])
def test_erlang_b_agrees_with_fifty_digits_up_to_a_hundred_thousand_servers(
    servers: int, utilisation: float
) -> None:
    if servers > 1000 and utilisation < 0.9:  # far below the smallest double
        assert theory.erlang_b(servers, utilisation * servers) == 0
        return
    offered = utilisation * servers
    expected = loss_by_summation(servers, offered)
    if expected > 1e-290:
        assert theory.erlang_b(servers, offered) == pytest.approx(float(expected), rel=1e-11)
    else:
        assert theory.erlang_b(servers, offered) < 1e-289


@pytest.mark.parametrize("servers", [1, 3, 64, 1000, 100_000])
@pytest.mark.parametrize("utilisation", [0.9, 0.99, 0.9999])
def test_erlang_c_agrees_with_fifty_digits(servers: int, utilisation: float) -> None:
    offered = utilisation * servers
    loss = loss_by_summation(servers, offered)
    expected = loss / (1 - mp.mpf(offered) / servers * (1 - loss))
    if expected > 1e-290:
        assert theory.erlang_c(servers, offered) == pytest.approx(float(expected), rel=1e-11)


@given(servers_and_load)
@settings(deadline=None)
def test_erlang_b_obeys_its_recursion_over_the_servers(case: tuple[int, float]) -> None:
    servers, utilisation = case
    offered = utilisation * servers
    less = theory.erlang_b(servers, offered)
    assert theory.erlang_b(servers + 1, offered) == pytest.approx(
        offered * less / (servers + 1 + offered * less), rel=1e-11
    )


@given(servers_and_load)
@settings(deadline=None)
def test_waiting_is_likelier_than_loss_and_rarer_with_a_server_more(case: tuple[int, float]) -> None:
    servers, utilisation = case
    offered = utilisation * servers
    waits = theory.erlang_c(servers, offered)
    assert theory.erlang_b(servers, offered) <= waits <= 1
    assert theory.erlang_c(servers + 1, offered) <= waits


def test_waiting_probability_tends_to_the_square_root_staffing_law() -> None:
    # Halfin and Whitt, Operations Research 29(3), 1981 (from memory): C -> 1 / (1 + b Phi(b) / phi(b)) where
    # (c - a) / sqrt(c) -> b.
    b = 0.7
    limit = 1 / (1 + b * mp.ncdf(b) / mp.npdf(b))
    errors = [abs(theory.erlang_c(c, c - b * c**0.5) / float(limit) - 1) for c in (100, 10_000, 100_000)]
    assert errors[2] < 0.002 < errors[0]
    assert errors[0] > errors[1] > errors[2]


def test_light_load_and_full_load_are_the_known_limits() -> None:
    assert theory.erlang_c(4, 4e-6) == pytest.approx(4e-6**4 / 24, rel=1e-4)
    assert theory.erlang_c(4, 4 * (1 - 1e-9)) == pytest.approx(1, rel=1e-8)
    near = 1 - 1e-6
    assert theory.mmc_wait_mean(4 * near, 1, 4) * 4 * (1 - near) == pytest.approx(1, rel=1e-5)
    assert theory.mmc_response_mean(1e-9, 1, 4) == pytest.approx(1, rel=1e-12)
    # Beyond any number of servers the response is the service alone.
    assert theory.mmc_response_quantile(0.99, 10.0, 1.0, 1000) == pytest.approx(np.log(100), rel=1e-12)
    assert theory.mmc_wait_quantile(0.999999, 10.0, 1.0, 1000) == 0


@pytest.mark.parametrize("servers", [1, 2, 4, 16, 1000])
@pytest.mark.parametrize("utilisation", [0.3, 0.75, 0.95, 0.9999])
@pytest.mark.parametrize("p", [0.5, 0.99, 0.999])
def test_response_quantiles_of_mmc_agree_with_high_precision(
    servers: int, utilisation: float, p: float
) -> None:
    lam = utilisation * servers
    loss = loss_by_summation(servers, lam)
    waits = loss / (1 - mp.mpf(lam) / servers * (1 - loss))
    theta = mp.mpf(servers) - mp.mpf(lam)
    found = mp.mpf(theory.mmc_response_quantile(p, lam, 1.0, servers))
    if abs(theta - 1) < 1e-9:
        tail = mp.exp(-found) * (1 + waits * found)
        density = mp.exp(-found) * (1 + waits * found - waits)
    else:
        tail = mp.exp(-found) + waits * (mp.exp(-found) - mp.exp(-theta * found)) / (theta - 1)
        density = mp.exp(-found) + waits * (mp.exp(-found) - theta * mp.exp(-theta * found)) / (theta - 1)
    # The distance to the true quantile, to first order, by the exact tail and its derivative.
    assert abs((tail - (1 - mp.mpf(p))) / density / found) < 1e-9


def test_the_response_tail_has_no_hole_where_both_rates_meet() -> None:
    # c mu - lambda = mu at 4 servers, lambda = 3.
    at = theory.mmc_response_tail(2.0, 3.0, 1.0, 4)
    around = [theory.mmc_response_tail(2.0, 3.0 + e, 1.0, 4) for e in (-1e-7, 1e-7)]
    assert at == pytest.approx(sum(around) / 2, rel=1e-12)
    waits = theory.erlang_c(4, 3.0)
    assert at == pytest.approx(np.exp(-2.0) * (1 + 2 * waits), rel=1e-14)


@given(st.integers(1, 40), st.floats(0.05, 0.99), st.floats(0.0, 0.999999), st.sampled_from([1e-6, 1.0, 1e4]))
@settings(deadline=None)
def test_quantiles_invert_the_tails(servers: int, utilisation: float, p: float, mean: float) -> None:
    station = utilisation * servers / mean, 1 / mean, servers
    response = theory.mmc_response_quantile(p, *station)
    assert theory.mmc_response_tail(response, *station) == pytest.approx(1 - p, rel=1e-9, abs=1e-15)
    wait = theory.mmc_wait_quantile(p, *station)
    if wait > 0:
        assert theory.mmc_wait_tail(wait, *station) == pytest.approx(1 - p, rel=1e-9)
    else:
        assert theory.mmc_wait_probability(*station) <= (1 - p) * (1 + 1e-12)
    assert wait <= response


@given(st.integers(1, 40), st.floats(0.05, 0.98))
@settings(deadline=None, max_examples=30)
def test_means_and_variances_are_the_moments_of_the_tails(servers: int, utilisation: float) -> None:
    station = utilisation * servers, 1.0, servers
    t = np.linspace(0, theory.mmc_response_quantile(1 - 1e-14, *station), 20_001)
    # Of the wait C (2 - C) / (c mu - lambda)^2, and the service is independent of it: Kleinrock 1975 (from memory).
    waits, drain = theory.mmc_wait_probability(*station), servers - utilisation * servers
    of_wait = waits * (2 - waits) / drain**2
    for tail, mean, variance in (
        (theory.mmc_wait_tail, theory.mmc_wait_mean, of_wait),
        (theory.mmc_response_tail, theory.mmc_response_mean, of_wait + 1),
    ):
        values = tail(t, *station)
        first = float(np.trapezoid(values, t))
        second = float(np.trapezoid(2 * t * values, t))
        assert first == pytest.approx(mean(*station), rel=2e-5, abs=1e-6)
        assert second - first**2 == pytest.approx(variance, rel=2e-4, abs=1e-6)


def test_functions_take_arrays_that_broadcast_and_give_floats_for_scalars() -> None:
    grid = theory.mmc_response_quantile([[0.5], [0.99]], [0.4, 1.2, 3.6], 1.0, [1, 2, 4])
    assert grid.shape == (2, 3)
    assert grid[1, 2] == pytest.approx(theory.mmc_response_quantile(0.99, 3.6, 1.0, 4), rel=1e-14)
    assert isinstance(theory.mmc_response_mean(0.5, 1.0), float)
    assert theory.erlang_b([1, 2, 1000], [[50.0], [5000.0]]).shape == (2, 3)


def test_a_bounded_queue_without_waiting_room_is_erlangs_loss() -> None:
    queue = bounded_queue(9.0, 1.0, 12, capacity=12)
    assert queue.loss == pytest.approx(theory.erlang_b(12, 9.0), rel=1e-12)
    assert queue.wait_mean_s == pytest.approx(0, abs=1e-15)
    assert queue.wait_quantile(0.999) == 0


def test_a_bounded_queue_with_much_room_is_the_unbounded_one() -> None:
    queue = bounded_queue(3.2, 1.0, 4, capacity=400)
    assert queue.response_mean_s == pytest.approx(theory.mmc_response_mean(3.2, 1.0, 4), rel=1e-12)
    assert queue.wait_quantile(0.99) == pytest.approx(theory.mmc_wait_quantile(0.99, 3.2, 1.0, 4), rel=1e-9)
    assert queue.wait_tail(1.0) == pytest.approx(theory.mmc_wait_tail(1.0, 3.2, 1.0, 4), rel=1e-12)


def test_a_bounded_queue_carries_its_servers_rate_under_overload() -> None:
    queue = bounded_queue(1e4, 2.0, 3, capacity=10)
    assert queue.throughput == pytest.approx(6, rel=1e-3)
    assert queue.number_mean == pytest.approx(10, rel=1e-3)
    # Little's law, waiting and service apart.
    assert queue.response_mean_s == pytest.approx(queue.wait_mean_s + 0.5, rel=1e-12)


@given(st.integers(1, 60), st.integers(1, 5), st.floats(0.01, 50.0))
@settings(deadline=None, max_examples=50)
def test_a_finite_population_obeys_littles_law_and_the_arrival_theorem(
    clients: int, servers: int, think: float
) -> None:
    station = theory.finite_population(clients, think, 1.0, servers)
    assert station.throughput * (station.response_mean_s + think) == pytest.approx(clients, rel=1e-10)
    # The mean wait by the state that an arrival finds, and by integrating its tail's Erlang mixture.
    ahead = np.maximum(0, np.arange(clients) - servers + 1)
    assert station.wait_mean_s == pytest.approx(float(station.found @ ahead) / servers, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(("clients", "servers"), [(1, 1), (40, 1), (40, 3), (400, 16), (3000, 64)])
def test_finite_population_by_birth_and_death_is_the_closed_network_by_convolution(
    clients: int, servers: int
) -> None:
    station = theory.finite_population(clients, 10.0, 0.9, servers)
    network = theory.solve_closed([0.9], clients, 10.0, servers, method="convolution")
    assert network.throughput[0] == pytest.approx(station.throughput, rel=1e-11)
    assert network.response_s[0] == pytest.approx(station.response_mean_s, rel=1e-10)


def test_without_thinking_all_clients_are_always_at_the_station() -> None:
    station = theory.finite_population(5, 0.0, 2.0, 2)
    assert station.throughput == pytest.approx(1.0)
    assert station.response_mean_s == pytest.approx(5.0)


@pytest.mark.parametrize("utilisation", [0.1, 0.5, 0.8, 0.99, 0.9999])
@pytest.mark.parametrize("law", [theory.Constant(1.0), theory.Uniform(0.5, 1.5), theory.Gamma(1.0, 0.5)])
def test_waiting_at_gim1_agrees_with_high_precision(utilisation: float, law: theory.Law) -> None:
    def transform(s: mp.mpf) -> mp.mpf:
        if isinstance(law, theory.Constant):
            return mp.exp(-s)
        if isinstance(law, theory.Uniform):
            return (mp.exp(-s / 2) - mp.exp(-3 * s / 2)) / s
        return (1 + s / 2) ** -2

    mu = 1 / mp.mpf(1 / (1 / utilisation))
    sigma = gim1_wait_probability(law, 1 / utilisation)
    root = mp.findroot(
        lambda x: (transform(mp.mpf(1 / utilisation) * (1 - x)) - x) / (1 - x), mp.mpf(sigma) * 0.9999
    )
    assert mu > 1
    assert sigma == pytest.approx(float(root), rel=1e-9)
    assert 1 - sigma == pytest.approx(float(1 - root), rel=1e-9)


def test_poisson_arrivals_make_gim1_the_same_as_mmc_with_one_server() -> None:
    gaps = theory.exponential(1 / 0.8)
    assert gim1_wait_probability(gaps, 1.0) == pytest.approx(0.8, rel=1e-12)
    assert gim1_wait_mean(gaps, 1.0) == pytest.approx(theory.mmc_wait_mean(0.8, 1.0), rel=1e-12)
    for p in (0.1, 0.5, 0.99):
        assert gim1_wait_quantile(p, gaps, 1.0) == pytest.approx(
            theory.mmc_wait_quantile(p, 0.8, 1.0), rel=1e-11
        )
        assert gim1_response_quantile(p, gaps, 1.0) == pytest.approx(
            theory.mmc_response_quantile(p, 0.8, 1.0), rel=1e-11
        )
    assert gim1_wait_tail(2.0, gaps, 1.0) == pytest.approx(theory.mmc_wait_tail(2.0, 0.8, 1.0))


def test_regular_arrivals_at_very_low_load_never_wait() -> None:
    assert gim1_wait_probability(theory.Constant(1000.0), 1.0) == 0
    assert gim1_wait_quantile(0.999, theory.Constant(1000.0), 1.0) == 0


@given(st.floats(0.05, 0.98), st.floats(0.0, 8.0))
@settings(deadline=None, max_examples=60)
def test_kingmans_bound_holds_and_the_corrected_formula_stays_near_exact_gim1(
    utilisation: float, arrival_scv: float
) -> None:
    exact = gim1_wait_mean(theory.two_moment_law(1 / utilisation, arrival_scv), 1.0)
    assert theory.gg1_wait_bound(utilisation, 1.0, arrival_scv, 1.0) >= exact * (1 - 1e-12)
    if utilisation > 0.7 and arrival_scv <= 1:
        assert theory.gg1_wait_klb(utilisation, 1.0, arrival_scv, 1.0) == pytest.approx(exact, rel=0.04)


@given(st.floats(0.05, 0.99), st.floats(0.0, 9.0), st.integers(1, 30))
@settings(deadline=None, max_examples=60)
def test_approximations_are_exact_where_they_promise_to_be(
    utilisation: float, scv: float, servers: int
) -> None:
    lam = utilisation * servers
    pooled = theory.mmc_wait_mean(lam, 1.0, servers)
    for wait in (
        theory.ggc_wait_allen_cunneen(lam, 1.0, 1.0, 1.0, servers),
        mgc_wait_cosmetatos(lam, 1.0, 1.0, servers),
        ggc_wait_kimura(lam, 1.0, 1.0, 1.0, servers),
    ):
        assert wait == pytest.approx(pooled, rel=1e-12)
    exact = theory.mg1_wait_mean(utilisation, 1.0, scv)
    for wait in (
        theory.ggc_wait_allen_cunneen(utilisation, 1.0, 1.0, scv, 1),
        mgc_wait_cosmetatos(utilisation, 1.0, scv, 1),
        ggc_wait_kimura(utilisation, 1.0, 1.0, scv, 1),
        theory.gg1_wait_klb(utilisation, 1.0, 1.0, scv),
    ):
        assert wait == pytest.approx(exact, rel=1e-12)
    # At the ends of the interpolation stand the regular and the constant case.
    assert mgc_wait_cosmetatos(lam, 1.0, 0.0, servers) == mdc_wait_cosmetatos(lam, 1.0, servers)
    if utilisation > 0.3:
        regular = dmc_wait_cosmetatos(lam, 1.0, servers)
        assert ggc_wait_kimura(lam, 1.0, 0.0, 1.0, servers) == pytest.approx(regular, rel=1e-12)


def exact_mdc_wait(utilisation: float, servers: int) -> float:
    """M/D/c by its own chain: after one service time everybody in service has left and a Poisson number come."""
    size = 600
    lam = utilisation * servers
    arrivals = np.exp(
        -lam + np.arange(size) * np.log(lam) - np.cumsum(np.log(np.maximum(np.arange(size), 1)))
    )
    moves = np.zeros((size, size))
    for n in range(size):
        left = max(0, n - servers)
        moves[n, left:] = arrivals[: size - left]
        moves[n, -1] += 1 - moves[n].sum()
    balance = np.vstack([(moves.T - np.eye(size))[:-1], np.ones(size)])
    p = np.linalg.solve(balance, np.append(np.zeros(size - 1), 1.0))
    return float(p @ np.maximum(0, np.arange(size) - servers)) / lam


@pytest.mark.parametrize("servers", [1, 2, 4, 8])
@pytest.mark.parametrize("utilisation", [0.5, 0.8, 0.95])
def test_cosmetatos_is_within_two_percent_of_mdc_solved_as_a_chain(utilisation: float, servers: int) -> None:
    exact = exact_mdc_wait(utilisation, servers)
    found = mdc_wait_cosmetatos(utilisation * servers, 1.0, servers)
    assert found == pytest.approx(exact, rel=0.02)
    if servers == 1:
        assert exact == pytest.approx(theory.mg1_wait_mean(utilisation, 1.0, 0.0), rel=1e-9)


@given(
    st.lists(
        st.tuples(st.floats(0.01, 1.0), st.floats(0.1, 3.0), st.floats(0.0, 5.0)), min_size=1, max_size=5
    )
)
@settings(deadline=None)
def test_priorities_conserve_the_weighted_wait_and_help_the_first(classes: list[tuple[float, ...]]) -> None:
    rates, means, scv = (np.array(column) for column in zip(*classes, strict=True))
    rates = rates * 0.9 / float(rates @ means)
    conserved = conserved_wait(rates, means, scv)
    for order in (slice(None), slice(None, None, -1)):
        waits = theory.priority_wait_means(rates[order], means[order], scv[order])
        assert float((rates * means)[order] @ waits) == pytest.approx(conserved, rel=1e-9)
        assert np.all(np.diff(waits) >= -1e-9)
    # The first class of a preemptive station does not notice the others.
    first = preemptive_response_means(rates, means, scv)[0]
    assert first == pytest.approx(theory.mg1_response_mean(rates[0], means[0], scv[0]), rel=1e-12)


def test_priority_at_several_servers_meets_the_single_server_and_conserves() -> None:
    rates = np.array([0.2, 0.6])
    assert theory.priority_wait_means_mmc(rates, 1.0, 1) == pytest.approx(
        theory.priority_wait_means(rates, 1.0), rel=1e-12
    )
    waits = theory.priority_wait_means_mmc(4 * rates, 1.0, 4)
    assert float(rates @ waits) == pytest.approx(0.8 * theory.mmc_wait_mean(3.2, 1.0, 4), rel=1e-12)


@given(servers_and_load)
@settings(deadline=None)
def test_sharing_and_queueing_hold_the_same_number_when_service_is_exponential(
    case: tuple[int, float],
) -> None:
    servers, utilisation = case
    lam = utilisation * servers
    assert theory.sharing_response_mean(lam, 1.0, servers) == pytest.approx(
        theory.mmc_response_mean(lam, 1.0, servers), rel=1e-11
    )


REFUSED = {
    "utilisation": [
        lambda: theory.erlang_c(4, 4.0),
        lambda: theory.mmc_wait_mean([0.5, 1.5], 1.0),
        lambda: theory.mmc_response_quantile(0.5, 4.0, 1.0, 4),
        lambda: theory.mg1_wait_mean(1.0, 1.0),
        lambda: theory.mg1_wait_tail(1.0, 1.1, theory.Constant(1.0)),
        lambda: theory.md1_wait_quantile(0.5, 2.0, 1.0),
        lambda: theory.gg1_wait_klb(1.0, 1.0, 1.0, 1.0),
        lambda: theory.priority_wait_means([0.5, 0.6], 1.0),
        lambda: theory.sharing_slowdown(1.0, 1.0),
        lambda: theory.MmcResponse(2.0, 1.0, 2),
        lambda: theory.Mg1Response(1.0, theory.Constant(1.0)),
    ],
    "servers": [
        lambda: theory.erlang_b(0, 1.0),
        lambda: theory.erlang_b(2.5, 1.0),
        lambda: theory.mmc_wait_mean(1.0, 1.0, -1),
        lambda: theory.sharing_slowdown(1.0, 1.0, 1.5),
        lambda: theory.finite_population(3, 1.0, 1.0, 0),
    ],
    "offered": [lambda: theory.erlang_b(2, -1.0), lambda: theory.erlang_b(2, float("nan"))],
    "arrival_rate": [
        lambda: theory.mmc_wait_mean(0.0, 1.0),
        lambda: theory.mmc_wait_mean(float("inf"), 1.0),
        lambda: theory.mg1_wait_mean(-1.0, 1.0),
    ],
    "^p =": [
        lambda: theory.mmc_wait_quantile(1.0, 0.5, 1.0),
        lambda: theory.mmc_response_quantile(-0.1, 0.5, 1.0),
        lambda: theory.mg1_wait_quantile(0.99999999, 0.5, theory.Constant(1.0)),
    ],
    "t_s": [
        lambda: theory.mmc_wait_tail(-1.0, 0.5, 1.0),
        lambda: theory.md1_wait_tail(-1.0, 0.5, 1.0),
    ],
    "scv": [
        lambda: theory.mg1_wait_mean(0.5, 1.0, -0.1),
        lambda: theory.Gamma(1.0, 0.0),
        lambda: theory.hyperexponential(1.0, 1.0),
        lambda: theory.priority_wait_means([0.1, 0.1], 1.0, [1.0, 1.0, 1.0]),
    ],
    "clients": [lambda: theory.finite_population(0, 1.0, 1.0)],
    "mean_s": [lambda: theory.Constant(0.0), lambda: theory.Lognormal(-1.0, 1.0)],
    "weights": [lambda: theory.Mixture((0.5, 0.4), (theory.Constant(1.0), theory.Constant(2.0)))],
}


@pytest.mark.parametrize(
    ("name", "call"), [(name, call) for name, calls in REFUSED.items() for call in calls]
)
def test_what_lies_outside_the_range_is_refused_by_name(name: str, call: object) -> None:
    assert callable(call)
    with pytest.raises(theory.OutsideValidityError, match=name):
        call()


def test_refusals_are_value_errors_of_the_package() -> None:
    from tailrace.errors import TailraceError

    with pytest.raises(ValueError, match="accepted is below 1") as caught:
        theory.mmc_wait_mean(2.0, 1.0)
    assert isinstance(caught.value, TailraceError)


def test_the_wait_of_the_first_rank_is_that_of_priorities_without_interruption() -> None:
    # Q24: exponential services of mean 1, 0.2 and 0.6 a second: the first rank waits 0.8 / 0.8. Cobham 1954; Adan and
    # Resing, Queueing Systems, chapter on priorities (from memory).
    law = theory.FirstRankWait(0.2, theory.Gamma(1.0, 1.0), 0.6, theory.Gamma(1.0, 1.0))
    assert law.mean_s == pytest.approx(1.0, rel=1e-12)
    step = 1e-5
    slope = (
        law.excess_transform(np.array([2 * step + 0j])) - law.excess_transform(np.array([step + 0j]))
    ) / step
    assert float(-slope[0].real) == pytest.approx(1.0, rel=1e-3)
    # Far out, where all that is left is not to wait.
    assert float(law.excess_transform(np.array([1e9 + 0j]))[0].real) == pytest.approx(law.atom, abs=1e-6)
    assert law.atom == pytest.approx(0.2, rel=1e-12)
