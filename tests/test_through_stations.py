"""One station under Poisson and other arrivals, through the whole path, against the closed forms.

Printed values and their sources: shared/published/queueing.toml. They are at a service time of 1 s; the scenarios have
1 ms, so that their times are a thousandth.
"""

import numpy as np
import pytest

from drives import generic
from oracles.gim1 import gim1_response_mean, gim1_response_quantile
from tailrace import theory
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.section import sectioned_quantiles, sectioned_ratio
from tailrace.plan.columns import Stage
from tailrace.scenario import parse
from tailrace.scenario.tables.scenario import Scenario
from through import (
    POWER_P99,
    assert_agrees,
    exactly,
    found,
    long_run,
    one_station,
    per_request,
    printed,
    published,
    samples,
    share,
    shared_scenario,
    waiting_mean,
)

QUEUEING = published("queueing")
MS = 1e-3
EXPONENTIAL = '{law = "exponential", mean = "1 ms"}'
QUANTILES = {0.5: "p50", 0.95: "p95", 0.99: "p99"}


def power_of(p: float) -> float:
    return POWER_P99 if p == 0.99 else 0.01


def wait_of_each(scenario: Scenario, requests: int) -> list[np.ndarray]:
    return per_request(scenario, requests, lambda observed: observed.wait_s[:, Stage.MEDIA].copy())


# Poisson arrivals, exponential service


@pytest.mark.parametrize(
    ("utilisation", "requests"),
    [(0.5, 15_000), pytest.param(0.8, 130_000, marks=[long_run, pytest.mark.whole])],
)
def test_response_quantiles_of_one_server_are_as_printed(utilisation: float, requests: int) -> None:
    # Q2. The quantiles depend on the spare rate alone: those printed, at 0.8 / s of 1 / s, hold at any utilisation
    # with the spare rate of 0.2 / s.
    row = QUEUEING["Q2"]
    spare = 1 / row["service_s"] - row["arrival_rate"]
    mean_s = (1 - utilisation) / spare
    scenario = one_station(f'{{law = "exponential", mean = "{mean_s} ms"}}', 1000 * utilisation / mean_s)
    latency = found(scenario, samples(scenario, requests)).latency_s
    assert_agrees(latency["mean"], MS / spare)
    for p, text in zip(row["p"], row["response_s"], strict=True):
        if p in QUANTILES:
            assert_agrees(latency[QUANTILES[p]], printed(text) * MS, power_of(p))


def several_servers(name: str) -> Scenario:
    row = QUEUEING[name]
    service = f'{{law = "exponential", mean = "{1 / row["service_rate"]} s"}}'
    return one_station(service, row["arrival_rate"], f"servers = {row['servers']}")


def test_the_response_of_four_servers_at_half_load_is_as_printed() -> None:
    scenario = several_servers("Q4")
    latency = found(scenario, samples(scenario, 8000)).latency_s
    assert_agrees(latency["mean"], printed(QUEUEING["Q4"]["response_s"]))


@long_run
@pytest.mark.parametrize(
    ("name", "requests"),
    [
        pytest.param("Q3", 300_000, marks=pytest.mark.whole),
        ("Q4", 80_000),
    ],
)
def test_response_and_queue_of_several_servers_are_as_printed(name: str, requests: int) -> None:
    row = QUEUEING[name]
    scenario = several_servers(name)
    sampled = samples(scenario, requests)
    assert_agrees(found(scenario, sampled).latency_s["mean"], printed(row["response_s"]))
    assert_agrees(waiting_mean(sampled), printed(row["number_waiting"]))
    waited = share(wait_of_each(scenario, min(requests, 40_000)), lambda wait: wait > 0)
    chance = row["wait_probability"]
    assert_agrees(waited, exactly(chance) if "/" in chance else printed(chance))


@long_run
def test_response_quantiles_of_four_servers_are_as_printed() -> None:
    # Q7, in the ready scenario of one station.
    row = QUEUEING["Q7"]
    scenario = shared_scenario("one-station")
    figures = found(scenario, samples(scenario, 130_000))
    assert_agrees(figures.latency_s["mean"], printed(row["response_mean_s"]) * MS)
    assert_agrees(figures.stages["media"].wait_s, printed(row["wait_s"]) * MS)
    for p, text in zip(row["p"], row["response_s"], strict=True):
        if p in QUANTILES:
            assert_agrees(figures.latency_s[QUANTILES[p]], printed(text) * MS, power_of(p))
    waited = share(wait_of_each(scenario, 30_000), lambda wait: wait > 0)
    assert_agrees(waited, printed(row["wait_probability"]))


# Other service times


