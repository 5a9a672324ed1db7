"""Shares within a time, amounts of work, and conditions of a recorded day."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from studies import ONE_STATION
from tailrace.answer.bench import Evidence
from tailrace.answer.figures import finished
from tailrace.answer.mixture import Mixture, Part
from tailrace.answer.sample import Sample
from tailrace.answer.together import OVER_ALL, Together, statements
from tailrace.answer.work import work_of
from tailrace.cli import app
from tailrace.errors import ScenarioError
from tailrace.measure.section import Sectioned
from tailrace.quantity import Quantity, quantile_at
from tailrace.replicate.boiled import replicate
from tailrace.scenario import Scenario, parse
from tailrace.scenario.reading.conditions import states
from tailrace.scenario.reading.read import load
from tailrace.theory import mmc_response_tail
from through import ENGINE

NIGHT = """
[[workload]]
name = "manifests"
queue_depth = 1
request_size = "1 MB"
amount = "20 TB"
[workload.target]
finished_within = "8 h"
[[condition]]
name = "night"
begins = "22:00"
hours = 8
set = { load = 0.2 }
[[condition]]
name = "day"
hours = 16
set = { workload.manifests.clients = 0 }
"""


def seen(scenario: Scenario, requests: int = 4000) -> list[Evidence]:
    return [
        Evidence(
            each.scenario,
            Sample([replicate(each.scenario, 1, number, requests, ENGINE) for number in range(6)]),
            requests,
        )
        for each in states(scenario)
    ]


# Shares


def test_a_share_within_a_time_is_known_by_its_text() -> None:
    found = Quantity("read within 2.5 ms")
    assert (found, found.kind, found.seconds, found.dimension) == (
        "read_within_2.5_ms",
        "read",
        0.0025,
        "share",
    )
    assert not found.is_upper
    assert not found.is_latency
    assert not found.is_rate
    assert found.shown == "read within 2.5 ms"
    assert found.column == "read_within_2.5_ms_share"
    assert found.promise("reads", "99 %") == "99 % of the reads are to be answered within 2.5 ms."
    assert Quantity("finished_within").is_upper
    assert not Quantity("finished_within").is_latency
    with pytest.raises(ValueError, match="no figure of a class"):
        Quantity("within ms")


@pytest.mark.parametrize(
    ("share", "text"),
    [(0.9, "p90"), (0.99, "p99"), (0.9995, "p9995"), (0.5, "p50"), (0.05, "p05"), (1 - 1e-9, "p99999")],
)
def test_what_steers_a_share_is_the_quantile_at_it(share: float, text: str) -> None:
    assert quantile_at("all", share) == text


def test_the_share_within_a_time_is_that_of_the_station() -> None:
    within = 'within = {time = "4 ms", share = 0.9}'
    scenario = parse(ONE_STATION.replace('p99 = "12 ms"', within), overrides=["run.requests=20000"])
    (quantity, limit), *_ = scenario.workload[0].limits
    assert (quantity, limit) == ("within_4_ms", 0.9)
    (evidence,) = seen(scenario, 20_000)
    exact = 1 - float(mmc_response_tail(0.004, 1000.0, 1000.0, 2))
    estimate = evidence.estimate("booking", quantity)
    assert estimate.value == pytest.approx(exact, abs=0.003)
    assert estimate.low is not None
    assert estimate.high is not None
    assert estimate.low <= exact <= estimate.high
    (target,) = evidence.targets
    assert target.verdict == "met"
    kept = Sample([each.kept((0.5, 0.9, 0.99)) for each in evidence.sample])
    assert kept.section("booking", quantity).value == pytest.approx(estimate.value, abs=0.002)


def test_a_sample_without_a_single_late_request_is_not_sure_of_all() -> None:
    (evidence,) = seen(parse(ONE_STATION), 1000)
    estimate = evidence.estimate("booking", "within_10_s")
    assert estimate.value == 1.0
    # a dozen of some 5,400 requests may be late
    assert estimate.low == pytest.approx(1 - 12 / estimate.n)


def test_over_conditions_a_share_is_that_of_all_requests() -> None:
    day = parse(
        ONE_STATION
        + '[[condition]]\nname = "a"\nhours = 1\nset = {load = 0.2}\n[[condition]]\nname = "b"\nhours = 3\n'
    )
    parts = [
        Part(each.name, each.weight, one.sample) for each, one in zip(states(day), seen(day), strict=True)
    ]
    figure = Quantity("within_2_ms")
    low, high = (each.sample.section("booking", figure).value or 0.0 for each in parts)
    # 200 and 1,000 a second for one and three hours
    mixed = Mixture(parts).section("booking", figure).value
    assert mixed == pytest.approx((200 * low + 3000 * high) / 3200, abs=0.002)


def test_a_share_is_promised_with_a_time_and_a_share_below_one() -> None:
    for wrong in ('{time = "4 ms"}', '{time = "4 ms", share = 1.0}', '"4 ms"'):
        with pytest.raises(ScenarioError, match=r"workload\.booking\.target\.within"):
            parse(ONE_STATION.replace('p99 = "12 ms"', f"within = {wrong}"))


# Work


def test_the_time_of_an_amount_is_amount_over_throughput_with_its_relative_error() -> None:
    found = finished(Sectioned(2e8, np.array([1e6, -1e6]), 9), 10**12)
    assert found.value == 5000
    assert found.deviations.tolist() == [-25.0, 25.0]
    assert finished(Sectioned(0.0, np.zeros(2), 9), 10**12).value is None


def test_work_goes_on_over_conditions_and_rests_where_its_class_is_away() -> None:
    scenario = parse(ONE_STATION + NIGHT)
    evidence = seen(scenario)
    rate = evidence[0].section("manifests", "throughput").value
    assert rate is not None
    work = work_of(states(scenario), evidence, "manifests")
    assert work is not None
    assert (work.begins, work.ends, work.amount) == ("night", "night", 20 * 10**12)
    assert work.time.value == pytest.approx(20e12 / rate)
    # More than a night can do: what is left waits for the next one, sixteen hours later.
    night = rate * 8 * 3600
    more = parse(ONE_STATION + NIGHT.replace('"20 TB"', f'"{int(1.25 * night)} B"'))
    longer = work_of(states(more), evidence, "manifests")
    assert longer is not None
    assert longer.time.value == pytest.approx((24 + 2) * 3600, rel=1e-6)
    assert longer.ends == "night"


def test_a_time_to_finish_is_judged_over_the_conditions_and_in_none_of_them() -> None:
    scenario = parse(ONE_STATION + NIGHT)
    assert statements(states(scenario)) == 3  # booking twice, the manifests once
    together = Together.of(scenario, seen(scenario))
    by_name = {(where, target.quantity): target.verdict for where, target in together.targets}
    assert by_name[OVER_ALL, Quantity("finished_within")] == "met"
    assert ("night", Quantity("finished_within")) not in by_name


def test_without_conditions_the_work_is_done_at_the_throughput_that_is_found() -> None:
    plain = parse(ONE_STATION + NIGHT.partition("[[condition]]")[0])
    (evidence,) = seen(plain)
    targets = {each.quantity: each for each in evidence.targets}
    rate = evidence.section("manifests", "throughput").value
    assert rate is not None
    assert targets[Quantity("finished_within")].estimate.value == pytest.approx(20e12 / rate)


def test_a_time_to_finish_needs_an_amount() -> None:
    with pytest.raises(ScenarioError, match="no amount of work"):
        parse(ONE_STATION + NIGHT.replace('amount = "20 TB"\n', ""))


# A recorded day


def test_the_spells_of_a_clear_day_are_found_and_become_conditions(tmp_path: Path, script) -> None:
    day = script("day_trace").day(3)
    trace, out = tmp_path / "day.csv", tmp_path / "day.toml"
    day.to_csv(trace, index=False)
    done = CliRunner().invoke(app, ["profile", str(trace), "--conditions", "4", "--write", str(out)])
    assert done.exit_code == 0, done.output
    assert "Conditions: spells of even rate" in done.stdout
    server = ONE_STATION.partition("[[workload]]")[0]
    (tmp_path / "scenario.toml").write_text(server + out.read_text())
    found = states(load(tmp_path / "scenario.toml"))
    # Six, three, seven and eight hours; edges are found to the five minutes of a bin or two.
    assert [each.hours for each in found] == pytest.approx([6, 3, 7, 8], abs=0.2)
    rates = [each.scenario.open_rate_per_s for each in found]
    assert rates == pytest.approx([0.05, 0.5, 1.0, 0.25], rel=0.1)
    reads = [each.scenario.workload[0].read_share for each in found]
    assert reads == pytest.approx([0.5, 0.8, 0.7, 0.9], abs=0.05)


def test_too_few_requests_for_so_many_conditions_are_refused(tmp_path: Path) -> None:
    trace = tmp_path / "short.csv"
    pd.DataFrame({"time": np.arange(100.0), "size": 4096, "address": 0, "kind": "R"}).to_csv(
        trace, index=False
    )
    done = CliRunner().invoke(app, ["profile", str(trace), "--conditions", "6"])
    assert done.exit_code == 2
    assert "100 requests are too few for 6 conditions; accepted: at most 5" in done.output
