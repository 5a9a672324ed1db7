"""Relief: doubling and halving what a server has, on the same random numbers."""

import json
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console

import tailrace
from studies import counter
from tailrace.measure.estimate import student_quantile
from tailrace.report.terminal.results import as_text
from tailrace.scenario import load
from tailrace.scenario.reading.variant import Variants
from tailrace.study.relief import Relief, relief
from tailrace.study.resources import changes, resources
from tailrace.theory import mmc_response_mean

SCENARIOS = Path(__file__).parent.parent / "shared" / "scenarios"


@pytest.fixture(scope="module")
def found() -> Relief:
    scenario = counter(
        'workload.booking.target={mean = "1.2 ms"}',
        "server.media.price=700",
        'server.media.power="12 W"',
        "run.requests=20000",
        "run.replications=8",
    )
    return relief(scenario)


def test_a_flash_server_has_all_its_resources() -> None:
    names = [each.name for each in resources(load(SCENARIOS / "booking-flash.toml"))]
    assert names == [
        "network",
        "cores",
        "CPU cost",
        "lanes",
        "drives",
        "media speed",
        "dies",
        "buffer",
        "queue slots",
    ]


def test_doubling_doubles_what_is_more_and_halves_times() -> None:
    scenario = load(SCENARIOS / "booking-flash.toml")
    doubled = {each.resource.name: each.scenario for each in changes(Variants(scenario), 2.0)}
    for each in doubled.values():
        assert each is not None
    assert doubled["cores"].server.controller.cores == 32
    assert doubled["CPU cost"].server.controller.per_request == pytest.approx(3.5e-6)
    assert doubled["CPU cost"].server.controller.copy_rate == pytest.approx(16e9)
    assert doubled["lanes"].server.lanes.width == 4
    assert doubled["network"].server.network.rate == pytest.approx(6.25e9)
    assert doubled["media speed"].server.media.cell_read == pytest.approx(32.5e-6)
    assert doubled["queue slots"].server.media.queue_slots == 2048


def test_what_the_scenario_does_not_accept_is_said() -> None:
    scenario = load(SCENARIOS / "booking-flash.toml", ['workload.booking.span="40 TiB"'])
    halved = {each.resource.name: each for each in changes(Variants(scenario), 0.5)}
    assert halved["drives"].scenario is None
    assert "usable capacity" in halved["drives"].reason


def test_the_ratio_of_the_means_is_that_of_theory(found: Relief) -> None:
    now = float(mmc_response_mean(1000.0, 1e3, 2))
    expected = {
        "servers of a drive": float(mmc_response_mean(1000.0, 1e3, 4)) / now,
        "media speed": float(mmc_response_mean(1000.0, 2e3, 2)) / now,
        # two drives of two servers, half of the requests each
        "drives": float(mmc_response_mean(500.0, 1e3, 2)) / now,
    }
    doubled = {each.resource: each for each in found.doubled}
    for name, ratio in expected.items():
        paired = doubled[name].paired
        assert paired is not None
        assert paired.ratio.low is not None
        assert paired.ratio.high is not None
        assert paired.ratio.low < ratio < paired.ratio.high, name
        assert paired.ratio.half_width < 0.03


def test_the_best_comes_first_and_overload_last(found: Relief) -> None:
    changed = [each.change for each in found.doubled]
    assert changed == sorted(changed)
    assert found.doubled[0].resource == "media speed"
    # half of one drive is none, and is not tried
    assert {each.resource: each.verdict for each in found.halved} == {
        "servers of a drive": "overloaded",
        "media speed": "overloaded",
    }
    assert found.halved[0].reason == "drive cannot keep up"


def test_pairing_makes_the_interval_of_a_change_narrower_than_those_of_its_ends(found: Relief) -> None:
    faster = next(each for each in found.doubled if each.resource == "media speed")
    assert faster.paired is not None
    assert faster.value is not None
    apart = (faster.value.half_width**2 + found.now.half_width**2) ** 0.5
    # the intervals of the three changes hold together, so each of them is wider than one of 95 %
    wider = student_quantile(1 - 0.05 / 3, 7) / student_quantile(0.95, 7)
    assert faster.paired.difference.half_width < 0.9 * wider * apart


def test_what_has_a_price_says_what_the_change_costs(found: Relief) -> None:
    prices = {each.resource: (each.price, each.power_w) for each in found.doubled}
    assert prices["drives"] == (700, 12)
    assert prices["media speed"] == (None, None)
    assert {each.resource: each.price for each in found.halved}.get("drives") is None


def test_an_overloaded_server_is_relieved_by_more_of_what_binds() -> None:
    answer = tailrace.relief(counter("load=3", 'workload.booking.target.p99="20 ms"'))
    assert answer.verdict == "overloaded"
    verdicts = {each.resource: each.verdict for each in answer.doubled}
    assert verdicts["servers of a drive"] in ("met", "undecided")
    assert all(each.paired is None for each in answer.doubled)
    assert "cannot keep up" in as_text(answer)


@pytest.mark.parametrize("width", [80, 100])
def test_the_answer_fits_the_terminal(found: Relief, width: int) -> None:
    text = as_text(found, Console(file=StringIO(), width=width, color_system=None))
    assert max(map(len, text.splitlines())) <= width
    assert "…" not in text
    json.dumps(found.as_dict(), allow_nan=False)