SHAPES = {
    "constant": '{law = "constant", value = "1 ms"}',
    "uniform": '{law = "uniform", low = "0 s", high = "2 ms"}',
    "gamma": '{law = "gamma", mean = "1 ms", scv = 0.5}',
    "lognormal": '{law = "lognormal", mean = "1 ms", scv = 0.5}',
    "exponential": EXPONENTIAL,
    "hyperexponential": '{law = "hyperexponential", mean = "1 ms", scv = 4}',
}


@pytest.mark.parametrize(
    ("shape", "scv", "requests"),
    [
        ("constant", "0", 40_000),
        ("uniform", "1/3", 45_000),
        pytest.param("gamma", "1/2", 45_000, marks=[long_run, pytest.mark.whole]),
        pytest.param("lognormal", "1/2", 60_000, marks=[long_run, pytest.mark.whole]),
        pytest.param("exponential", "1", 75_000, marks=[long_run, pytest.mark.whole]),
        pytest.param("hyperexponential", "4", 220_000, marks=[long_run, pytest.mark.whole]),
    ],
)
def test_the_mean_wait_for_one_server_depends_on_the_variability_of_service_as_printed(
    shape: str, scv: str, requests: int
) -> None:
    # Q13
    row = QUEUEING["Q13"]
    exact = dict(zip(row["scv"], row["wait_s"], strict=True))[scv]
    scenario = one_station(SHAPES[shape], 1000 * row["utilisation"])
    assert_agrees(found(scenario, samples(scenario, requests)).stages["media"].wait_s, exactly(exact) * MS)


@long_run
def test_the_wait_for_a_server_of_constant_times_is_distributed_as_printed() -> None:
    # Q15; the chance not to wait, 0.2, is exact
    row = QUEUEING["Q15"]
    waits = wait_of_each(one_station(SHAPES["constant"], 1000 * row["arrival_rate"]), 100_000)
    for t, text in zip(row["t_s"], row["at_most"], strict=True):
        at_most = share(waits, lambda wait, t=t: wait <= t * MS)
        assert_agrees(at_most, exactly(text) if t == 0 else printed(text))
    quantiles = sectioned_quantiles(waits, row["p"])
    for p, text in zip(row["p"], row["wait_s"], strict=True):
        assert_agrees(quantiles[p], printed(text) * MS, power_of(p))


# Other arrivals


@long_run
@pytest.mark.parametrize(
    ("place", "requests"), [(0, 60_000), pytest.param(1, 150_000, marks=pytest.mark.whole)]
)
def test_one_client_that_keeps_its_beat_waits_as_printed(place: int, requests: int) -> None:
    # Q17. The phase of the beat is drawn once in each replication; one client alone waits the same at any phase.
    row = QUEUEING["Q17"]
    scenario = one_station(EXPONENTIAL, 1000 * row["utilisation"][place], workload='arrivals = "regular"')
    wait = found(scenario, samples(scenario, requests)).stages["media"].wait_s
    assert_agrees(wait, printed(row["wait_s"][place]) * MS)
    waited = share(wait_of_each(scenario, requests), lambda wait: wait > 0)
    assert_agrees(waited, printed(row["wait_probability"][place]))


@long_run
def test_bursty_arrivals_wait_as_those_with_hyperexponential_gaps() -> None:
    # GI/M/1: Kleinrock, Queueing Systems, vol. 1, ch. 6 (from memory), as Q17
    bursty = 'arrivals = "bursty"\nburstiness = 4'
    scenario = one_station(EXPONENTIAL, 500, workload=bursty)
    latency = found(scenario, samples(scenario, 50_000)).latency_s
    gaps = theory.hyperexponential(2 * MS, 4.0)
    assert_agrees(latency["mean"], gim1_response_mean(gaps, 1000.0))
    assert_agrees(latency["p99"], gim1_response_quantile(0.99, gaps, 1000.0), POWER_P99)


# Sharing


@pytest.mark.parametrize(
    ("shape", "requests"), [("constant", 6000), ("exponential", 8000), ("hyperexponential", 15_000)]
)
def test_the_mean_time_at_a_shared_server_is_as_printed_whatever_the_shape_of_service(
    shape: str, requests: int
) -> None:
    # Q16: arrivals at 4 / s, service at 9 / s; here 444.4 / s and 1000 / s
    row = QUEUEING["Q16"]
    scenario = one_station(
        SHAPES[shape], 1000 * row["arrival_rate"] / row["service_rate"], 'discipline = "ps"'
    )
    mean = found(scenario, samples(scenario, requests)).latency_s["mean"]
    assert_agrees(mean, exactly(row["response_mean_s"]) * row["service_rate"] * MS)


