"""Stations in a row and closed loops, through the whole path, against printed values and closed forms.

Printed values and their sources: shared/published/queueing.toml.
"""

from typing import NamedTuple

import pytest

from drives import generic
from tailrace import theory
from tailrace.answer.result import Figures
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.section import sectioned_ratio
from tailrace.plan.columns import Stage
from tailrace.replicate.replication import Replication
from tailrace.scenario import parse
from tailrace.scenario.tables.scenario import Scenario
from through import (
    POWER_P99,
    assert_agrees,
    busy_mean,
    found,
    long_run,
    printed,
    published,
    samples,
    shared_scenario,
    standard_error,
)

QUEUEING = published("queueing")


def power_of(p: float) -> float:
    return POWER_P99 if p == 0.99 else 0.01


class FourStations(NamedTuple):
    """Replications of the ready scenario of four stations of 1,000 / s in a row, at a given rate."""

    rate_per_s: float
    sampled: list[Replication]
    figures: Figures


@pytest.fixture(
    scope="module",
    params=[(500.0, 16_000), pytest.param((800.0, 110_000), marks=[long_run, pytest.mark.whole])],
)
def four_stations(request: pytest.FixtureRequest) -> FourStations:
    rate_per_s, requests = request.param
    scenario = shared_scenario("four-stations", f'workload.booking.rate="{rate_per_s} /s"')
    sampled = samples(scenario, requests)
    return FourStations(rate_per_s, sampled, found(scenario, sampled))


def test_quantiles_of_the_whole_path_of_four_stations_are_as_printed(four_stations: FourStations) -> None:
    # Q31: times at the four stations are independent and exponential at the spare rate, so the print, for a spare
    # rate of 1 / s, is divided by it. The p99 of the path is not the sum of four p99.
    row = QUEUEING["Q31"]
    spare = 1000.0 - four_stations.rate_per_s
    latency = four_stations.figures.latency_s
    assert_agrees(latency["mean"], 4 / spare)
    for stations, p, text in zip(row["stations"], row["p"], row["response_s"], strict=True):
        if stations == 4:
            assert_agrees(latency[f"p{100 * p:.0f}"], printed(text) * (1 / spare), power_of(p))


def time_at(sampled: list[Replication], stage: Stage) -> IntervalEstimate:
    """Mean time of a request of the class "booking" at a stage: waiting and in service."""
    stages = [sample.kinds["booking"]["all"].stages for sample in sampled]
    seconds = [float(each.wait_s[stage] + each.service_s[stage]) for each in stages]
    return sectioned_ratio(seconds, [each.requests for each in stages])


def test_each_of_four_stations_in_a_row_sees_what_it_would_see_alone(four_stations: FourStations) -> None:
    # P. J. Burke 1956 (from memory): the departures of M/M/1 in equilibrium are again Poisson.
    rate_per_s, sampled, _ = four_stations
    for stage in Stage:
        assert_agrees(time_at(sampled, stage), float(theory.mmc_response_mean(rate_per_s, 1000.0)))
        assert_agrees(busy_mean(sampled, bank=stage), rate_per_s / 1000.0)


def test_quantiles_of_the_whole_path_of_two_stations_are_as_printed() -> None:
    # Q31 with two stations: the spare rate is 500 / s at both.
    row = QUEUEING["Q31"]
    scenario = parse(f"""
[server.controller]
service = {{law = "exponential", mean = "1 ms"}}
{generic("exponential")}
[[workload]]
name = "booking"
rate = "500 /s"
request_size = "8 KiB"
""")
    latency = found(scenario, samples(scenario, 12_000)).latency_s
    for stations, p, text in zip(row["stations"], row["p"], row["response_s"], strict=True):
        if stations == 2:
            assert_agrees(latency[f"p{100 * p:.0f}"], printed(text) * (1 / 500), power_of(p))


# Closed loops


def closed(clients: int) -> Scenario:
    """The network of Q32: three exponential stations with the printed demands, and exponential thinking."""
    network, controller, media = QUEUEING["Q32"]["demands_s"]
    return parse(f"""
[server.network]
service = {{law = "exponential", mean = "{network} s"}}
[server.controller]
service = {{law = "exponential", mean = "{controller} s"}}
{generic("exponential", f"{media} s")}
[[workload]]
name = "booking"
clients = {clients}
think_time = "{QUEUEING["Q32"]["think_s"]} s"
request_size = "8 KiB"
""")


def number_present(sampled: list[Replication], bank: int) -> IntervalEstimate:
    """Mean number at a station of one server, waiting and in service, over time."""
    present = [float(each.stations.waiting_s[bank] + each.stations.busy_s[bank]) for each in sampled]
    return sectioned_ratio(present, [each.stations.seconds_s for each in sampled])


@pytest.mark.parametrize("clients", [1, 2, 3, 4, 5, 20])
def test_a_closed_loop_with_thinking_answers_as_in_the_printed_table(clients: int) -> None:
    # Q32
    row = QUEUEING["Q32"]
    scenario = closed(clients)
    sampled = samples(scenario, 6000 if clients == 20 else 3000)
    figures = found(scenario, sampled)
    if clients == 20:
        response, throughput = row["response_20_s"], row["throughput_20"]
    else:
        place = row["clients"].index(clients)
        response, throughput = row["response_s"][place], row["throughput"][place]
    assert_agrees(figures.latency_s["mean"], printed(response))
    assert_agrees(figures.rate_per_s, printed(throughput))


@long_run
def test_twenty_clients_are_spread_over_the_stations_as_printed() -> None:
    # Q32: mean numbers present at the three stations
    scenario = closed(20)
    sampled = samples(scenario, 40_000)
    for bank, text in enumerate(QUEUEING["Q32"]["number_20"]):
        assert_agrees(number_present(sampled, bank), printed(text))


@pytest.mark.parametrize("clients", [1, 3, 20])
def test_a_closed_loop_keeps_the_interactive_law_and_its_bounds(clients: int) -> None:
    # Q40: R = N / X - Z. Q41: asymptotic and balanced-job bounds bracket the throughput and the response.
    row = QUEUEING["Q32"]
    scenario = closed(clients)
    figures = found(scenario, samples(scenario, 3000))
    mean, rate = figures.latency_s["mean"], figures.rate_per_s
    assert mean.value is not None
    assert rate.value is not None
    assert_agrees(mean, float(theory.interactive_response_s(clients, rate.value, row["think_s"])))
    for bounds in (
        theory.asymptotic_bounds(row["demands_s"], clients, row["think_s"]),
        theory.balanced_job_bounds(row["demands_s"], clients, row["think_s"]),
    ):
        rate_error, mean_error = 4 * standard_error(rate), 4 * standard_error(mean)
        assert bounds.throughput_low - rate_error < rate.value < bounds.throughput_high + rate_error
        assert bounds.response_low_s - mean_error < mean.value < bounds.response_high_s + mean_error


def test_a_finite_population_is_answered_as_printed() -> None:
    # Q43
    row = QUEUEING["Q43"]
    scenario = parse(f"""
{generic("exponential", f"{row['service_s']} s")}
[[workload]]
name = "booking"
clients = {row["clients"]}
think_time = "{row["think_s"]} s"
request_size = "8 KiB"
""")
    sampled = samples(scenario, 8000)
    figures = found(scenario, sampled)
    assert_agrees(figures.latency_s["mean"], printed(row["response_s"]))
    assert_agrees(figures.rate_per_s, printed(row["throughput"]))
    idle = printed(row["idle_probability"])
    assert_agrees(busy_mean(sampled), 1.0 - idle.value)
