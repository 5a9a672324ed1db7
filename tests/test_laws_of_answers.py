"""Laws that figures of an answer keep whatever the distributions, and that a broken one is found."""

from dataclasses import replace

import pytest

from drives import controller, generic
from tailrace.answer.laws import broken_law
from tailrace.answer.sample import Doubt, Sample
from tailrace.forecast.saturation import Load, offered_load
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


@pytest.mark.parametrize("share", [0.1, 0.5, 0.8])
def test_the_laws_hold_at_every_load(share: float) -> None:
    given = scenario(share)
    load, found = offered_load(given, SEED), runs(given)
    for workload in given.workload:
        assert broken_law(given, workload, load, Sample(found)) is None


def test_each_law_is_found_broken_when_its_figures_are_off() -> None:
    given = scenario(0.5)
    load, found = offered_load(given, SEED), runs(given)

    def with_totals(**changes: float) -> list[Replication]:
        changed = []
        for each in found:
            every = each.kinds["booking"]["all"]
            new = {
                name: type(getattr(every, name))(getattr(every, name) * by) for name, by in changes.items()
            }
            kinds = {**each.kinds["booking"], "all": replace(every, **new)}
            changed.append(replace(each, kinds={**each.kinds, "booking": kinds}))
        return changed

    doubts = [
        broken(given, load, with_totals(total_s=1.001)),
        broken(given, load, with_totals(under_way_s=1.5)),
        broken(given, load, with_totals(completed=1.5, under_way_s=1.5)),
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
