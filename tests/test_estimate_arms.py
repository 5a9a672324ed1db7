"""What closed forms say of spinning drives, whose arms choose: bounds that hold, means summed rather than sampled."""

import math

import numpy as np
import pytest

from drives import spinning
from tailrace import theory
from tailrace.forecast.estimate import estimate
from tailrace.scenario import parse
from through import ENGINE, observe, shared_scenario

FOUR = f"""
{spinning(count=4, inner_rate="100 MB/s")}
[server.layout]
stripe_unit = "64 KiB"
[[workload]]
name = "booking"
queue_depth = 256
request_size = "8 KiB"
"""

BESIDE_STREAMS = f"""
{spinning(count=20)}
[server.layout]
redundancy = "double parity"
group = 10
stripe_unit = "256 KiB"
[[workload]]
name = "ingest"
clients = 100
rate = "RATE"
request_size = "1 MiB"
read_share = 0.0
pattern = "sequential"
[[workload]]
name = "clips"
clients = 6
queue_depth = 1
request_size = "4 MiB"
pattern = "random"
"""

needs_speed = pytest.mark.skipif(ENGINE == "reference", reason="needs the compiled engine")


def unchosen_s(turn_s: float = 60 / 7200, size: int = 8192) -> float:
    """Command, seek between two addresses anywhere, half a turn and transfer, by summing over addresses.

    Seeks of 0.6, 8.5 and 17 ms over the least, a mean and the whole of the stroke; 200 MB/s outside, 100 inside, so
    that half of the radius is used and the capacity inside of a radius goes with its square. Derived.
    """
    address = (np.arange(2000) + 0.5) / 2000
    radius = np.sqrt(1 - address * (1 - 0.25))
    stroke = (1 - radius) / 0.5
    apart = np.abs(stroke[:, None] - stroke)
    # a + b sqrt(x) + c x with a = 0.6, a + b + c = 17 and, over pairs uniform in radius, a + 8/15 b + c/3 = 8.5 ms.
    b, c = np.linalg.solve([[1, 1], [8 / 15, 1 / 3]], [16.4, 7.9])
    seek_s = 1e-3 * float(np.mean(0.6 + b * np.sqrt(apart) + c * apart))
    transfer_s = float(np.mean(size / (200e6 * radius)))
    return 40e-6 + seek_s + turn_s / 2 + transfer_s


@pytest.mark.parametrize("seed", [1, 3])
def test_one_request_at_a_time_takes_what_integration_says(seed: int) -> None:
    text = FOUR.replace("queue_depth = 256", "queue_depth = 1").replace("count = 4", "count = 1")
    known = estimate(parse(text), seed).classes["booking"]
    assert known.mean_s == pytest.approx(unchosen_s(), rel=2.5e-3)
    assert known.rate_per_s == pytest.approx(1 / unchosen_s(), rel=2.5e-3)


@needs_speed
def test_arms_with_all_slots_taken_are_no_faster_than_their_bound() -> None:
    # Little's law over the second half of a run: 256 requests are always there.
    marks = observe(parse(FOUR), 60_000).marks
    half = marks.time_s.size // 2
    done = marks.arrived - marks.present
    simulated_s = 256 * (marks.time_s[-1] - marks.time_s[half]) / (done[-1] - done[half])
    for seed in range(1, 5):
        known = estimate(parse(FOUR), seed).classes["booking"]
        assert known.low_s is not None
        assert 0.95 * simulated_s < known.low_s < simulated_s
        assert known.high_s is not None
        assert simulated_s < known.high_s


@needs_speed
@pytest.mark.parametrize("more", ['[server.layout]\nredundancy = "single parity"', 'write_cache = "1 MiB"'])
def test_a_bound_holds_where_one_access_leads_to_the_next_and_behind_a_write_cache(more: str) -> None:
    # Parity is read and then written at the same place; destages are at the arm beside the queue slots.
    workload = 'queue_depth = 256\nrequest_size = "8 KiB"\nread_share = 0.3\n'
    scenario = parse(f'{spinning(count=4)}\n{more}\n[[workload]]\nname = "booking"\n{workload}')
    marks = observe(scenario, 8000).marks
    half = marks.time_s.size // 2
    done = marks.arrived - marks.present
    simulated_s = 256 * (marks.time_s[-1] - marks.time_s[half]) / (done[-1] - done[half])
    known = estimate(scenario, 1).classes["booking"]
    assert known.low_s is not None
    assert 0.0 < known.low_s < simulated_s


