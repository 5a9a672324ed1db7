"""The closed forms against printed values: shared/published/queueing.toml, cache.toml and flash.toml.

Numbers in quotes there are as printed; half a unit of the last digit is allowed (`units` where the print differs).
"""

import math
import tomllib
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from oracles.bounded_queue import bounded_queue
from oracles.caches import characteristic_time, che_hit_ratio, lru_hit_ratio, static_hit_ratio
from oracles.gim1 import gim1_wait_mean, gim1_wait_probability
from oracles.phases import tandem_response_quantile
from oracles.priorities import conserved_wait, preemptive_response_means
from oracles.run_length import mm1_number_asymptotic_variance, mm1_wait_asymptotic_variance, run_length_needed
from oracles.several_servers import ggc_wait_kimura
from tailrace import theory
from tailrace.physics import flash as flash_physics
from tailrace.physics.zipf import zipf_law, zipf_probability

_FOLDER = Path(__file__).parent.parent / "shared" / "published"
QUEUEING, CACHE, FLASH = (
    tomllib.loads((_FOLDER / f"{name}.toml").read_text("utf-8")) for name in ("queueing", "cache", "flash")
)


def printed(text: str, units: float = 0.5) -> Any:
    """What is within `units` of the last printed digit; a fraction or a whole number is exact (to 1e-12)."""
    value = float(Fraction(text))
    exponent = Decimal(text).as_tuple().exponent if "/" not in text else 0
    if exponent >= 0:
        return pytest.approx(value, rel=1e-12, abs=1e-12)
    return pytest.approx(value, rel=0, abs=units * 10.0**exponent * (1 + 1e-9))


def all_printed(texts: list[Any], units: float = 0.5) -> list[Any]:
    return [printed(text, units) for text in texts]


def number(text: str) -> float:
    return float(Fraction(text))


def zipf(items: int, exponent: float) -> np.ndarray:
    return zipf_probability(np.arange(items), zipf_law(items, exponent))


def test_the_printed_digits_decide_the_tolerance() -> None:
    assert printed("2.667") == 2.66666
    assert printed("2.667") != 2.6676
    assert printed("1.49e-8") == 1.494e-8
    assert printed("1.49e-8") != 1.496e-8
    assert printed("2") != 2.0001
    assert printed("19/12") == 19 / 12


def test_q1_a_gateway_as_one_server() -> None:
    row = QUEUEING["Q1"]
    lam, mu = row["arrival_rate"], 1 / row["service_s"]
    assert lam * theory.mmc_response_mean(lam, mu) == printed(row["number_mean"])
    assert 1e3 * theory.mmc_response_mean(lam, mu) == printed(row["response_ms"])
    # With room for many, the queue is unbounded; at least n are present with probability rho^n.
    present = bounded_queue(lam, mu, 1, capacity=200).probabilities
    assert present[13:].sum() == printed(row["at_least_13_present"])
    assert present[9:].sum() > 1e-6 > present[10:].sum()
    buffers = float(row["buffers_for_loss_1e_6"])
    assert math.log(1e-6) / math.log(lam / mu) == pytest.approx(buffers, abs=0.005)


def test_q2_quantiles_of_one_server() -> None:
    row = QUEUEING["Q2"]
    quantiles = theory.mmc_response_quantile(row["p"], row["arrival_rate"], 1 / row["service_s"])
    assert quantiles.tolist() == all_printed(row["response_s"])


@pytest.mark.parametrize("name", ["Q3", "Q4"])
def test_q3_q4_several_servers(name: str) -> None:
    row = QUEUEING[name]
    station = row["arrival_rate"], row["service_rate"], row["servers"]
    assert theory.mmc_wait_probability(*station) == printed(row["wait_probability"])
    assert station[0] * theory.mmc_wait_mean(*station) == printed(row["number_waiting"])
    assert theory.mmc_response_mean(*station) == printed(row["response_s"])


def test_q5_pooling_at_utilisation_nine_tenths() -> None:
    row = QUEUEING["Q5"]
    servers = np.array(row["servers"])
    station = row["utilisation"] * servers / row["service_s"], 1 / row["service_s"], servers
    waits, means = theory.mmc_wait_probability(*station), theory.mmc_wait_mean(*station)
    assert waits.tolist() == all_printed(row["wait_probability"], row["units"])
    assert means.tolist() == all_printed(row["wait_s"], row["units"])
    assert waits.tolist() == all_printed(row["wait_probability_unrounded"])
    assert means.tolist() == all_printed(row["wait_s_unrounded"])


