"""Laws that figures of an answer keep whatever the distributions, and that a broken one is found."""

from dataclasses import replace

import pytest

from drives import controller, generic
from tailrace.answer.figures import LEVEL
from tailrace.answer.laws import broken_law, gaps_of_closed
from tailrace.answer.sample import Doubt, Sample
from tailrace.forecast.saturation import Load, offered_load
from tailrace.quantity import Quantity
from tailrace.replicate.boiled import replicate
from tailrace.replicate.replication import Replication
from tailrace.scenario import parse
from tailrace.scenario.tables.scenario import Scenario
from through import ENGINE

SEED = 3


def scenario(load: float) -> Scenario:
    return parse(f"""
load = {load}
{controller(per_request="20 us")}
[server.network]
rate = "1 Gbit/s"
{generic("exponential", "1 ms", servers=3)}
[[workload]]
name = "booking"
rate = "2700 /s"
request_size = "8 KiB"
[[workload]]
name = "manifests"
clients = 2
think_time = "5 ms"
request_size = "64 KiB"
""")


def runs(given: Scenario) -> list[Replication]:
    return [replicate(given, SEED, number, 4000, ENGINE) for number in range(8)]


def broken(given: Scenario, load: Load, replications: list[Replication]) -> Doubt | None:
    return broken_law(given, given.workload[0], load, Sample(replications))


def with_totals(found: list[Replication], name: str, **changes: float) -> list[Replication]:
    """The same with totals of a class that are so many times what they were."""
    changed = []
    for each in found:
        every = each.kinds[name]["all"]
        new = {
            field: type(getattr(every, field))(getattr(every, field) * by) for field, by in changes.items()
        }
        kinds = {**each.kinds[name], "all": replace(every, **new)}
        changed.append(replace(each, kinds={**each.kinds, name: kinds}))
    return changed


@pytest.mark.parametrize("share", [0.1, 0.5, 0.8])
def test_the_laws_hold_at_every_load(share: float) -> None:
    given = scenario(share)
    load, found = offered_load(given, SEED), runs(given)
    for workload in given.workload:
        assert broken_law(given, workload, load, Sample(found)) is None


def test_each_law_is_found_broken_when_its_figures_are_off() -> None:
    given = scenario(0.5)
    load, found = offered_load(given, SEED), runs(given)

    doubts = [
        broken(given, load, with_totals(found, "booking", total_s=1.001)),
        broken(given, load, with_totals(found, "booking", under_way_s=1.5)),
        broken(given, load, with_totals(found, "booking", completed=1.5, under_way_s=1.5)),
        broken(
            given,
            replace(load, per_request_s={name: 1.3 * each for name, each in load.per_request_s.items()}),
            found,
        ),
    ]
    said = [doubt.reason if doubt is not None else "" for doubt in doubts]
    assert "add up to" in said[0]
    assert "under way" in said[1]
    assert "are asked for" in said[2]
    assert "busy where rates and demands make it" in said[3]


@pytest.mark.parametrize("share", [0.1, 0.5, 0.8])
@pytest.mark.parametrize("off_by", [0.0, 0.03, 0.8])
def test_the_rate_of_closed_clients_is_no_surer_than_littles_law(share: float, off_by: float) -> None:
    given = scenario(share)
    found = with_totals(runs(given), "manifests", completed=1.0 + off_by)
    gaps = gaps_of_closed(given, Sample(found))
    plain, checked = Sample(found), Sample(found, gaps=gaps)
    assert list(gaps) == ["manifests"]
    assert gaps["manifests"] == pytest.approx(off_by, abs=0.005)

    def half_width(sample: Sample, quantity: str) -> float | None:
        return sample.section("manifests", Quantity(quantity)).estimate(LEVEL).half_width

    assert half_width(checked, "mean") == half_width(plain, "mean")
    for quantity in ("rate", "throughput"):
        alone, wider = half_width(plain, quantity), half_width(checked, quantity)
        value = plain.section("manifests", Quantity(quantity)).value
        assert alone is not None
        assert value is not None
        if off_by > 0.5:
            assert wider is None
        else:
            assert wider == pytest.approx(alone + gaps["manifests"] * value)
