"""Conditions in a scenario file: variants of one scenario, and everything that is wrong with them at once."""

import pytest

from studies import ONE_STATION, a_day, counter
from tailrace.errors import ScenarioError, SettingError
from tailrace.forecast.estimate import estimate
from tailrace.scenario import Scenario, parse
from tailrace.scenario.reading.conditions import only, settings, states
from tailrace.scenario.reading.dial import Dial
from tailrace.scenario.reading.variant import Variants

DAY = a_day('{ "workload.booking.rate" = "160 /s", server.media.servers = 3 }')


def day(*overrides: str) -> Scenario:
    return parse(ONE_STATION + DAY, overrides=overrides)


def faults(conditions: str) -> list[str]:
    with pytest.raises(ScenarioError) as caught:
        parse(ONE_STATION + conditions)
    return [str(each) for each in caught.value.problems]


def test_a_condition_is_the_scenario_with_its_keys_set_and_knows_nothing_of_the_others() -> None:
    found = {each.name: each for each in states(day())}
    alone = {
        "night": counter("load=0.2"),
        "noon": counter('workload.booking.rate="160 /s"', "server.media.servers=3"),
        "day": counter(),
    }
    assert {name: each.scenario.digest for name, each in found.items()} == {
        name: each.digest for name, each in alone.items()
    }
    assert [each.hours for each in found.values()] == [8, 2, 14]
    assert only(day(), "noon").digest == alone["noon"].digest


def test_a_scenario_without_conditions_is_its_own_only_state() -> None:
    (state,) = states(counter())
    assert (state.name, state.weight, state.scenario) == ("", 1.0, counter())
    with pytest.raises(SettingError, match="none: the scenario has no conditions"):
        only(counter(), "noon")


def test_conditions_count_in_the_identity_of_a_scenario_but_not_in_what_is_simulated() -> None:
    assert day().digest != counter().digest
    assert day().simulated_digest == counter().simulated_digest


def test_keys_set_from_outside_hold_under_those_of_a_condition() -> None:
    found = {each.name: each.scenario for each in states(day("load=3", "server.media.servers=7"))}
    assert [each.load for each in found.values()] == [0.2, 3, 3]
    assert [each.server.pools[0].media.servers for each in found.values()] == [7, 3, 7]
    (night, *_) = states(day("condition.night.set.load=0.5"))
    assert night.scenario.load == 0.5


def test_tables_in_a_condition_are_taken_apart_into_keys() -> None:
    table = {
        "server": {"layout": {"failed": 1}},
        "workload.a b.rate": "1 /s",
        "workload": {"c d": {"rate": 2}},
    }
    assert settings(table) == {
        "server.layout.failed": 1,
        "workload.a b.rate": "1 /s",
        'workload."c d".rate': 2,
    }


def test_a_class_without_clients_is_not_there_in_a_condition() -> None:
    scan = '[[workload]]\nname = "scan"\nqueue_depth = 1\nrequest_size = "64 KiB"\n'
    off = DAY.replace("load = 0.2", "workload.scan.clients = 0")
    night, noon, _ = states(parse(ONE_STATION + scan + off))
    assert [each.name for each in night.scenario.workload] == ["booking"]
    assert [each.name for each in noon.scenario.workload] == ["booking", "scan"]


def test_a_key_that_conditions_set_themselves_grows_with_the_scenarios_in_proportion() -> None:
    dial = Dial(Variants(day()), "load")
    assert dial.set_by_conditions == {"night": "load"}
    turned = dial.at(3.0)
    assert turned is not None
    assert [each.scenario.load for each in states(turned)] == pytest.approx([0.6, 3, 3])
    rate = Dial(Variants(day()), "workload.booking.rate").at(200.0)
    assert rate is not None
    assert [each.scenario.workload[0].rate for each in states(rate)] == pytest.approx([200, 320, 200])
    servers = Dial(Variants(day()), "server.media.servers").at(4)
    assert servers is not None
    assert [each.scenario.server.pools[0].media.servers for each in states(servers)] == [4, 6, 4]


def test_everything_that_is_wrong_with_conditions_is_said_at_once_once_each() -> None:
    found = faults(
        """
[[condition]]
name = "night"
hours = 8
set = { lod = 0.2, "server.layot.failed" = 1, "workload.bookin.rate" = "1 /s", "run.seed" = 3, condition = 4 }
[[condition]]
name = "noon"
hours = 0
set = { "workload.booking.queue_depth" = 3, "server.media.part" = "spinning-7200" }
[[condition]]
name = "noon"
hours = 2
weight = 3
set = { "workload.booking.rate" = 3, load = -1, "a b" = 3 }
"""
    )
    told = sorted(each.split("<text>: ")[1].split("; accepted")[0] for each in found)
    assert told == sorted(
        [
            "condition[2].weight = 3: unknown key",
            "condition[1].hours = 0: not above 0",
            'condition[2].name = "noon": a second condition of this name',
            'condition.night.set."workload.bookin.rate" = "1 /s": workload.bookin: nothing of this name or position',
            'condition.night.set."run.seed" = 3: not for a condition to set',
            "condition.night.set.condition = 4: not for a condition to set",
            'condition.night.set."server.layot.failed" = 1: server.layot: unknown key',
            "condition.night.set.lod = 0.2: unknown key",
            'condition[1].set."server.media.part" = "spinning-7200": not for a condition to set',
            'condition[1].set."workload.booking.queue_depth" = 3: workload.booking: '
            "both rate and queue_depth or think_time",
            'condition[2].set."a b" = 3: "a b" is not a key',
            "condition[2].set.load = -1: not above 0",
            'condition[2].set."workload.booking.rate" = 3: a number without a unit',
        ]
    )


@pytest.mark.parametrize(
    ("conditions", "said"),
    [
        ('[[condition]]\nname = "a"\nhours = 1\n[[condition]]\nname = "b"\n', "condition.b.hours: missing"),
        (
            '[[condition]]\nname = "a"\nhours = 1\n[[condition]]\nname = "b"\nshare = 0.5\n',
            "given beside hours",
        ),
        ('[[condition]]\nname = "a"\nshare = 0.5\n[[condition]]\nname = "b"\nshare = 0.4\n', "add up to 0.9"),
        ('[[condition]]\nname = "a"\nbegins = "22:00"\n', "given without hours"),
        ('[[condition]]\nname = "a"\nhours = 1\nbegins = "25:00"\n', "begins"),
        (
            '[[condition]]\nname = "a"\nhours = 1\n[[condition]]\nname = "b"\nhours = 1\nbegins = "9:00"\n',
            "given of another than the first",
        ),
        ('[[condition]]\nname = "a"\nset = 3\n', "not a table"),
    ],
)
def test_weights_and_times_that_contradict_one_another_are_refused(conditions: str, said: str) -> None:
    (found,) = faults(conditions)
    assert said in found


def test_what_takes_no_conditions_says_so_and_names_them() -> None:
    with pytest.raises(SettingError, match=r"'night', 'noon', 'day'.*tailrace\.conditions"):
        estimate(day())