def test_q6_terminals_and_the_quantile_of_a_wait_with_an_atom() -> None:
    row = QUEUEING["Q6"]
    station = row["arrivals_per_hour"] / 60, row["services_per_hour"] / 60, row["servers"]
    empty = bounded_queue(*station, capacity=2000).probabilities[0]
    assert empty == printed(row["idle_probability"])
    assert theory.mmc_wait_probability(*station) == printed(row["wait_probability"])
    assert station[0] * theory.mmc_wait_mean(*station) == printed(row["number_waiting"])
    assert station[0] * theory.mmc_response_mean(*station) == printed(row["number_mean"])
    assert theory.mmc_response_mean(*station) == printed(row["response_min"])
    assert theory.mmc_wait_mean(*station) == printed(row["wait_min"])
    assert theory.mmc_wait_quantile(0.9, *station) == printed(row["wait_p90_min"])
    assert theory.mmc_wait_quantile(0.6, *station) == 0


def test_q7_response_quantiles_of_four_servers() -> None:
    row = QUEUEING["Q7"]
    station = row["arrival_rate"], row["service_rate"], row["servers"]
    assert theory.mmc_wait_probability(*station) == printed(row["wait_probability"])
    assert theory.mmc_wait_mean(*station) == printed(row["wait_s"])
    assert theory.mmc_response_mean(*station) == printed(row["response_mean_s"])
    assert theory.mmc_response_quantile(row["p"], *station).tolist() == all_printed(row["response_s"])


def test_q8_q9_loss_of_erlang() -> None:
    table, values = QUEUEING["Q8"], QUEUEING["Q9"]
    assert theory.erlang_b(table["servers"], table["offered"]).tolist() == all_printed([table["loss"]] * 3)
    assert theory.erlang_b(values["servers"], values["offered"]).tolist() == all_printed(values["loss"])


def test_q10_waiting_probability_of_erlang() -> None:
    row = QUEUEING["Q10"]
    waits = theory.erlang_c(row["servers"], row["offered"])
    assert waits.tolist() == all_printed(row["wait_probability"])


def test_q11_bounded_queue_counts_accepted_requests_only() -> None:
    row = QUEUEING["Q11"]
    queue = bounded_queue(row["arrival_rate"], row["service_rate"], row["servers"], row["capacity"])
    units = row["units"]
    assert queue.probabilities[0] == printed(row["idle_probability"], units)
    assert queue.loss == printed(row["loss"], units)
    assert queue.number_mean == printed(row["number_mean"], units)
    assert queue.wait_mean_s == printed(row["wait_s"], units)


def test_q13_q14_pollaczek_khinchine() -> None:
    row, constant = QUEUEING["Q13"], QUEUEING["Q14"]
    scv = [number(text) for text in row["scv"]]
    waits = theory.mg1_wait_mean(row["utilisation"] / row["service_s"], row["service_s"], scv)
    assert waits.tolist() == all_printed(row["wait_s"])
    load = np.array(constant["utilisation"])
    present = load * theory.mg1_response_mean(load, 1.0, 0.0)
    assert present.tolist() == all_printed(constant["number_mean"])


def test_q15_wait_behind_constant_services() -> None:
    row = QUEUEING["Q15"]
    station = row["arrival_rate"], row["service_s"]
    below = [1 - theory.md1_wait_tail(t, *station) for t in row["t_s"]]
    assert below == all_printed(row["at_most"])
    assert [theory.md1_wait_quantile(p, *station) for p in row["p"]] == all_printed(row["wait_s"])


def test_q16_processor_sharing_slows_every_size_alike() -> None:
    row = QUEUEING["Q16"]
    service = 1 / row["service_rate"]
    assert theory.sharing_response_mean(row["arrival_rate"], service) == printed(row["response_mean_s"])
    sizes = np.array([0.1, 1.0, 7.0])
    stretched = theory.sharing_response_mean_of_size(sizes, row["utilisation"], 1.0) / sizes
    assert stretched.tolist() == all_printed([row["slowdown"]] * 3)


def test_q17_q19_regular_arrivals_exactly_and_by_allen_cunneen() -> None:
    row, rough = QUEUEING["Q17"], QUEUEING["Q19"]
    for i, rho in enumerate(row["utilisation"]):
        gaps = theory.Constant(1 / rho)
        assert gim1_wait_probability(gaps, 1.0) == printed(row["wait_probability"][i])
        exact = gim1_wait_mean(gaps, 1.0)
        assert exact == printed(row["wait_s"][i])
        approximate = theory.ggc_wait_allen_cunneen(rho, 1.0, 0.0, 1.0)
        assert approximate == printed(rough["approximate_wait_s"][i])
        percent = float(rough["percent_high"][i])
        assert 100 * (approximate / exact - 1) == pytest.approx(percent, abs=0.5)
        assert exact <= approximate <= 1.2 * exact


