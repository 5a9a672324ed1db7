"""Transactions: ordered steps of requests, each of which waits for the one before."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drives import generic
from tailrace.answer.run import simulate
from tailrace.engine.choice import EngineRun
from tailrace.engine.compiled import CompiledRun, available
from tailrace.engine.observations import Observations
from tailrace.engine.reference import ReferenceRun, run_reference
from tailrace.errors import ScenarioError
from tailrace.plan.build import build_plan, cached_rates, sample_demands
from tailrace.report.columns.answer import steps as step_table
from tailrace.report.figures import TIME_UNITS
from tailrace.report.files.answer import classes_table
from tailrace.report.terminal.results import as_text
from tailrace.scenario import load, parse
from tailrace.scenario.reading import keys
from tailrace.scenario.tables.scenario import Scenario

READY = Path(__file__).parent.parent / "shared" / "scenarios" / "booking-transactions.toml"

SERVER = f"""
[server.controller]
cores = 4
per_request = "10 us"
per_completion = "0 s"
per_disk_operation = "0 s"
variability = 0
{generic("constant", "100 us", count=100, capacity="1 TB")}
[server.layout]
stripe_unit = "64 KiB"
"""
EXPONENTIAL = SERVER.replace('"constant", value', '"exponential", mean')
FLASH = READY.read_text().split("[[workload]]")[0]
STEP = '[[workload.step]]\nrequest_size = "8 KiB"\n'


def scenario(workload: str, server: str = SERVER) -> Scenario:
    return parse(f"{server}\n[[workload]]\nname = 'booking'\n{workload}\n[run]\nseed = 1\n")


def faults(workload: str, server: str = SERVER) -> str:
    with pytest.raises(ScenarioError) as caught:
        scenario(workload, server)
    return str(caught.value)


def run(given: Scenario, requests: int = 2000) -> Observations:
    return run_reference(build_plan(given, 1, 0), requests)


def test_the_latency_on_an_idle_server_is_the_sum_of_the_steps() -> None:
    """By hand: a request takes 10 + 100 us, five one after the other; two at once take as long as one as there are
    cores for both, unless both are on one drive of the hundred; computing adds its time."""
    given = scenario(
        """
