"""Requests followed through the server: every stop, who was ahead there, and nothing changed by looking."""

import json
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console
from typer.testing import CliRunner

from plans import detach, give, plan, rows, split, station, stations, take, visit
from tailrace.cli import app
from tailrace.engine.observed import Visit, observe
from tailrace.engine.reference import run_reference
from tailrace.plan.build import build_plan
from tailrace.plan.columns import STAGES
from tailrace.report.terminal.results import as_text
from tailrace.study.journey import journey
from through import SHARED, shared_scenario


def test_a_queue_by_hand_shows_who_is_ahead() -> None:
    # three arrive at 0, 1 and 2 s at one server of 4 s: the second finds one, the third two ahead
    path = [visit(0, 4.0)]
    small = plan(stations(station("fcfs")), open_rows=rows([0.0, 1.0, 1.0], [path] * 3))
    assert observe(small, [1, 2]) == {
        1: [Visit(0, 1.0, 3.0, 4.0, ahead=1)],
        2: [Visit(0, 2.0, 6.0, 4.0, ahead=2)],
    }


def test_of_branches_side_by_side_the_one_that_ended_last_is_followed() -> None:
    server = stations(station("fcfs"), station("delay"), station("token"))
    path = [take(2), split([visit(0, 1.0)], [visit(1, 5.0), visit(0, 2.0)]), detach([visit(0, 9.0)]), give(2)]
    two = plan(server, open_rows=rows([0.0, 0.0], [path, path]))
    # the second waits 7 s for the only permit, then finds the detached work of the first (9 s) before its branch
    assert observe(two, [0, 1]) == {
        0: [Visit(1, 0.0, 0.0, 5.0, ahead=None), Visit(0, 5.0, 0.0, 2.0, ahead=0)],
        1: [
            Visit(2, 0.0, 7.0, 0.0, ahead=1),
            Visit(1, 7.0, 0.0, 5.0, ahead=None),
            Visit(0, 12.0, 5.0, 2.0, ahead=2),
        ],
    }


@pytest.mark.parametrize("name", ["mixed", "booking-flash-busy", "booking-spinning", "cameras-spinning"])
def test_the_stops_of_a_request_add_up_to_its_record(name: str) -> None:
    scenario = shared_scenario(name)
    observed = run_reference(build_plan(scenario, 7, 8), 1500)
    chosen = np.random.default_rng(1).choice(1500, 40, replace=False)
    server = build_plan(scenario, 7, 8).stations
    for order, visits in observe(build_plan(scenario, 7, 8), chosen.tolist()).items():
        wait_s, service_s = np.zeros(len(STAGES)), np.zeros(len(STAGES))
        for each in visits:
            stage = server.bank_of(each.station).stage
            wait_s[stage] += each.wait_s
            service_s[stage] += each.service_s
        np.testing.assert_allclose(wait_s, observed.wait_s[order], rtol=1e-9, atol=1e-15)
        np.testing.assert_allclose(service_s, observed.service_s[order], rtol=1e-9)


def test_the_slowest_are_found_the_slowest_first_and_each_is_told_whole() -> None:
    scenario = shared_scenario("booking-spinning", "run.requests=2000")
    found = journey(scenario, slowest=3)
    observed = run_reference(build_plan(scenario, 7, 8), 2000)
    expected = np.sort(observed.latency_s[200:])[::-1][:3]
    assert [trip.latency_s for trip in found.trips] == expected.tolist()
    for trip in found.trips:
        times = [seconds for pair in trip.stages.values() for seconds in pair]
        assert sum(times) == pytest.approx(trip.latency_s, rel=1e-9)


def test_a_class_can_be_picked_and_one_that_is_not_there_is_refused() -> None:
    scenario = shared_scenario("mixed", "run.requests=1000")
    assert {trip.name for trip in journey(scenario, 2, workload="booking").trips} == {"booking"}
    with pytest.raises(ValueError, match="accepted: booking, manifests"):
        journey(scenario, 2, workload="cargo")
    with pytest.raises(ValueError, match="slowest is 0"):
        journey(scenario, 0)


@pytest.mark.parametrize("width", [80, 100])
def test_time_lines_fit_the_terminal_and_tell_waiting_from_service(width: int) -> None:
    found = journey(shared_scenario("booking-spinning", "run.requests=2000"), slowest=2)
    text = as_text(found, Console(file=StringIO(), width=width, color_system=None))
    assert max(map(len, text.splitlines())) <= width
    lines = [line for line in text.splitlines() if line.startswith("    arm")]
    assert lines
    assert all("." in line.split("  ")[-1] and "#" in line for line in lines)


def test_the_verb_prints_one_document_for_programs(tmp_path: Path) -> None:
    file = str(SHARED / "scenarios" / "one-station.toml")
    done = CliRunner().invoke(
        app, ["journey", file, "--slowest", "2", "--set", "run.requests=2000", "--json"]
    )
    assert done.exit_code == 0
    document = json.loads(done.stdout)
    assert [trip["stops"][0]["station"] for trip in document["trips"]] == ["drive", "drive"]