def test_q21_kingmans_bound_lies_above_the_exact_wait() -> None:
    row = QUEUEING["Q21"]
    rho = row["utilisation"]
    bounds = theory.gg1_wait_bound(rho, 1.0, row["arrival_scv"], 1.0)
    exact = [gim1_wait_mean(theory.two_moment_law(1 / rho, scv), 1.0) for scv in row["arrival_scv"]]
    assert bounds.tolist() == all_printed(row["bound_s"])
    assert exact == all_printed(row["exact_s"])
    assert all(bounds >= exact)


def test_q23_how_far_allen_cunneen_may_be_trusted_at_four_servers() -> None:
    row = QUEUEING["Q23"]
    station = row["arrival_rate"], row["service_s"], 1.0, row["service_scv"], row["servers"]
    allen_cunneen = theory.ggc_wait_allen_cunneen(*station)
    assert allen_cunneen == printed(row["approximate_wait_s"])
    assert 1.05 < allen_cunneen / row["simulated_wait_s"] < 1.15
    # The harmonic interpolation stays within the interval of the simulation.
    assert ggc_wait_kimura(*station) == pytest.approx(row["simulated_wait_s"], rel=0.03)


def test_q24_q25_q26_priorities_and_what_they_conserve() -> None:
    row, interrupting, law = QUEUEING["Q24"], QUEUEING["Q25"], QUEUEING["Q26"]
    rates, service = np.array(row["arrival_rates"]), row["service_s"]
    waits = theory.priority_wait_means(rates, service)
    assert (waits + service).tolist() == all_printed(row["response_s"])
    fcfs = theory.mmc_response_mean(rates.sum(), 1 / service)
    assert fcfs == printed(row["response_in_order_of_arrival_s"])
    preemptive = preemptive_response_means(interrupting["arrival_rates"], interrupting["service_s"])
    assert preemptive.tolist() == all_printed(interrupting["response_s"])
    assert float(rates @ waits) * service == printed(law["conserved_wait_s"])
    assert conserved_wait(rates, service) == printed(law["conserved_wait_s"])


def test_q29_q30_open_networks_by_visits() -> None:
    row, disks = QUEUEING["Q29"], QUEUEING["Q30"]
    visits = np.array(row["visits"])
    solution = theory.solve_open(visits * row["service_s"], row["arrival_rate"])
    assert solution.utilisation[0].tolist() == all_printed(row["utilisation"])
    assert (solution.residence_s[0] / visits).tolist() == all_printed(row["response_per_visit_s"])
    assert solution.response_s[0] == printed(row["response_s"])
    solution = theory.solve_open(np.multiply(disks["visits"], disks["service_s"]), disks["arrival_rate"])
    assert solution.utilisation[0].tolist() == all_printed(disks["utilisation"])
    assert solution.number[0, 0] == printed(disks["number_first"])
    assert solution.response_s[0] == printed(disks["response_s"])


def test_q31_end_to_end_quantiles_of_a_tandem() -> None:
    row = QUEUEING["Q31"]
    for k, p, value in zip(row["stations"], row["p"], row["response_s"], strict=True):
        # Different stations with the same spare rate: the sum is the same.
        stations = [theory.MmcResponse(0.5 * i + 0.5, 0.5 * i + 1.5) for i in range(k)]
        assert tandem_response_quantile(p, stations) == printed(value)
        assert theory.sum_quantile(p, stations) == printed(value)


def test_q32_exact_mean_value_analysis_of_the_printed_table() -> None:
    row = QUEUEING["Q32"]
    for i, clients in enumerate(row["clients"]):
        solution = theory.solve_closed(row["demands_s"], clients, row["think_s"])
        assert solution.response_s[0] == printed(row["response_s"][i])
        assert solution.throughput[0] == printed(row["throughput"][i])
    response_17 = theory.solve_closed(row["demands_s"], 17, row["think_s"]).response_s[0]
    assert response_17 == printed(row["response_17_s"])
    for method in ("exact", "convolution"):
        solution = theory.solve_closed(row["demands_s"], 20, row["think_s"], method=method)
        assert solution.response_s[0] == printed(row["response_20_s"])
        assert solution.throughput[0] == printed(row["throughput_20"])
        assert solution.number[0].tolist() == all_printed(row["number_20"])


