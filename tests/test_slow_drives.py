"""Drives slower than their fellows: what they cost alone, what binds, and what is refused."""

import numpy as np
import pytest

from drives import generic
from tailrace.errors import ScenarioError
from tailrace.forecast.saturation import offered_load
from tailrace.plan.columns import READ
from tailrace.scenario import parse
from through import observe, shared_scenario

GENERIC = f"""
{generic(count=4, slow_drives=1, slow_factor=5.0)}
[server.layout]
stripe_unit = "64 KiB"
[[workload]]
name = "booking"
think_time = "1 s"
request_size = "64 KiB"
"""
OPEN = GENERIC.replace('think_time = "1 s"', 'rate = "400 /s"')


def test_the_first_drives_take_slow_factor_as_long_and_the_others_do_not() -> None:
    latency = observe(parse(GENERIC, overrides=["server.media.slow_drives=2"]), 400).latency_s
    slow = latency > 3e-3
    assert latency[slow] == pytest.approx(np.full(slow.sum(), 5e-3), abs=1e-9)
    assert latency[~slow] == pytest.approx(np.full((~slow).sum(), 1e-3), abs=1e-9)
    assert abs(slow.mean() - 0.5) < 4 * 0.5 / np.sqrt(400)


def test_the_slow_drive_is_what_binds() -> None:
    # 100 requests a second to each drive: the slow one is half used, the others a tenth
    binding = offered_load(parse(OPEN), seed=1).binding
    assert binding is not None
    assert binding.station == "slow drive"
    assert binding.load_factor == pytest.approx(2.0, rel=0.05)


def test_all_drives_may_be_slow() -> None:
    load = offered_load(parse(OPEN, overrides=["server.media.slow_drives=4"]), seed=1)
    assert [bank.name for bank in load.banks] == ["slow drive"]


@pytest.mark.parametrize(
    ("override", "said"),
    [("slow_drives=5", "at most 4"), ("slow_drives=-1", "slow_drives"), ("slow_factor=0.5", "slow_factor")],
)
def test_slow_drives_that_cannot_be_are_refused(override: str, said: str) -> None:
    with pytest.raises(ScenarioError, match=said):
        parse(GENERIC, overrides=[f"server.media.{override}"])


def test_slow_drives_need_to_be_told_how_slow_they_are() -> None:
    with pytest.raises(ScenarioError, match="slow_drives with slow_factor"):
        parse(GENERIC.replace("slow_factor = 5.0\n", ""))


def test_a_factor_without_slow_drives_changes_nothing() -> None:
    observed = observe(parse(GENERIC, overrides=["server.media.slow_drives=0"]), 100)
    assert observed.latency_s == pytest.approx(np.full(100, 1e-3), abs=1e-9)


def test_one_slow_flash_drive_among_twelve_makes_the_slowest_reads_and_spares_the_median() -> None:
    def reads(*overrides: str) -> np.ndarray:
        observed = observe(shared_scenario("slow-drive", *overrides), 8000)
        return observed.latency_s[observed.kind == READ]

    slow, healthy = reads(), reads("server.media.slow_drives=0")
    assert np.median(slow) < 1.05 * np.median(healthy)
    assert np.quantile(slow, 0.99) > 1.7 * np.quantile(healthy, 0.99)
