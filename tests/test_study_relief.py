"""Relief: doubling and halving what a server has, on the same random numbers."""

import json
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console

import tailrace
from studies import closed, counter
from tailrace.hardware.flash import FlashCost
from tailrace.measure.interval import student_quantile
from tailrace.report.terminal.results import as_text
from tailrace.scenario import load, parse
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.relief import Relief, relief
from tailrace.study.resources import changes, resources
from tailrace.theory import mmc_response_mean

DATASHEET = """
[server]
media = {part = "flash-datasheet", count = 1}
lanes = "flash-datasheet"
[[workload]]
name = "booking"
queue_depth = 8
request_size = "4 KiB"
"""
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
        "CPU speed",
        "lanes",
        "drives",
        "cell speed",
        "bus rate",
        "command rate",
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
    assert doubled["CPU speed"].server.controller.per_request == pytest.approx(3.5e-6)
    assert doubled["CPU speed"].server.controller.copy_rate == pytest.approx(16e9)
    assert doubled["lanes"].server.lanes.width == 4
    assert doubled["network"].server.network.rate == pytest.approx(6.25e9)
    assert doubled["cell speed"].server.media.cell_read == pytest.approx(32.5e-6)
    assert doubled["queue slots"].server.media.queue_slots == 2048


def test_what_is_changed_is_named_and_shown() -> None:
    # The seeks have a row of their own beside the turning platter, and links are known by the rate of their line.
    scenario = load(SCENARIOS / "booking-spinning.toml")
    doubled = {each.resource.name: each for each in changes(Variants(scenario), 2.0)}
    turning, seeking = doubled["rotation, media rate"], doubled["seek speed"]
    assert turning.described == "7200 to 14400 rpm"
    assert turning.scenario.server.media.seek_average == scenario.server.media.seek_average
    assert seeking.described == "8.5 to 4.25 ms"
    assert seeking.scenario.server.media.rpm == scenario.server.media.rpm
    assert doubled["lanes"].described == "12 to 24 Gbit/s"
    assert set(seeking.settings) >= {'server.media.seek_full="8.5 ms"', 'server.media.seek_adjacent="300 us"'}


def test_a_drive_that_was_fitted_to_a_datasheet_stays_as_it_is_behind_another_link() -> None:
    scenario = parse(DATASHEET)
    fitted = drive(scenario)
    variants = Variants(scenario).fitted()
    assert drive(variants.scenario) == fitted
    changed = {each.resource.name: each.scenario for each in changes(variants, 0.5)}
    assert drive(changed["lanes"]) == drive(changed["queue slots"]) == fitted
    assert drive(changed["dies"]).dies == fitted.dies // 2
    # The same where a study turns a key of the link, but a drive that is described anew is fitted anew.
    assert drive(Variants(scenario).with_keys(["server.lanes.width=1"])) == fitted
    other = ["server.lanes.width=1", 'server.media.read_latency="100 us"']
    assert drive(Variants(scenario).with_keys(other)) != fitted


def drive(scenario: Scenario) -> FlashCost:
    """What one drive of the first pool costs."""
    pool = scenario.server.pools[0]
    return FlashCost.of(pool.media, pool.lanes)


def test_half_of_what_a_closed_class_needs_for_its_rate_does_not_do() -> None:
    # Alone at four servers of 1 ms a client gets 1,000/s, and half of that at half their speed: within its target.
    found = tailrace.relief(closed('workload.scan.target.mean="4 ms"'))
    halved = {each.resource: each for each in found.halved}
    slow, fewer = halved["media speed"], halved["servers of a drive"]
    assert (slow.verdict, fewer.verdict) == ("met", "met")
    assert slow.rates["scan"].ratio.value == pytest.approx(0.5, rel=1e-3)
    assert fewer.would_do
    assert not slow.would_do
    text = " ".join(as_text(found).split())
    assert "Half of any one of these would do: servers of a drive." in text
    assert "slows a closed class: media speed (up to 50.0 % of the rate of scan)" in text


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
    # Three times 1,000/s on two servers of 1 ms: two thirds of it can be carried, 4/3 with twice as much.
    assert answer.carries == pytest.approx(2 / 3)
    assert [each.carries for each in answer.doubled] == [pytest.approx(4 / 3)] * 3
    assert [each.carries for each in answer.halved] == [pytest.approx(1 / 3)] * 2
    text = " ".join(as_text(answer).split())
    assert "Overloaded now: drive cannot keep up, and 0.666 times this load can be carried." in text


@pytest.mark.parametrize("width", [80, 100])
def test_the_answer_fits_the_terminal(found: Relief, width: int) -> None:
    text = as_text(found, Console(file=StringIO(), width=width, color_system=None))
    assert max(map(len, text.splitlines())) <= width
    assert "…" not in text
    json.dumps(found.as_dict(), allow_nan=False)
