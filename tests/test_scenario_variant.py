"""Scenarios that differ in some keys, and what a server costs."""

from pathlib import Path

import pytest

from drives import generic
from tailrace.errors import ScenarioError
from tailrace.scenario import load, parse
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.cost import cost
from tailrace.scenario.tables.scenario import Scenario

SCENARIOS = sorted((Path(__file__).parent.parent / "shared" / "scenarios").glob("*.toml"))

PRICED = f"""
[server]
price = 3000
[server.network]
ports = 2
rate = "25 Gbit/s"
price = 150.0
power = "8 W"
[server.controller]
cores = 16
per_request = "7 us"
power = "0.006 kW"
[server.lanes]
pcie_generation = 4
drives_per_adapter = 8
adapter_generation = 4
adapter_width = 8
price = 400
{generic("constant", "100 us", count=12, price=700, power="12 W")}
[[workload]]
name = "booking"
rate = "100 /s"
request_size = "8 KiB"
"""


def priced(*settings: str) -> Scenario:
    return parse(PRICED, overrides=settings)


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_a_scenario_written_back_to_tables_is_read_as_the_same_scenario(path: Path) -> None:
    scenario = load(path)
    assert Variants(scenario).with_keys([]) == scenario


def test_keys_set_later_give_what_keys_set_at_loading_give() -> None:
    settings = ["server.media.count=7", 'workload.booking.rate="250 /s"', "load=0.5"]
    assert Variants(load(SCENARIOS[0])).with_keys(settings) == load(SCENARIOS[0], settings)


def test_a_key_is_looked_up_with_its_kind() -> None:
    variants = Variants(priced())
    assert variants.value("server.media.count") == 12
    assert variants.value("workload.booking.rate") == 100.0
    assert variants.shape("workload.booking.rate").quantity == "request rate"
    assert variants.value("server.media.kind") == "generic"
    for key in ("server.media", "server.media.cuont", "workload.scan.rate", "a b"):
        with pytest.raises(ScenarioError):
            variants.value(key) if key == "server.media" else variants.shape(key)


def test_what_is_wrong_with_a_variant_names_key_and_value() -> None:
    with pytest.raises(ScenarioError, match=r"server\.media\.count = 0"):
        Variants(priced()).with_keys(["server.media.count=0"])


def test_a_server_costs_the_sum_of_its_parts_and_says_what_is_lacking() -> None:
    found = cost(priced().server)
    # 2 ports at 150, two adapters for 12 drives at 400, 12 drives at 700, the rest 3,000
    assert found.price == 2 * 150 + 2 * 400 + 12 * 700 + 3000
    assert found.lacking_price == ("cores",)
    assert found.power_w == pytest.approx(2 * 8 + 16 * 6 + 12 * 12)
    assert found.lacking_power == ("adapters", "the rest")


def test_without_any_price_the_cost_is_not_known() -> None:
    bare = cost(load(SCENARIOS[0]).server)
    assert bare.price is None
    assert bare.power_w is None


def test_what_is_simulated_does_not_depend_on_title_targets_prices_and_lengths() -> None:
    scenario = priced()
    same = priced(
        "title=Other", "server.media.price=9", 'workload.booking.target.p99="1 ms"', "run.requests=2000"
    )
    assert same.simulated_digest == scenario.simulated_digest
    assert same.digest != scenario.digest
    assert priced("server.media.count=11").simulated_digest != scenario.simulated_digest


def test_another_part_in_a_variant_replaces_all_keys_but_how_many_there_are():
    scenario = parse(
        '[server]\nmedia = {part = "spinning-7200", count = 24, rpm = "5400 rpm"}\n'
        '[[workload]]\nname = "booking"\nrate = "1 /s"\nrequest_size = "8 KiB"\n'
    )
    media = Variants(scenario).with_keys(["server.media.part=spinning-10000"]).server.media
    assert (media.count, media.capacity, media.rpm) == (24, 1.8e12, 10000 / 60)
    with pytest.raises(ScenarioError, match=r"override: server.media.part = .*nearest: .spinning-10000"):
        Variants(scenario).with_keys(["server.media.part=spinning-1000"])