def slowdown_of_link(ports: int, requests: int) -> dict[str, IntervalEstimate]:
    """Time over work at a shared link of so many ports at utilisation 0.8, by class: small and large writes."""
    # 8,192 B at 6,000 / s and 65,536 B at 250 / s are 65,536,000 B/s: 0.8 of a port of 81.92 MB/s. Without frame
    # overhead the work is the size over the rate, and the answer of a single byte costs nothing to speak of.
    scenario = parse(f"""
load = {ports}
[server.network]
ports = {ports}
rate = "81.92 MB/s"
frame_overhead = "0 B"
message_payload = "1 B"
{generic("constant", "1 us", discipline="delay")}
[[workload]]
name = "small"
rate = "6000 /s"
request_size = "8 KiB"
read_share = 0.0
[[workload]]
name = "large"
rate = "250 /s"
request_size = "64 KiB"
read_share = 0.0
""")
    sampled = samples(scenario, requests)
    result = {}
    for name in ("small", "large"):
        stages = [sample.kinds[name]["all"].stages for sample in sampled]
        service = [each.service_s[Stage.NETWORK] for each in stages]
        wait = [each.wait_s[Stage.NETWORK] for each in stages]
        result[name] = sectioned_ratio(np.add(wait, service), service)
    return result


@long_run
def test_a_shared_link_slows_small_and_large_down_by_the_same_factor_as_printed() -> None:
    # Q16: R(x) = x / (1 - rho), linear in the work
    slowdown = slowdown_of_link(ports=1, requests=80_000)
    assert QUEUEING["Q16"]["utilisation"] == 0.8
    assert_agrees(slowdown["small"], exactly(QUEUEING["Q16"]["slowdown"]))
    assert_agrees(slowdown["large"], exactly(QUEUEING["Q16"]["slowdown"]))


@pytest.mark.whole
@long_run
def test_two_shared_ports_slow_all_down_as_two_servers_in_order_of_arrival_do_on_average() -> None:
    # Each of n present is served at the rate min(1, 2 / n): a symmetric queue, so insensitive, with the mean of
    # M/M/2 (F. P. Kelly, Reversibility and Stochastic Networks, 1979, section 3.3; from memory).
    exact = float(theory.mmc_response_mean(1.6, 1.0, 2))
    slowdown = slowdown_of_link(ports=2, requests=80_000)
    assert_agrees(slowdown["small"], exact)
    assert_agrees(slowdown["large"], exact)


# Priority


def two_classes(rates: list[float], first: int, second: int) -> Scenario:
    """One server of 1 s on average, two classes with the given rates and priorities."""
    classes = zip(("first", "second"), rates, (first, second), strict=True)
    return parse(
        f"{generic('exponential', '1 s')}\n"
        + "".join(
            f'[[workload]]\nname = "{name}"\nrate = "{rate} /s"\nrequest_size = "8 KiB"\npriority = {priority}\n'
            for name, rate, priority in classes
        )
    )


@pytest.mark.whole
def test_two_priorities_at_a_light_load_wait_as_the_closed_form_says() -> None:
    # Cobham 1954, as Q24
    rates = [0.1, 0.2]
    scenario = two_classes(rates, first=0, second=1)
    sampled = samples(scenario, 20_000)
    waits = theory.priority_wait_means(rates, [1.0, 1.0])
    for name, wait in zip(("first", "second"), waits, strict=True):
        assert_agrees(found(scenario, sampled, name).latency_s["mean"], 1.0 + float(wait))


@long_run
@pytest.mark.parametrize(
    "priorities",
    [
        pytest.param((0, 0), marks=pytest.mark.whole),
        (0, 1),
        pytest.param((1, 0), marks=pytest.mark.whole),
    ],
)
def test_priorities_are_answered_as_printed_and_conserve_the_weighted_wait(
    priorities: tuple[int, int],
) -> None:
    # Q24, Q26. At a service time of 1 s, the sum of rho_i W_i is the mean number waiting (Little). Where the second
    # class goes first, the closed form takes the place of the print.
    row = QUEUEING["Q24"]
    rates = row["arrival_rates"]
    scenario = two_classes(rates, *priorities)
    sampled = samples(scenario, 150_000)
    assert_agrees(waiting_mean(sampled), exactly(QUEUEING["Q26"]["conserved_wait_s"]))
    if priorities == (0, 0):
        responses = [exactly(row["response_in_order_of_arrival_s"])] * 2
    elif priorities == (0, 1):
        responses = [exactly(text) for text in row["response_s"]]
    else:
        responses = [1.0 + float(wait) for wait in theory.priority_wait_means(rates[::-1], [1.0, 1.0])[::-1]]
    for name, response in zip(("first", "second"), responses, strict=True):
        assert_agrees(found(scenario, sampled, name).latency_s["mean"], response)