def test_q33_closed_network_without_thinking() -> None:
    row = QUEUEING["Q33"]
    solution = theory.solve_closed(row["demands_s"], row["clients"])
    assert solution.throughput[0] == printed(row["throughput"])
    assert solution.number[0].tolist() == all_printed(row["number"])
    assert (solution.residence_s[0] / row["visits"]).tolist() == all_printed(row["response_per_visit_s"])
    assert solution.utilisation[0].tolist() == all_printed(row["utilisation"])


@pytest.mark.parametrize("method", ["exact", "convolution"])
def test_q36_two_classes_closed(method: Any) -> None:
    row = QUEUEING["Q36"]
    solution = theory.solve_closed(row["demands_s"], row["clients"], method=method)
    assert solution.throughput.tolist() == all_printed(row["throughput"])
    assert [r.tolist() for r in solution.residence_s] == [all_printed(r) for r in row["residence_s"]]
    assert [n.tolist() for n in solution.number] == [all_printed(n) for n in row["number"]]


def test_q37_two_classes_open() -> None:
    row = QUEUEING["Q37"]
    rates = [number(text) for text in row["arrival_rates"]]
    solution = theory.solve_open(row["demands_s"], rates)
    assert solution.utilisation[:, 0].tolist() == all_printed(row["utilisation_first_station"])
    assert solution.residence_s[0].tolist() == all_printed(row["residence_first_class_s"])
    assert solution.number[0, 0] == pytest.approx(float(row["number_first_class_first_station"]), rel=1e-12)


def test_q39_asymptotic_bounds() -> None:
    row = QUEUEING["Q39"]
    bounds = theory.asymptotic_bounds(row["demands_s"], row["clients"], row["think_s"])
    assert bounds.throughput_high == printed(row["throughput_at_most"])
    assert bounds.response_low_s == printed(row["response_at_least_s"])


def test_q40_interactive_response_time_law() -> None:
    row, table = QUEUEING["Q40"], QUEUEING["Q32"]
    response = theory.interactive_response_s(row["clients"], row["throughput"], row["think_s"])
    assert response == printed(row["response_s"])
    solution = theory.solve_closed(table["demands_s"], 20, table["think_s"])
    by_law = theory.interactive_response_s(20, solution.throughput[0], table["think_s"])
    assert by_law == printed(table["response_20_s"])


def test_q41_the_knee_and_the_bounds_bracket_the_table() -> None:
    row, table = QUEUEING["Q41"], QUEUEING["Q32"]
    network = table["demands_s"], 20, table["think_s"]
    assert theory.knee(table["demands_s"], table["think_s"]) == printed(row["knee"])
    assert theory.asymptotic_bounds(*network).response_low_s == printed(row["response_20_at_least_s"])
    assert theory.balanced_job_bounds(*network).throughput_low == printed(row["throughput_20_at_least"])


def test_q43_finite_population_is_mean_value_analysis_and_erlangs_loss() -> None:
    row = QUEUEING["Q43"]
    clients, think, service = row["clients"], row["think_s"], row["service_s"]
    station = theory.finite_population(clients, think, service)
    assert station.probabilities[0] == printed(row["idle_probability"])
    assert theory.erlang_b(clients, think / service) == printed(row["idle_probability"])
    assert station.throughput == printed(row["throughput"])
    assert station.response_mean_s == printed(row["response_s"])
    assert theory.solve_closed([service], clients, think).throughput[0] == printed(row["throughput"])


def test_q44_fork_join_by_the_formula_and_near_the_simulated_values() -> None:
    row = QUEUEING["Q44"]
    for rho, name in ((0.5, "at_half"), (0.8, "at_eight_tenths")):
        means = theory.fork_join_response_mean(row["members"], rho, row["service_rate"])
        assert means.tolist() == all_printed(row[f"response_{name}_s"])
        assert means.tolist() == pytest.approx(row[f"simulated_{name}_s"], rel=0.05)


def test_q45_run_lengths_for_a_mean_wait() -> None:
    row = QUEUEING["Q45"]
    numbers = mm1_number_asymptotic_variance(row["number_utilisation"], 1.0)
    assert numbers.tolist() == all_printed(row["number_variance"])
    rho = np.array(row["utilisation"])
    variances = mm1_wait_asymptotic_variance(rho, 1.0)
    assert variances.tolist() == all_printed(row["wait_variance"])
    assert variances[:2].tolist() == pytest.approx(row["wait_variance_simulated"], rel=0.03)
    waits = theory.mmc_wait_mean(rho, 1.0)
    at_5 = run_length_needed(waits, variances, 0.05) / 1e3
    at_1 = run_length_needed(waits, variances, 0.01) / 1e6
    # 190 and 681 thousand are printed whole, so half a thousand either way.
    assert at_5[0] == printed(row["thousands_for_5_percent"][0])
    assert at_5.tolist() == pytest.approx([float(text) for text in row["thousands_for_5_percent"]], abs=0.5)
    assert at_1.tolist() == all_printed(row["millions_for_1_percent"])