rate = "0.01 /s"
[[workload.step]]
requests = 5
request_size = "8 KiB"
[[workload.step]]
compute = "40 us"
[[workload.step]]
compute = "30 us"
compute_at = "controller"
requests = 3
at_once = 2
request_size = "8 KiB"
read_share = 0
"""
    )
    seen = run(given, 300)
    by_hand = 5 * 110e-6 + 40e-6 + 30e-6 + 2 * 110e-6
    met = np.isclose(seen.latency_s, by_hand + 100e-6, rtol=1e-7)  # both writes on one drive: one waits
    np.testing.assert_allclose(seen.latency_s[~met], by_hand, rtol=1e-7)
    assert 0 < met.mean() < 0.05
    np.testing.assert_allclose(seen.service_s[:, 0], 40e-6, rtol=1e-9)
    np.testing.assert_allclose(seen.service_s[:, 1], 30e-6 + 7 * 10e-6, rtol=1e-9)
    assert (seen.size_bytes == 8 * 8 * 1024).all()
    assert (seen.kind == 1).all()


@pytest.mark.parametrize("clients", ['rate = "2000 /s"', "clients = 3\nqueue_depth = 4\nthink_time = '1 ms'"])
@pytest.mark.parametrize(
    "asked",
    [
        'request_size = [{size = "8 KiB", share = 0.5}, {size = "64 KiB", share = 0.5}]\nread_share = 0.7',
        'request_size = "4 KiB"\nread_share = 0\npattern = "sequential"\ndurable = true',
        'request_size = "8 KiB"\npopularity = 0.9\nspan = "2 TB"\nread_share = 0.5',
    ],
)
def test_one_step_of_one_request_is_the_plain_workload_bit_for_bit(clients: str, asked: str) -> None:
    plain = run(scenario(f"{clients}\n{asked}", FLASH))
    step = run(scenario(f"{clients}\n[[workload.step]]\n{asked}", FLASH))
    for name in ("arrival_s", "completion_s", "wait_s", "service_s", "size_bytes", "kind", "client"):
        np.testing.assert_array_equal(getattr(plain, name), getattr(step, name), err_msg=name)


def test_another_step_changes_no_draw_of_the_first() -> None:
    """Common random numbers: on an idle server of random service the first step takes the same time."""
    first = '[[workload.step]]\nrequests = 3\nrequest_size = "8 KiB"\n'
    rate = 'rate = "0.01 /s"\n'
    short = laps_of(ReferenceRun, scenario(rate + first, EXPONENTIAL), 50)
    long = laps_of(ReferenceRun, scenario(rate + first + first, EXPONENTIAL), 50)
    one, other = short["service_s"], long[long["step"] == 0]["service_s"]
    np.testing.assert_allclose(one, other, rtol=1e-12)
    assert np.ptp(one[:, 3]) > 0


def laps_of(engine: Callable[..., EngineRun], given: Scenario, requests: int) -> Any:
    started = engine(build_plan(given, 1, 0), requests, laps=True)
    for _ in started.blocks():
        pass
    laps = started.laps()
    return laps[np.lexsort((laps["step"], laps["order"]))]


def test_laps_end_when_the_transaction_does_and_their_stages_add_up() -> None:
    given = load(READY)
    laps, seen = laps_of(ReferenceRun, given, 500), run(given, 500)
    laps = laps.reshape(500, 3)
    np.testing.assert_array_equal(laps[:, -1]["at_s"], seen.completion_s)
    np.testing.assert_array_equal(laps[:, -1]["wait_s"], seen.wait_s)
    assert (np.diff(laps["at_s"], axis=1) > 0).all()
    charged = laps["wait_s"].sum(axis=2) + laps["service_s"].sum(axis=2)
    np.testing.assert_allclose(charged, laps["at_s"] - seen.arrival_s[:, None], rtol=1e-9, atol=1e-12)


@pytest.mark.skipif(not available(), reason="numba is not installed")
@pytest.mark.parametrize("load_factor", [1, pytest.param(60, marks=pytest.mark.whole)])
def test_both_engines_note_the_same_laps(load_factor: float) -> None:
    given = load(READY, [f"load={load_factor}"])
    one, other = laps_of(ReferenceRun, given, 3000), laps_of(CompiledRun, given, 3000)
    assert one.dtype == other.dtype
    for field in one.dtype.names:
        np.testing.assert_array_equal(one[field], other[field], err_msg=field)
    assert len(one) == 9000


@pytest.mark.parametrize("clients", ['rate = "4000 /s"', "clients = 20\nqueue_depth = 1\nthink_time = '0 s'"])
def test_transactions_obey_littles_law(clients: str) -> None:
    """Little, Operations Research 9(3), 1961 (from memory): mean number present = rate x mean latency."""
    steps = f'{STEP}requests = 4\nat_once = 2\n[[workload.step]]\ncompute = "0.1 ms"\n'
    given = scenario(f"{clients}\n{steps}", EXPONENTIAL)
    seen = run_reference(build_plan(given, 1, 0), 20_000, marks=401)
    present = seen.marks.present[40:].mean()
    time_s = seen.marks.time_s[-1] - seen.marks.time_s[40]
    measured = (seen.arrival_s >= seen.marks.time_s[40]) & (seen.arrival_s < seen.marks.time_s[-1])
    rate = measured.sum() / time_s
    littles = rate * seen.latency_s[measured].mean()
    # An open arrival finds itself present too; closed clients without thinking are always present.
    own = 1.0 if given.workload[0].is_open else 0.0
    assert present - own == pytest.approx(littles, rel=0.1 if own else 0.01)


def test_demands_are_those_of_all_requests_of_a_transaction() -> None:
    step = '[[workload.step]]\nrequests = 6\nat_once = 3\nrequest_size = "8 KiB"\n'
    stations, demands = sample_demands(scenario(f'rate = "10 /s"\n{step}{step}'), 1)
    service = dict(zip([bank.name for bank in stations.banks], demands["booking"].service_s, strict=False))
    assert service["cores"] == pytest.approx(12 * 10e-6)


def test_a_read_cache_reckons_with_the_requests_of_each_step() -> None:
    server = SERVER.replace(
        "variability = 0", 'variability = 0\n[server.controller.read_cache]\nsize = "1 GiB"'
    )
    step = '[[workload.step]]\nrequests = 6\nrequest_size = "8 KiB"\n'
    other = '[[workload.step]]\nrequest_size = "8 KiB"\n'
    rates = cached_rates(scenario(f'rate = "10 /s"\n{step}{other}', server))
    assert rates["booking"] == pytest.approx(60)
    assert rates["booking, part 2"] == pytest.approx(10)


@pytest.mark.parametrize(
    ("workload", "said"),
    [
        (f'request_size = "4 KiB"\n{STEP}', ("request_size", "given beside steps")),
        (f"read_share = 0.5\n{STEP}", ("read_share", "given beside steps")),
        (f"{STEP}at_once = 2", ("step[0].at_once", "2 at once", "at most the 1 requests")),
        ("[[workload.step]]\nrequests = 2", ("requests", "no requests", "request_size")),
        ("[[workload.step]]\ncompute = '1 ms'", ("no step has requests",)),
        (f"{STEP}durable = true", ("durable", "writes nothing")),
        (f"{STEP}pool = 'log'", ("step[0].pool", "no pools")),
        (f"{STEP}{STEP}span = '1 KiB'", ("step[1].span", "too short")),
        (f"{STEP}reqests = 3", ("reqests", "requests")),
    ],
)
def test_faults_of_steps_are_named(workload: str, said: tuple[str, ...]) -> None:
    text = faults(f'rate = "10 /s"\n{workload}')
    assert all(each in text for each in said), text


@pytest.mark.parametrize(
    "row",
    [row for row in keys.rows() if ".step." in row.path and row.default not in ("", "required")],
    ids=lambda row: row.path,
)
def test_a_default_of_a_step_written_out_changes_nothing(row: keys.Key) -> None:
    step = f'{STEP}compute = "1 ms"\nread_share = 0.5\n'
    text = f"{SERVER}\n[[workload]]\nname = 'booking'\nrate = '10 /s'\n{step}"
    key = row.path.rpartition(".")[2]
    text = text.replace("read_share = 0.5\n", "") if key == "read_share" else text
    set_to = f"workload.booking.step[0].{key}={row.default}"
    assert parse(text, overrides=[set_to]).digest == parse(text).digest


def test_the_steps_of_an_answer_add_up_to_its_transactions() -> None:
    result = simulate(load(READY, ["run.requests=2000", "run.replications=4"]))
    booking = result.class_named("booking")
    assert booking.requests_per_transaction == 8
    assert [(step.name, step.requests) for step in booking.steps] == [
        ("search", 5),
        ("pages", 2),
        ("commit", 1),
    ]
    means = [step.latency_s["mean"].value or 0.0 for step in booking.steps]
    assert sum(means) == pytest.approx(booking.all.latency_s["mean"].value, rel=1e-9)
    for step in booking.steps:
        charged = sum(
            (times.wait_s.value or 0.0) + (times.service_s.value or 0.0) for times in step.stages.values()
        )
        assert charged == pytest.approx(step.latency_s["mean"].value, rel=1e-9)
    document = result.as_dict()["classes"][0]
    assert [step["name"] for step in document["steps"]] == ["search", "pages", "commit"]
    assert document["rate_per_s"]["value"] == pytest.approx(1000, rel=0.1)
    text = as_text(result)
    assert max(map(len, text.splitlines())) <= 80
    assert "1 transactions/s" not in text
    assert "transactions/s are" in text

    table = classes_table(result)
    whole = table[(table["kind"] == "all") & table["step"].isna() & table["stage"].isna()]
    assert whole["class"].tolist() == ["booking"] * len(whole)
    of_steps = table[(table["statistic"] == "mean") & (table["sample"] == "all") & table["stage"].isna()]
    assert dict(of_steps.dropna(subset="step")[["step", "value"]].values) == dict(
        zip(("search", "pages", "commit"), means, strict=True)
    )
    table = step_table(booking).written()
    assert [row[:2] for row in table.lines] == [["search", "5"], ["pages", "2"], ["commit", "1"]]
    shown = [float(row[2].split()[0]) for row in table.lines]
    unit_s = TIME_UNITS[table.heads[0].line.removeprefix("step, ")]
    assert sum(shown) * unit_s == pytest.approx(booking.all.latency_s["mean"].value, rel=0.01)


def test_computing_on_a_controller_needs_one_with_cores() -> None:
    server = "[server.media]" + SERVER.split("[server.media]")[1]
    text = faults(f'rate = "10 /s"\n{STEP}compute = "1 ms"\ncompute_at = "controller"', server)
    assert "step[0].compute_at" in text
    assert "no controller with cores" in text


@pytest.mark.parametrize("size", ["1 B", "2 B"])
def test_a_size_of_any_kind_beside_steps_is_refused(size: str) -> None:
    text = Path(__file__).parents[1].joinpath("shared/scenarios/booking-transactions.toml").read_text("utf-8")
    assert parse(text).workload[0].largest_size > 1
    with pytest.raises(ScenarioError, match=r"request_size.*given beside steps"):
        parse(text.replace('name = "booking"', f'name = "booking"\nrequest_size = "{size}"', 1))
