"""Networks: exact methods against Markov chains solved numerically, identities, bounds and refusals."""

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import gamma

from oracles.bounds import geometric_bounds
from oracles.phases import (
    routed_response_quantile,
    routed_response_tail,
    tandem_response_quantile,
    tandem_response_tail,
    visits_of_routing,
)
from tailrace import theory

demands = st.lists(st.floats(0.01, 3.0), min_size=1, max_size=5)


def chain_of_closed_network(
    demands_s: np.ndarray, clients: tuple[int, ...], think_s: np.ndarray, servers: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Throughputs and numbers at the stations from the stationary chain, solved as linear equations.

    Every class cycles through thinking and the stations in turn; a station with c servers that holds n requests
    serves each of them at rate min(1, c / n), so the state is how many of each class are where.
    """
    classes, stations = demands_s.shape
    per_class = [
        [n for n in itertools.product(range(k + 1), repeat=stations + 1) if sum(n) == k] for k in clients
    ]
    states = {state: i for i, state in enumerate(itertools.product(*per_class))}
    generator = np.zeros((len(states), len(states)))
    for state, i in states.items():
        for c in range(classes):
            for place in range(stations + 1):
                here = state[c][place]
                if not here:
                    continue
                if place == stations:
                    rate = here / think_s[c]
                else:
                    total = sum(state[j][place] for j in range(classes))
                    rate = here * min(1.0, servers[place] / total) / demands_s[c, place]
                moved = list(state[c])
                moved[place] -= 1
                moved[(place + 1) % (stations + 1)] += 1
                target = states[(*state[:c], tuple(moved), *state[c + 1 :])]
                generator[i, target] += rate
                generator[i, i] -= rate
    balance = np.vstack([generator.T[:-1], np.ones(len(states))])
    p = np.linalg.solve(balance, np.append(np.zeros(len(states) - 1), 1.0))
    count = np.array([[state[c] for c in range(classes)] for state in states], dtype=float)
    number = np.einsum("s,sck->ck", p, count)
    return number[:, -1] / think_s, number[:, :-1]


CHAINS = [
    ([[2.0, 3.0, 1.0]], (6,), [4.0], [1, 1, 1]),
    ([[2.0, 3.0, 1.0]], (7,), [4.0], [2, 3, 1]),
    ([[2.0, 3.0]], (8,), [1.0], [2, math.inf]),
    ([[1.0, 3.0], [2.0, 0.5]], (3, 2), [1.0, 2.0], [1, 1]),
    ([[1.0, 3.0], [2.0, 0.5]], (3, 3), [1.0, 2.0], [2, 3]),
    ([[1.0, 3.0], [2.0, 0.5]], (2, 3), [0.5, 2.0], [math.inf, 2]),
    ([[0.3, 1.0], [0.2, 2.0], [1.5, 0.1]], (2, 1, 2), [1.0, 2.0, 0.7], [1, 2]),
]


@pytest.mark.parametrize(("table", "clients", "think", "servers"), CHAINS)
def test_exact_solutions_agree_with_the_markov_chain(
    table: list[list[float]], clients: tuple[int, ...], think: list[float], servers: list[float]
) -> None:
    throughput, number = chain_of_closed_network(
        np.array(table), clients, np.array(think), np.array(servers, dtype=float)
    )
    for method in ("exact", "convolution"):
        solution = theory.solve_closed(table, clients, think, servers, method=method)
        assert solution.throughput == pytest.approx(throughput, rel=1e-9)
        assert solution.number == pytest.approx(number, rel=1e-9)


@st.composite
def closed_networks(draw: st.DrawFn, pools: bool = False) -> tuple[Any, ...]:
    classes, stations = draw(st.integers(1, 3)), draw(st.integers(1, 4))
    sizes = st.lists(st.floats(0.0, 3.0), min_size=stations, max_size=stations)
    table = np.array(draw(st.lists(sizes, min_size=classes, max_size=classes))) + 0.01
    clients = draw(st.lists(st.integers(0, 7), min_size=classes, max_size=classes))
    assume(any(clients))
    think = draw(st.lists(st.floats(0.0, 9.0), min_size=classes, max_size=classes))
    kinds = [1, math.inf, 2, 5] if pools else [1, math.inf]
    servers = draw(st.lists(st.sampled_from(kinds), min_size=stations, max_size=stations))
    return table, clients, think, servers


@given(closed_networks())
@settings(deadline=None, max_examples=60)
def test_mean_value_analysis_and_convolution_agree(network: tuple[Any, ...]) -> None:
    recursion = theory.solve_closed(*network)
    constant = theory.solve_closed(*network, method="convolution")
    assert recursion.throughput == pytest.approx(constant.throughput, rel=1e-10)
    assert recursion.number == pytest.approx(constant.number, rel=1e-9, abs=1e-12)
    assert (recursion.method, constant.method) == ("exact mean value analysis", "exact convolution")


@given(closed_networks(pools=True), st.sampled_from(["exact", "schweitzer-bard", "linearised"]))
@settings(deadline=None, max_examples=100)
def test_every_method_keeps_its_clients_and_its_stations_within_their_servers(
    network: tuple[Any, ...], method: Any
) -> None:
    _, clients, think, servers = network
    solution = theory.solve_closed(*network, method=method)
    somewhere = solution.number.sum(axis=1) + solution.throughput * np.array(think)
    assert somewhere == pytest.approx(np.array(clients, dtype=float), rel=1e-8, abs=1e-10)
    assert np.all(solution.utilisation.sum(axis=0) <= 1 + (1e-9 if method == "exact" else 0.03))
    assert np.all(solution.utilisation[:, np.isinf(servers)] == 0)
    absent = np.array(clients) == 0
    assert np.all(solution.throughput[absent] == 0)
    assert np.all(np.isnan(solution.response_s[absent]))


@given(closed_networks())
@settings(deadline=None, max_examples=60)
def test_the_linearised_refinement_is_within_two_percent_of_exact(network: tuple[Any, ...]) -> None:
    exact = theory.solve_closed(*network).throughput
    refined = theory.solve_closed(*network, method="linearised").throughput
    rough = theory.solve_closed(*network, method="schweitzer-bard").throughput
    assert refined == pytest.approx(exact, rel=0.02)
    assert rough == pytest.approx(exact, rel=0.25)


def test_both_approximations_are_exact_for_one_client_and_the_refined_one_for_two() -> None:
    table, think = [[1.0, 3.0], [2.0, 4.0]], [0.5, 0.0]
    for clients, methods in (((1, 0), ("schweitzer-bard", "linearised")), ((1, 1), ("linearised",))):
        exact = theory.solve_closed(table, clients, think).throughput
        for method in methods:
            found = theory.solve_closed(table, clients, think, method=method).throughput
            assert found == pytest.approx(exact, rel=1e-8)


def test_twenty_clients_of_three_classes_over_six_stations_agree_by_two_methods() -> None:
    table = np.random.default_rng(1).random((3, 6))
    recursion = theory.solve_closed(table, 20, [1.0, 2.0, 0.5])
    constant = theory.solve_closed(table, 20, [1.0, 2.0, 0.5], method="convolution")
    assert recursion.throughput == pytest.approx(constant.throughput, rel=1e-11)
    assert recursion.number == pytest.approx(constant.number, rel=1e-10)


def test_convolution_holds_out_for_many_clients_and_nearly_balanced_stations() -> None:
    for table, clients, think, servers in (
        ([1.0, 0.999, 0.5], 100_000, 5.0, [1, 2, 1]),
        ([1.0, 1.0, 1.0, 1.0], 20_000, 5000.0, [1, 1, 4, 1]),
        ([1.0, 2.0], 50_000, 49_999.0, [1, 16]),
    ):
        solution = theory.solve_closed(table, clients, think, servers)
        somewhere = solution.number.sum() + solution.throughput[0] * think
        assert somewhere == pytest.approx(clients, rel=1e-9)
    balanced = theory.solve_closed([1.0, 0.999, 0.5], 3000, 5.0)
    again = theory.solve_closed([1.0, 0.999, 0.5], 3000, 5.0, method="convolution")
    assert balanced.number == pytest.approx(again.number, rel=1e-9)


def test_a_pool_with_a_server_for_every_client_is_a_delay() -> None:
    pool = theory.solve_closed([1.0, 0.5], 6, 2.0, [6, 1])
    delay = theory.solve_closed([1.0, 0.5], 6, 2.0, [math.inf, 1])
    assert pool.number == pytest.approx(delay.number, rel=1e-12)
    assert pool.utilisation[0, 0] == pytest.approx(pool.throughput[0] / 6, rel=1e-12)


@given(demands, st.integers(1, 60), st.floats(0.0, 30.0))
@settings(deadline=None)
def test_all_bounds_bracket_the_exact_solution(table: list[float], clients: int, think: float) -> None:
    exact = float(theory.solve_closed(table, clients, think).throughput[0])
    asymptotic = theory.asymptotic_bounds(table, clients, think)
    balanced = theory.balanced_job_bounds(table, clients, think)
    geometric = geometric_bounds(table, clients, think)
    for bounds in (asymptotic, balanced, geometric):
        assert bounds.throughput_low <= exact * (1 + 1e-9)
        assert exact <= bounds.throughput_high * (1 + 1e-9)
        response = clients / exact - think
        assert bounds.response_low_s - 1e-9 * clients / exact <= response
        assert response <= bounds.response_high_s + 1e-9 * clients / exact
    assert asymptotic.throughput_low <= balanced.throughput_low * (1 + 1e-12)
    assert balanced.throughput_high <= asymptotic.throughput_high * (1 + 1e-12)


@given(closed_networks(pools=True))
@settings(deadline=None, max_examples=40)
def test_asymptotic_bounds_hold_for_pools_and_delays(network: tuple[Any, ...]) -> None:
    table, clients, think, servers = network
    for c, n in enumerate(clients):
        if n:
            exact = float(theory.solve_closed(table[c], n, think[c], servers).throughput[0])
            bounds = theory.asymptotic_bounds(table[c], n, think[c], servers)
            assert bounds.throughput_low <= exact * (1 + 1e-9)
            assert exact <= bounds.throughput_high * (1 + 1e-9)


def test_geometric_bounds_close_in_on_the_exact_value() -> None:
    gaps = []
    for clients in (10, 40, 160):
        bounds = geometric_bounds([2.0, 3.0, 1.0], clients, 4.0)
        gaps.append(bounds.throughput_high / bounds.throughput_low - 1)
    assert gaps[0] > gaps[1] > gaps[2]
    assert gaps[2] < 0.001


def test_an_open_network_of_one_station_is_mmc() -> None:
    solution = theory.solve_open([[0.25]], 12.0, 4)
    assert solution.response_s[0] == pytest.approx(theory.mmc_response_mean(12.0, 4.0, 4), rel=1e-12)
    assert solution.mean_response_s == pytest.approx(solution.response_s[0], rel=1e-12)
    assert solution.number[0, 0] == pytest.approx(12.0 * theory.mmc_response_mean(12.0, 4.0, 4), rel=1e-12)


def test_an_open_network_is_the_limit_of_closed_ones_with_many_thinking_clients() -> None:
    table, servers, rate = [[1.0, 0.5, 0.2]], [2, 1, math.inf], 1.5
    open_response = theory.solve_open(table, rate, servers).response_s[0]
    closed = theory.solve_closed(table, 200_000, 200_000 / rate, servers)
    assert closed.response_s[0] == pytest.approx(open_response, rel=1e-3)
    assert closed.throughput[0] == pytest.approx(rate, rel=1e-3)


def test_the_binding_station_and_the_load_it_can_carry() -> None:
    table, servers = [[0.3, 0.1, 5.0], [0.1, 0.4, 5.0]], [1, 2, math.inf]
    found = theory.saturation(table, [1.0, 2.0], servers)
    assert found.station == 0
    assert found.load_factor == pytest.approx(2.0)
    nearly = theory.solve_open(table, np.array([1.0, 2.0]) * found.load_factor * 0.999, servers)
    assert nearly.utilisation[:, 0].sum() == pytest.approx(0.999)
    with pytest.raises(theory.OutsideValidityError, match="utilisation"):
        theory.solve_open(table, np.array([1.0, 2.0]) * found.load_factor, servers)
    assert theory.saturation(table, [4.0, 8.0], servers).load_factor == pytest.approx(0.5)
    assert theory.saturation([[0.0, 1.0]], 1.0, [1, math.inf]).load_factor == math.inf


def test_visits_of_routing_solve_the_traffic_equations() -> None:
    # A processor that leaves with probability 0.1, else goes to one of two disks and comes back.
    visits = visits_of_routing([1.0, 0.0, 0.0], [[0.0, 0.6, 0.3], [1.0, 0.0, 0.0], [1.0, 0.0, 0.0]])
    assert visits.tolist() == pytest.approx([10.0, 6.0, 3.0], rel=1e-12)


def spare(rate: float, arrivals: float = 1.0) -> theory.MmcResponse:
    return theory.MmcResponse(arrivals, arrivals + rate)


@pytest.mark.parametrize("stations", [1, 2, 3, 4, 8])
@pytest.mark.parametrize("p", [0.05, 0.5, 0.95, 0.999])
def test_equal_stations_in_tandem_are_a_gamma(stations: int, p: float) -> None:
    tandem = [spare(2.0, 0.3 * k + 0.1) for k in range(stations)]
    expected = gamma(stations, scale=0.5).ppf(p)
    assert tandem_response_quantile(p, tandem) == pytest.approx(expected, rel=1e-9)
    assert theory.sum_quantile(p, tandem) == pytest.approx(expected, rel=1e-6)
    assert tandem_response_tail(expected, tandem) == pytest.approx(1 - p, rel=1e-9)


@given(st.floats(0.1, 5.0), st.floats(0.1, 5.0), st.floats(0.01, 20.0))
@settings(deadline=None, max_examples=50)
def test_two_stations_in_tandem_are_hypoexponential(a: float, b: float, t: float) -> None:
    if abs(a - b) < 1e-3:
        expected = math.exp(-a * t) * (1 + a * t)
        tolerance = 1e-2
    else:
        expected = (a * math.exp(-b * t) - b * math.exp(-a * t)) / (a - b)
        tolerance = 1e-9
    assert tandem_response_tail(t, [spare(a), spare(b)]) == pytest.approx(expected, rel=tolerance, abs=1e-11)


def test_a_single_station_in_tandem_is_mmc_and_stiff_tandems_agree_by_both_methods() -> None:
    station = theory.MmcResponse(3.2, 1.0, 4)
    assert tandem_response_quantile(0.99, [station]) == pytest.approx(
        theory.mmc_response_quantile(0.99, 3.2, 1.0, 4), rel=1e-10
    )
    stages = [
        theory.MmcResponse(1e3, 1e6),
        theory.MmcResponse(1e3, 2e4, 4),
        theory.MmcResponse(1e3, 1e5),
        theory.MmcResponse(1e3, 100.0, 16),
    ]
    assert tandem_response_quantile(0.99, stages) == pytest.approx(
        theory.sum_quantile(0.99, stages), rel=1e-7
    )


def test_a_station_with_feedback_keeps_an_exponential_response() -> None:
    # Each visit ends the request with probability a half: a geometric number of exponentials, rate (mu - lambda) / 2.
    station = theory.MmcResponse(0.8, 1.0)
    for t in (0.5, 3.0, 30.0):
        tail = routed_response_tail(t, [station], [1.0], [[0.5]])
        assert tail == pytest.approx(math.exp(-0.1 * t), rel=1e-10)
    quantile = routed_response_quantile(0.99, [station], [1.0], [[0.5]])
    assert quantile == pytest.approx(math.log(100) / 0.1, rel=1e-10)


def test_constants_shift_a_sum_exactly() -> None:
    station = theory.MmcResponse(0.5, 1.0)
    plain = theory.sum_quantile(0.99, [station])
    delay = theory.DelayedResponse(0.0, 0.0, theory.Constant(3.0))
    assert theory.sum_quantile(0.99, [station, delay], constant_s=2.0) == pytest.approx(plain + 5.0, rel=1e-9)
    assert theory.sum_quantile(0.99, [delay], 2.0) == 6.0
    assert theory.sum_tail(2.9, [delay]) == 1.0
    assert theory.sum_tail(3.0, [delay]) == 0.0
    assert theory.sum_tail(4.9, [station, delay], constant_s=2.0) == 1.0


def test_sums_of_one_station_are_that_station() -> None:
    constant = theory.Mg1Response(0.8, theory.Constant(1.0))
    assert theory.sum_quantile(0.99, [constant]) == pytest.approx(
        theory.md1_response_quantile(0.99, 0.8, 1.0), rel=1e-8
    )
    # A fifth of the requests do not wait: the quantile is the service alone.
    assert theory.sum_quantile(0.15, [constant]) == 1.0
    law = theory.Gamma(1.0, 0.5)
    assert theory.sum_quantile(0.99, [theory.Mg1Response(0.8, law)]) == pytest.approx(
        theory.mg1_response_quantile(0.99, 0.8, law), rel=1e-8
    )
    same = theory.DelayedResponse(0.8, 4.0, theory.exponential(1.0))
    assert theory.sum_quantile(0.99, [same]) == pytest.approx(
        theory.mmc_response_quantile(0.99, 0.8, 1.0), rel=1e-8
    )


def test_a_broken_number_of_visits_is_a_mixture() -> None:
    station = theory.MmcResponse(0.5, 1.0)
    one, two = (theory.sum_tail(3.0, [station], n) for n in (1, 2))
    assert theory.sum_tail(3.0, [station], 1.25) == pytest.approx(0.75 * one + 0.25 * two, abs=1e-9)


@given(st.floats(0.1, 0.9), st.floats(0.1, 0.9), st.floats(0.2, 6.0))
@settings(deadline=None, max_examples=10)
def test_the_mean_of_a_sum_is_the_integral_of_its_tail(a: float, b: float, scv: float) -> None:
    parts: list[theory.ResponseLaw] = [
        theory.MmcResponse(a, 1.0),
        theory.Mg1Response(b, theory.Constant(1.0)),
        theory.DelayedResponse(0.5, 1.0, theory.two_moment_law(0.5, scv)),
    ]
    nodes, weights = np.polynomial.legendre.leggauss(8)
    edges = np.concatenate([[0.0, 1.0], np.geomspace(1.5, 1500, 14)])
    total = 0.0
    for low, high in itertools.pairwise(edges):
        t = (low + high) / 2 + (high - low) / 2 * nodes
        total += (high - low) / 2 * float(weights @ [theory.sum_tail(x, parts) for x in t])
    assert total == pytest.approx(sum(part.mean_s for part in parts), rel=1e-3)


REFUSED = {
    "demands_s": [
        lambda: theory.solve_closed([[[1.0]]], 1),
        lambda: theory.solve_open([[-1.0]], 0.1),
        lambda: theory.solve_closed([], 1),
        lambda: theory.asymptotic_bounds([[1.0], [2.0]], 3),
        lambda: theory.knee([0.0, 0.0]),
        lambda: theory.solve_closed([0.0, 0.0], 3),
    ],
    "clients": [
        lambda: theory.solve_closed([1.0], 1.5),
        lambda: theory.solve_closed([[1.0], [2.0]], [1, 2, 3]),
        lambda: theory.balanced_job_bounds([1.0], 0),
        lambda: theory.solve_closed([[1.0], [2.0]], 0),
    ],
    "servers": [
        lambda: theory.solve_closed([1.0], 2, 0.0, 0),
        lambda: theory.solve_open([1.0], 0.1, 1.5),
        lambda: theory.solve_open([1.0, 2.0], 0.1, [1, 1, 1]),
        lambda: theory.solve_open([1.0], 0.1, float("nan")),
    ],
    "think_s": [lambda: theory.solve_closed([1.0], 2, -1.0)],
    "method": [lambda: theory.solve_closed([1.0], 2, method="guess")],  # type: ignore[arg-type]
    "populations": [
        lambda: theory.solve_closed([[1.0, 2.0]] * 4, 200),
        lambda: theory.solve_closed([[1.0, 2.0]] * 3, 150, 0.0, [64, 64]),
    ],
    "t_s": [lambda: theory.sum_tail(-1.0, [spare(1.0)])],
    "^p =": [lambda: theory.sum_quantile(0.9999999, [spare(1.0)])],
    "wait_probability": [lambda: theory.DelayedResponse(0.0, 1.0, theory.exponential(1.0))],
    "throughput": [lambda: theory.interactive_response_s(3, 0.0)],
    "think_s = ": [lambda: theory.interactive_response_s(1, 1.0, 3.0)],
}


@pytest.mark.parametrize(
    ("name", "call"), [(name, call) for name, calls in REFUSED.items() for call in calls]
)
def test_what_cannot_be_solved_rightly_is_refused_by_name(name: str, call: object) -> None:
    assert callable(call)
    with pytest.raises(theory.OutsideValidityError, match=name):
        call()