def test_q46_the_tail_of_a_fan_out() -> None:
    row = QUEUEING["Q46"]
    assert theory.maximum_tail(row["tail"], row["members"]).tolist() == all_printed(row["any_longer"])


def test_q47_littles_law_and_the_utilisation_law_hold_at_every_station() -> None:
    open_solution = theory.solve_open([[1.0, 3.0], [2.0, 4.0]], [0.1, 0.05], [1, 2])
    closed = theory.solve_closed([[1.0, 3.0], [2.0, 4.0]], [3, 2], [1.0, 0.5], [1, 2])
    demands = np.array([[1.0, 3.0], [2.0, 4.0]])
    for solution in (open_solution, closed):
        present = solution.throughput[:, None] * solution.residence_s
        assert solution.number == pytest.approx(present, rel=1e-12)
        used = solution.throughput[:, None] * demands / [1, 2]
        assert solution.utilisation == pytest.approx(used, rel=1e-12)


def test_c1_che_is_remarkably_accurate() -> None:
    row = CACHE["C1"]
    shares = zipf(row["items"], row["exponent"])
    for i, capacity in enumerate(row["capacity"]):
        time = characteristic_time(shares, capacity)
        assert time == printed(row["characteristic_time"][i])
        hits = che_hit_ratio(shares, capacity)
        assert hits == printed(row["hit_ratio"][i])
        assert hits == pytest.approx(row["simulated_hit_ratio"][i], abs=3e-4)


def test_c3_holding_the_most_popular_is_the_upper_bound() -> None:
    row = CACHE["C3"]
    shares = zipf(row["items"], row["exponent"])
    static = [static_hit_ratio(shares, capacity) for capacity in row["capacity"]]
    assert static == all_printed(row["hit_ratio"])
    assert all(
        che_hit_ratio(shares, capacity) < best for capacity, best in zip(row["capacity"], static, strict=True)
    )


def test_c4_small_caches_exactly_and_by_che() -> None:
    row = CACHE["C4"]
    for i, (items, capacity) in enumerate(zip(row["items"], row["capacity"], strict=True)):
        shares = zipf(items, row["exponent"])
        exact, che = lru_hit_ratio(shares, capacity), che_hit_ratio(shares, capacity)
        assert exact == printed(row["exact"][i])
        assert che == printed(row["che"][i])
        assert 100 * (che / exact - 1) == printed(row["che_percent_off"][i])


def test_c5_four_times_the_buffer_about_halves_the_misses() -> None:
    row, popularity = CACHE["C5"], CACHE["C1"]
    shares = zipf(popularity["items"], popularity["exponent"])
    small, large = (1 - che_hit_ratio(shares, 1000 * k) for k in (1, row["buffer_factor"]))
    # A rule of thumb for measured workloads, to a factor of 2; a Zipf law of its own is not one of them.
    assert row["miss_factor"] / 2 < large / small < row["miss_factor"] * 2


def test_f8_write_amplification_over_overprovisioning() -> None:
    row = FLASH["F8"]
    values = [flash_physics.write_amplification(share) for share in row["overprovisioning"]]
    assert values == all_printed(row["write_amplification"])
    at_30 = flash_physics.write_amplification(0.3)
    assert at_30 == printed(row["printed_at_0_30"])
    assert at_30 == pytest.approx(row["simulated_at_0_30"], rel=0.03)


def test_f9_the_older_form_stays_below() -> None:
    row, newer = FLASH["F9"], FLASH["F8"]

    def older(share: float) -> float:
        """(1 + rho) / (2 rho), which takes the blocks' valid pages as uniform.

        R. Agarwal and M. Marrow, A closed-form expression for write amplification in NAND flash, GLOBECOM Workshops
        2010, as quoted in the abstract of arXiv 1110.4245.
        """
        return (1 + share) / (2 * share)

    assert older(row["overprovisioning"]) == printed(row["write_amplification"])
    for share in newer["overprovisioning"]:
        assert older(share) < flash_physics.write_amplification(share)


def test_f11_overprovisioning_is_not_the_spare_factor() -> None:
    row = FLASH["F11"]
    spare = flash_physics.spare_factor(row["overprovisioning"])
    # 0.21875 is printed 0.2188: exactly half a unit.
    assert spare == printed(row["spare_factor"], 0.51)