@pytest.mark.parametrize("rate", ["1 /s", "2 /s"])
def test_a_bound_beside_open_streams_holds_however_much_of_the_arms_they_take(rate: str) -> None:
    scenario = parse(BESIDE_STREAMS.replace("RATE", rate))
    observed = observe(scenario, 3000)
    simulated_s = float(observed.latency_s[observed.class_index == 0].mean())
    low_s = estimate(scenario, 1).classes["clips"].low_s
    assert low_s is not None
    # Sixteen pieces of 256 KiB over eight drives of data: two of them pass at most of 200 MB/s one after the other.
    assert 2 * 256 * 1024 / 200e6 < low_s < simulated_s


@pytest.mark.parametrize(("scv", "load"), [(0.0, 0.3), (0.2, 0.8), (1.0, 0.95), (4.0, 0.7)])
def test_a_server_that_gains_nothing_by_a_choice_is_pollaczeks_and_khinchines(
    scv: float, load: float
) -> None:
    found = theory.mg1_by_queue(load, np.ones(5), np.full(5, scv))
    assert found.wait_s == pytest.approx(load * (1 + scv) / 2 / (1 - load), rel=1e-6)
    assert found.wait_probability == pytest.approx(load, rel=1e-6)
    assert found.service_s == pytest.approx(1.0, rel=1e-9)
    assert found.service_scv == pytest.approx(scv, abs=1e-6)


def test_a_server_that_is_faster_the_more_wait_stays_within_what_a_chain_of_its_own_says() -> None:
    # The same queue by simulation of departures: constant services, 1, 0.7 and 0.5 with one, two, more to choose from.
    service = np.array([1.0, 0.7, 0.5])
    draw = np.random.default_rng(3)
    left, total, time_s, rate = 0, 0.0, 0.0, 1.2
    come = {each: draw.poisson(rate * each, 200_000).tolist() for each in service.tolist()}
    number = 200_000
    for customer in range(number):
        each = float(service[min(max(left, 1), 3) - 1])
        left = max(left, 1) - 1 + come[each][customer]
        total, time_s = total + left, time_s + each
    found = theory.mg1_by_queue(rate, service, np.zeros(3))
    assert found.wait_s + found.service_s == pytest.approx(total / number / rate, rel=0.02)
    assert found.service_s == pytest.approx(time_s / number, rel=0.005)


def test_a_server_of_which_too_much_is_asked_is_refused() -> None:
    with pytest.raises(theory.OutsideValidityError):
        theory.mg1_by_queue(2.0, np.array([1.0, 0.5]), np.zeros(2))


@needs_speed
@pytest.mark.parametrize(
    ("name", "booked", "requests", "off"),
    [
        ("booking-spinning", "booking", 60_000, 0.035),
        pytest.param("degraded", "booking", 30_000, 0.035, marks=pytest.mark.whole),
        pytest.param("log-and-data", "booking data", 20_000, 0.035, marks=pytest.mark.whole),
        ("mixed", "booking", 30_000, 0.06),  # beside clients whose requests go many ways at once
    ],
)
def test_means_of_ready_scenarios_come_within_a_few_per_cent(
    name: str, booked: str, requests: int, off: float
) -> None:
    scenario = shared_scenario(name)
    place = sorted(each.name for each in scenario.workload).index(booked)
    observed = observe(scenario, requests)
    latency_s = observed.latency_s[observed.class_index == place]
    known = estimate(scenario, 7).classes[booked].mean_s
    assert known == pytest.approx(float(latency_s[latency_s.size // 10 :].mean()), rel=off)
    assert math.sqrt(latency_s.var() / latency_s.size) < 0.015 * latency_s.mean()
