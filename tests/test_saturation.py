"""What arms can carry: the same at every seed, with its interval, which decides what is called overloaded."""

import numpy as np
import pytest

from tailrace.forecast.estimate import estimate
from tailrace.forecast.result import Saturation
from tailrace.forecast.saturation import offered_load
from tailrace.report.figures import rounded_down
from tailrace.scenario import parse
from through import long_run, observe, shared_scenario

DRIVE = """
[server.media]
kind = "spinning"
capacity = "2 TB"
rpm = "7200 rpm"
seek_adjacent = "0.6 ms"
seek_average = "8.5 ms"
seek_full = "17 ms"
outer_rate = "200 MB/s"
inner_rate = "100 MB/s"
queue_slots = SLOTS
[server.layout]
stripe_unit = "1 MiB"
[[workload]]
name = "booking"
request_size = "8 KiB"
"""


@long_run
def test_what_arms_can_carry_hardly_depends_on_the_seed_and_its_interval_holds_a_long_run() -> None:
    text = DRIVE.replace("SLOTS", "32")
    found = [offered_load(parse(f'{text}rate = "1 /s"\n'), seed).binding for seed in range(6)]
    rates = np.array([each.load_factor for each in found if each is not None])
    assert rates.size == 6
    assert np.ptp(rates) < 0.01 * rates.mean()
    closed = observe(parse(f"{text}queue_depth = 32\n"), 400_000).marks
    done = closed.arrived - closed.present
    carried = float((done[-1] - done[2]) / (closed.time_s[-1] - closed.time_s[2]))
    for each in found:
        assert each is not None
        assert 0.001 < each.relative_half_width < 0.01
        assert each.low < carried < each.high


def test_a_load_within_the_interval_of_saturation_is_not_called_overloaded() -> None:
    one = parse(DRIVE.replace("SLOTS", "32") + 'rate = "1 /s"\n')
    edge = offered_load(one, 3).binding
    assert edge is not None
    beyond = one.model_copy(update={"load": edge.load_factor * (1 + edge.relative_half_width / 2)})
    answer = estimate(beyond, 3).saturation
    assert answer is not None
    assert answer.load_factor < 1 < answer.high
    assert not answer.is_exceeded
    far = one.model_copy(update={"load": edge.high * 1.001})
    assert estimate(far, 3).saturation is not None
    assert estimate(far, 3).saturation.is_exceeded  # type: ignore[union-attr]


def test_a_factor_is_promised_from_the_lower_end_of_its_interval() -> None:
    edge = Saturation("arm", "media", 1.002, 0.004)
    assert (edge.low, edge.high) == pytest.approx((0.998, 1.006), abs=1e-4)
    assert not edge.is_exceeded
    assert rounded_down(edge.low) == "0.997"  # 0.997992
    assert Saturation("cores", "controller", 1.0).is_exceeded


def test_a_stable_load_near_what_arms_carry_is_run() -> None:
    # 7,200/s, where the arms carry 7,297/s.
    assert not estimate(shared_scenario("booking-spinning", "load=3.6"), 8).saturation.is_exceeded  # type: ignore[union-attr]


@pytest.mark.parametrize("slots", [1, 1000, 9000])
def test_arms_with_more_queue_slots_than_the_run_has_accesses_are_measured_all_the_same(slots: int) -> None:
    scenario = parse(DRIVE.replace("SLOTS", str(slots)) + 'rate = "1 /s"\n')
    binding = offered_load(scenario, 1).binding
    assert binding is not None
    assert 50 < binding.load_factor < 2000
    assert estimate(scenario, 1).classes["booking"].mean_s == pytest.approx(12.9e-3, rel=0.1)
