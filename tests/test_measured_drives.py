"""Drives known only by measurements: the station, its closed forms, its fit to points, and how well it predicts."""

import importlib
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares
from typer.testing import CliRunner

from plans import plan, rows, shared_visit, station, stations
from tailrace import theory
from tailrace.cli import app
from tailrace.engine.reference import run_reference
from tailrace.errors import ScenarioError
from tailrace.fit.by_depth import calibrate_measured
from tailrace.fit.left_out import apart, left_out, repeated
from tailrace.fit.measured import STARTS, media_of, read_points
from tailrace.fit.ranking import ranked
from tailrace.forecast.distribution import closed_tail
from tailrace.forecast.estimate import estimate
from tailrace.guide import pages
from tailrace.hardware.measured import MeasuredCost
from tailrace.hardware.measured_fit import fit_kind
from tailrace.physics import flow
from tailrace.plan.columns import WRITE
from tailrace.scenario import load, parse
from tailrace.scenario.tables.measured import Measured
from tailrace.scenario.tables.points import MeasuredPoint
from tailrace.study.sweep import sweep
from through import SHARED, assert_agrees, busy_mean, found, printed, published, samples, waiting_mean

POINTS = SHARED / "published" / "virtual-disk.csv"
QUEUEING = published("queueing")


def drive(reads: str, more: str = "", workload: str = "", **keys: object) -> str:
    """One measured drive of reads, and one class."""
    lines = "\n".join(f"{key} = {value}" for key, value in keys.items())
    return f"""
[server.media]
kind = "measured"
{lines}
[server.media.reads]
size = "4 KiB"
curve = {reads}
{more}
[[workload]]
name = "booking"
request_size = "4 KiB"
{workload}
"""


def curve_of(depths: object, rates: object) -> str:
    pairs = zip(np.atleast_1d(depths).tolist(), np.atleast_1d(rates).tolist(), strict=True)
    return "[" + ", ".join(f'{{queue_depth = {int(d)}, rate = "{r:.12g} /s"}}' for d, r in pairs) + "]"


# The curve and the station, by hand


def test_a_curve_is_straight_between_points_in_logarithms_and_flat_beyond() -> None:
    found = flow.curve(np.array([2.0, 8.0]), np.array([100.0, 200.0]), 16)
    assert found[[1, 3, 7]] == pytest.approx([100.0, 100.0 * 2**0.5, 200.0])  # 4 lies half way from 2 to 8
    assert found[0] == pytest.approx(100.0 / 2**0.5)  # below the least depth as between the first two
    assert (found[8:] == found[7]).all()
    assert flow.curve(np.array([4.0]), np.array([50.0]), 9) == pytest.approx(np.full(9, 50.0))


def test_two_requests_share_by_the_number_present_by_hand() -> None:
    # 3 s of work at 0 s and at 1 s. Two reads together are given 1.5 a second, 0.75 each: the first has 2 s left at 1 s
    # and leaves at 1 + 2/0.75; the second then has 1 s left.
    def run(share: float, kind: int) -> list[float]:
        server = stations(station("flow", totals=[[1.0, 1.5], [1.0, 1.0]]))
        paths = [shared_visit(0, 3.0, share), shared_visit(0, 3.0, share, kind)]
        observed = run_reference(plan(server, rows([0.0, 1.0], paths)), 2)
        assert observed.wait_s.sum(axis=1) == pytest.approx(observed.latency_s - 3.0)
        return observed.completion_s.tolist()

    assert run(0.0, kind=0) == pytest.approx([1 + 2 / 0.75, 2 + 2 / 0.75])
    # A read and a write: the mean of 1.5 and 1, shared by two.
    assert run(0.0, WRITE) == pytest.approx([1 + 2 / 0.625, 2 + 2 / 0.625])
    # Each draws the whole byte rate: they share it as if there were one server.
    assert run(1.0, kind=0) == pytest.approx([5.0, 6.0])
    # Each draws 0.6 of it: 1.2 times the byte rate at full pace, 0.9 at the pace of two: the bytes do not bind.
    assert run(0.6, kind=0) == pytest.approx([1 + 2 / 0.75, 2 + 2 / 0.75])


def test_what_a_request_asks_by_hand() -> None:
    # 10,000 /s of 4 KiB, overhead 12 KiB: 8 KiB would ask 20/16 of 100 us, but at 50 MB/s their bytes take 164 us.
    work, share = flow.work_s(np.array([4096, 8192, 2**20]), 4096, 1e4, 12288.0, 50e6)
    assert work == pytest.approx([100e-6, 8192 / 50e6, 2**20 / 50e6])
    assert share == pytest.approx([4096 / 5000, 1.0, 1.0], abs=2e-6)


# Closed forms


def test_stations_that_serve_by_the_number_present_are_solved_as_printed() -> None:
    row = QUEUEING["load_dependent_8_1"]
    visits = np.array(row["visits"])
    service = np.array([1 / float(text.partition("/")[2]) for text in row["service_s"]])
    solved = theory.solve_closed(visits * service, row["clients"], rates=dict(enumerate(row["rates"])))
    for place, text in enumerate(row["throughput"]):
        assert solved.throughput[0] * visits[place] == pytest.approx(printed(text).value, abs=1e-3)
    for place, (number, response) in enumerate(zip(row["number"], row["response_per_visit_s"], strict=True)):
        assert solved.number[0, place] == pytest.approx(printed(number).value, abs=1e-3)
        assert solved.residence_s[0, place] / visits[place] == pytest.approx(
            printed(response).value, abs=2e-3
        )
    row = QUEUEING["load_dependent_8_7"]
    rates, visits = np.array(row["rates_per_s"], dtype=float), np.array(row["visits"])
    relative = {place: rates[place] / rates[place, 0] for place in range(4)}
    solved = theory.solve_closed(visits / rates[:, 0], row["clients"], rates=relative)
    assert solved.number[0] == pytest.approx([printed(text).value for text in row["number"]], abs=1e-3)
    per_visit = solved.residence_s[0] / visits
    assert per_visit == pytest.approx([printed(text).value for text in row["response_per_visit_s"]], abs=1e-3)


def test_a_flow_equivalent_station_gives_exactly_what_the_stations_did() -> None:
    # Chandy, Herzog and Woo 1975: two stations and a pool in place of one another, whatever else is there.
    demands, servers, clients = [0.02, 0.08, 0.05, 0.09], [1, 1, 1, 3], 11
    whole = theory.solve_closed(demands, clients, 0.3, servers)
    passed = np.array(
        [theory.solve_closed(demands[1:], n, 0.0, servers[1:]).throughput[0] for n in range(1, clients + 1)]
    )
    two = theory.solve_closed([demands[0], 1 / passed[0]], clients, 0.3, rates={1: passed / passed[0]})
    assert two.throughput == pytest.approx(whole.throughput, rel=1e-9)
    assert two.number[0, 0] == pytest.approx(whole.number[0, 0], rel=1e-9)
    assert two.number[0, 1] == pytest.approx(whole.number[0, 1:].sum(), rel=1e-9)


def test_rates_by_number_are_servers_where_they_grow_by_one() -> None:
    demands, clients, think = [[0.1, 0.3], [0.2, 0.1]], [4, 3], [1.0, 0.5]
    pools = theory.solve_closed(demands, clients, think, [3, 2])
    rates = theory.solve_closed(demands, clients, think, rates={0: [1, 2, 3], 1: [1, 2]})
    assert rates.throughput == pytest.approx(pools.throughput, rel=1e-12)
    assert rates.number == pytest.approx(pools.number, rel=1e-12)
    number = theory.sharing_number_by_rate(3.2, [1, 2, 3, 4])
    assert number == pytest.approx(3.2 * theory.sharing_response_mean(3.2, 1.0, 4), rel=1e-12)
    with pytest.raises(theory.OutsideValidityError, match="none falling"):
        theory.solve_closed([1.0], 2, rates={0: [2.0, 1.0]})
    with pytest.raises(theory.OutsideValidityError):
        theory.sharing_number_by_rate(4.0, [1, 2, 3, 4])


# The simulation against closed forms


@pytest.mark.parametrize("variability", [0.0, 4.0])
def test_a_measured_drive_in_a_network_does_what_the_stations_did_whatever_the_law(
    variability: float,
) -> None:
    # The curve is the rate at which two exponential stations let n pass; thinking in place of the rest.
    demands, clients, think = [200e-6, 150e-6], 6, 400e-6
    passed = [theory.solve_closed(demands, n).throughput[0] for n in range(1, clients + 1)]
    whole = theory.solve_closed(demands, clients, think)
    workload = f'clients = {clients}\nqueue_depth = 1\nthink_time = "400 us"'
    text = drive(curve_of(np.arange(1, 7), passed), f"variability = {variability}", workload)
    scenario = parse(text)
    known = estimate(scenario).classes["booking"]
    assert known.exact_mean
    assert known.mean_s == pytest.approx(float(whole.response_s[0]), rel=1e-6)
    assert_agrees(found(scenario, samples(scenario, 12_000)).latency_s["mean"], float(whole.response_s[0]))


def test_an_open_load_sees_what_birth_and_death_make_of_the_curve() -> None:
    # Rates 1,000 n up to 3: M/G/3 with processor sharing. 2,400 /s: utilisation 0.8 (Cohen 1979, from memory).
    text = drive(curve_of([1, 2, 3], [1000, 2000, 3000]), "variability = 2.0", 'rate = "2400 /s"')
    scenario = parse(text)
    exact = theory.sharing_response_mean(2400.0, 1e-3, 3)
    sampled = samples(scenario, 30_000)
    assert estimate(scenario).classes["booking"].mean_s == pytest.approx(exact, rel=1e-9)
    assert_agrees(found(scenario, sampled).latency_s["mean"], exact, power=0.02)
    assert_agrees(busy_mean(sampled), 0.8)
    waiting = 2400 * (exact - 1e-3)  # Little's law for what is not being served in full
    assert_agrees(waiting_mean(sampled), waiting, power=0.03)


def test_large_requests_are_bound_by_bytes_and_small_ones_by_the_rate() -> None:
    more = 'byte_rate = "100 MB/s"\noverhead = "60 KiB"'
    text = drive(curve_of([1, 4], [5000, 10000]), more, "queue_depth = 4")
    one = estimate(parse(text)).classes["booking"]
    assert one.rate_per_s == pytest.approx(10000, rel=1e-4)
    many = estimate(parse(text, overrides=['workload.booking.request_size="64 KiB"'])).classes["booking"]
    assert many.rate_per_s == pytest.approx(100e6 / 65536, rel=1e-4)


@pytest.mark.parametrize("reads", [1.0, 0.5])
def test_sizes_and_kinds_together_are_estimated_as_they_are_simulated(reads: float) -> None:
    scenario = load(
        SHARED / "scenarios" / "booking-virtual.toml",
        [
            f"workload.booking.read_share={reads}",
            'workload.booking.request_size=[{size="4 KiB", share=0.9}, {size="64 KiB", share=0.1}]',
        ],
    )
    known = estimate(scenario).classes["booking"]
    assert not known.exact_mean
    latency = found(scenario, samples(scenario, 4000)).latency_s["mean"]
    assert latency.value == pytest.approx(known.mean_s, rel=0.03)


# As a scenario


def test_more_than_was_measured_is_flat_and_said_so() -> None:
    text = drive(curve_of([1, 4], [1000, 2000]), "", "queue_depth = 4")
    deep = parse(text, overrides=["workload.booking.queue_depth=9"])
    assert estimate(deep).classes["booking"].rate_per_s == pytest.approx(2000.0)
    (note,) = estimate(deep).notes
    assert "nothing was measured beyond queue depth 4" in note
    assert not estimate(parse(text)).notes


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        (["workload.booking.read_share=0.5"], "writes are asked of drives of which none were measured"),
        (
            ['server.media.reads.curve=[{queue_depth=2,rate="9 /s"},{queue_depth=2,rate="9 /s"}]'],
            "depth above 2",
        ),
        (['server.media.reads.curve=[{queue_depth=1,rate="9 /s"},{queue_depth=2,rate="8 /s"}]'], "falls"),
        (
            ['server.media.reads.curve=[{queue_depth=1,rate="9 /s"},{queue_depth=2,rate="19 /s"}]'],
            "grows faster",
        ),
        (['server.media.file="nowhere.csv"'], "beside reads or writes"),
        (['server.layout={redundancy="single parity"}', "server.media.count=4"], None),
    ],
)
def test_what_was_not_measured_and_what_no_drive_does_is_refused(
    change: list[str], wrong: str | None
) -> None:
    text = drive(curve_of([1, 4], [1000, 2000]), "", 'rate = "100 /s"')
    if wrong is None:
        assert parse(text, overrides=change).server.media is not None
        return
    with pytest.raises(ScenarioError, match=wrong):
        parse(text, overrides=change)


def test_a_file_of_points_is_the_drive_that_calibrate_writes(tmp_path: Path) -> None:
    runner = CliRunner()
    (tmp_path / "hardware").mkdir()
    part = tmp_path / "hardware" / "mine.toml"
    given = runner.invoke(app, ["calibrate", str(POINTS), "--media", "measured", "--write", str(part)])
    assert given.exit_code == 0, given.output
    rest = '\n[[workload]]\nname = "booking"\nqueue_depth = 8\nrequest_size = "16 KiB"\n'
    by_part, by_file = tmp_path / "part.toml", tmp_path / "file.toml"
    by_part.write_text(f'[server]\nmedia = {{part = "mine", count = 2}}{rest}', "utf-8")
    by_file.write_text(f'[server.media]\nkind = "measured"\nfile = "points.csv"\ncount = 2{rest}', "utf-8")
    (tmp_path / "points.csv").write_bytes(POINTS.read_bytes())
    one, two = (estimate(load(file)).classes["booking"] for file in (by_part, by_file))
    assert one.mean_s == pytest.approx(two.mean_s, rel=1e-3)
    before = load(by_file).digest
    (tmp_path / "points.csv").write_text("queue_depth,size,mean\n1,4096,1e-3\n", "utf-8")
    assert load(by_file).digest != before
    (tmp_path / "points.csv").write_text("queue_depth,size,p99\n1,4096,1e-3\n", "utf-8")
    with pytest.raises(ScenarioError, match="tells a mean latency"):
        load(by_file)


# The fit


def measured(
    conditions: list[tuple[int | None, float | None, int]], noise: float, seed: int
) -> list[MeasuredPoint]:
    """What the closed form says of the drive TRUE at queue depths or rates, with noise."""
    kind = MeasuredCost.of(TRUE).of_kind(True)
    random, points = np.random.default_rng(seed), []
    for line, (depth, rate, size) in enumerate(conditions, 2):
        (work,), (share,) = kind.asked(np.array([size]))
        totals = flow.capped(kind.totals, share)
        if depth is not None:
            mean = depth * work / totals[depth - 1]
        else:
            assert rate is not None
            mean = theory.sharing_number_by_rate(rate * work, totals) / rate
        told = {"mean": float(mean * np.exp(random.normal(0, noise)))}
        points.append(MeasuredPoint(line, depth, rate, size, True, told))
    return points


TRUE = Measured.model_validate(
    {
        "reads": {
            "size": 4096,
            "curve": [
                {"queue_depth": 1, "rate": 9000},
                {"queue_depth": 4, "rate": 20000},
                {"queue_depth": 16, "rate": 30000},
            ],
            "overhead": 24 * 1024,
            "byte_rate": 600e6,
        }
    }
)


def test_the_curve_the_overhead_and_the_byte_rate_are_found_again() -> None:
    conditions = [(depth, None, size) for depth in (1, 4, 16) for size in (4096, 16384, 131072)]
    kind = fit_kind(measured(conditions, 0.0, 1)).kind
    assert [each.rate for each in kind.curve] == pytest.approx([9000, 20000, 30000], rel=2e-3)
    assert kind.overhead == pytest.approx(24 * 1024, rel=0.01)
    assert kind.byte_rate == pytest.approx(600e6, rel=2e-3)


def test_points_at_rates_are_as_good_as_points_at_depths() -> None:
    conditions = [(None, rate, 4096) for rate in (100.0, 8000.0, 16000.0, 22000.0, 26000.0, 28000.0)]
    kind = fit_kind(measured(conditions, 0.0, 1)).kind
    rates = MeasuredCost.of(TRUE).of_kind(True).rates
    fitted = flow.curve(
        np.array([each.queue_depth for each in kind.curve]), np.array([each.rate for each in kind.curve]), 16
    )
    assert fitted[0] == pytest.approx(rates[0], rel=0.02)
    assert fitted[2:12] == pytest.approx(rates[2:12], rel=0.15)


def test_intervals_hold_the_true_rates_about_as_often_as_they_say() -> None:
    conditions = [(depth, None, 4096) for depth in (1, 4, 16) for _ in range(4)]
    held = 0
    for seed in range(40):
        points = measured(conditions, 0.05, seed)
        parameters = calibrate_measured(points, engine=None).parameters
        for each, true in zip(parameters, (9000, 20000, 30000), strict=False):
            held += each.low <= true <= each.high
    assert (
        105 <= held <= 120
    )  # 114 expected of 120; fewer than 105 with a probability of 0.0005 (binomial, derived)


def test_one_size_without_repeats_is_interpolated_and_nobody_is_told_how_surely() -> None:
    conditions = [(depth, None, 4096) for depth in (1, 4, 16)]
    found_ = calibrate_measured(measured(conditions, 0.0, 1), engine=None)
    assert any("Measure each point twice" in each for each in found_.warnings)
    assert any("one size" in each for each in found_.warnings)
    assert all(not np.isfinite(each.high) for each in found_.parameters)
    middle = next(each for each in found_.left_out if each.point.queue_depth == 4)
    assert middle.fitted == pytest.approx(4 / (9000 * 30000) ** 0.5, rel=1e-6)  # half way in the logarithm
    last = next(each for each in found_.left_out if each.point.queue_depth == 16)
    assert last.fitted == pytest.approx(16 / 20000, rel=1e-6)  # beyond what is left: flat


def test_left_out_points_are_those_of_a_condition_beside_their_geometric_mean() -> None:
    points = [
        MeasuredPoint(2, 1, None, 4096, True, {"mean": 1.0}),
        MeasuredPoint(3, 1, None, 4096, True, {"mean": 4.0}),
        MeasuredPoint(4, 2, None, 4096, True, {"mean": 3.0}),
    ]
    asked: list[list[int]] = []

    def refit(kept: list[int]) -> list[dict[str, float]]:
        asked.append(list(kept))
        return [{"mean": float(np.log(3.0))}] * 3

    one, two = left_out(points, refit)  # type: ignore[arg-type]
    assert asked == [[2], [0, 1]]
    assert (one.measured, one.fitted) == pytest.approx((2.0, 3.0))
    assert apart([one, two], of_means=True) == pytest.approx([0.5, 0.0], abs=1e-12)
    assert repeated(points) == pytest.approx(np.log(4.0) / 2**0.5)


def test_points_of_a_real_virtual_disk_are_predicted_from_the_others() -> None:
    points = read_points(POINTS).points
    found_ = calibrate_measured(points)
    far = apart(found_.left_out, of_means=True)
    assert far.size == 30
    assert np.median(far) < 0.08
    assert far.max() < 0.20
    flash = ranked(points, {kind: media_of(STARTS[kind], kind) for kind in STARTS}, engine=None)
    assert flash[0].kind == "measured"
    assert flash[1].median > 2 * flash[0].median


# On the command line


def calibrated(*arguments: str) -> str:
    result = CliRunner().invoke(app, ["calibrate", *arguments], env={"COLUMNS": "80"})
    assert result.exit_code == 0, result.output
    assert max(map(len, result.stdout.splitlines())) <= 80
    return " ".join(result.stdout.split())


@pytest.mark.whole
def test_the_answer_names_the_description_that_points_support_and_what_it_misses() -> None:
    said = calibrated(str(POINTS), "--media", "measured")
    assert "Left out and predicted by the others, means and throughputs lie 5.8 % off in the median" in said
    assert "Measured again, a point differs from its own mean by 7.6 %" in said
    assert "Not fitted within 15 %" in said
    document = json.loads(
        CliRunner().invoke(app, ["calibrate", str(POINTS), "--closed-form", "--json"]).stdout
    )
    assert [each["media"] for each in document["media"]] == ["measured", "flash", "spinning"]
    assert document["media"][0]["median_apart"] < 0.08
    assert len(document["media"][0]["fit"]["left_out"]) == 75


@pytest.mark.parametrize(
    ("text", "arguments", "wrong"),
    [
        ("queue_depth,size,mean\n1,4096,1\n", [], 'the column "queue_depth" holds no latencies'),
        ("queue_depth,size,mean\n1,4096,1\n", ["--unit", "mean=us"], "measured points, not raw latencies"),
        ("took,what\n1,2\n", [], "2 columns, and none named"),
    ],
)
def test_points_and_unnamed_columns_are_no_raw_latencies(
    tmp_path: Path, text: str, arguments: list[str], wrong: str
) -> None:
    file = tmp_path / "file.csv"
    file.write_text(text, "utf-8")
    result = CliRunner().invoke(app, ["calibrate", str(file), "--media", "generic", *arguments])
    assert result.exit_code == 2
    assert wrong in result.output


def test_the_program_of_the_manual_takes_points_that_calibrate_reads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = re.search(r"```python measure.py\n(.*?)```", pages()["measuring"], re.DOTALL)
    assert program is not None
    lines = program[1].splitlines()
    assert len(lines) <= 50
    (tmp_path / "measure.py").write_text(program[1], "utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    measure = importlib.import_module("measure")
    monkeypatch.setattr(measure, "DIRECT", 0)  # not every file system of a test machine has it
    monkeypatch.setattr(measure, "WARMING_S", 0.01)
    monkeypatch.setattr(measure, "Pool", get_context("fork").Pool)
    (tmp_path / "data").write_bytes(bytes(2**18))
    rows_ = list(measure.points(str(tmp_path / "data"), (1, 2), (4096, 8192), seconds=0.02, rounds=2))
    (tmp_path / "points.csv").write_text("\n".join(rows_), "utf-8")
    points = read_points(tmp_path / "points.csv").points
    assert {each.condition for each in points} == {(d, None, s, True) for d in (1, 2) for s in (4096, 8192)}
    assert len(points) == 8
    assert all(each.measured["p50"] <= each.measured["p90"] <= each.measured["p99"] for each in points)


def test_a_sweep_says_where_it_goes_beyond_what_was_measured() -> None:
    text = drive(
        curve_of([1, 4], [1000, 2000]), "", "queue_depth = 4\n[run]\nrequests = 1000\nreplications = 2"
    )
    found_ = sweep(parse(text), ["workload.booking.queue_depth=1,4,8"], seed=1, engine="reference")
    assert [each for each in found_.notes if "At 1 of 3 values measured drives are used beyond" in each]


def test_the_p99_of_a_drive_that_always_holds_as_many_is_that_of_the_work() -> None:
    scenario = parse(drive(curve_of([1, 4], [1000, 2000]), "variability = 0.5", "queue_depth = 4"))
    known = estimate(scenario).classes["booking"]
    assert known.exact_p99
    # Gamma of shape 2 and mean 2 ms (four at a time are done at 2,000 /s): -ln 0.01 = x - ln(1 + x), x = 6.6384
    assert known.p99_s == pytest.approx(6.6384e-3 / 2 * 2, rel=1e-4)
    assert_agrees(found(scenario, samples(scenario, 8000)).latency_s["p99"], known.p99_s, power=0.02)
    assert dict(closed_tail(scenario))["booking"][0.5] == pytest.approx(1.67835e-3, rel=1e-4)


def test_a_slow_drive_takes_longer_for_its_bytes_too() -> None:
    more = 'byte_rate = "100 MB/s"\noverhead = "60 KiB"'
    slow = {"slow_drives": 1, "slow_factor": 2.0}
    text = drive(curve_of([1, 4], [5000, 10000]), more, "queue_depth = 4", **slow)
    for size, per_s in (("4 KiB", 5000.0), ("64 KiB", 50e6 / 65536)):
        scenario = parse(text, overrides=[f'workload.booking.request_size="{size}"'])
        sampled = samples(scenario, 2000)
        assert found(scenario, sampled).rate_per_s.value == pytest.approx(per_s, rel=0.01)


@pytest.mark.whole
def test_the_description_was_chosen_by_how_it_predicts_points_left_out() -> None:
    # Others on the same points: a station for the bytes behind that of the rates, and a byte rate without an overhead.
    points = [each for each in read_points(POINTS).points if each.log_mean is not None]
    depths = np.array([1.0, 3.0, 6.0, 12.0, 24.0])

    def in_tandem(theta: np.ndarray, point: MeasuredPoint) -> float:
        number = point.queue_depth or 1
        rates = flow.curve(depths, np.exp(flow.monotone(depths, theta[:5])), number)
        demands = [1 / rates[0], point.size_bytes / np.exp(theta[5])]
        return float(np.log(theory.solve_closed(demands, number, rates={0: rates / rates[0]}).response_s[0]))

    def without_overhead(theta: np.ndarray, point: MeasuredPoint) -> float:
        number = point.queue_depth or 1
        rates = flow.curve(depths, np.exp(flow.monotone(depths, theta[:5])), number)
        return float(np.log(number / min(rates[-1], np.exp(theta[5]) / point.size_bytes)))

    def median_apart(model: Callable[[np.ndarray, MeasuredPoint], float]) -> float:
        def refit(kept: Sequence[int]) -> list[dict[str, float]]:
            mine = [points[place] for place in kept]
            start = np.log([25e3, 32e3, 38e3, 48e3, 60e3, 750e6])
            close = {"ftol": 1e-3, "xtol": 1e-3, "diff_step": 1e-3}
            fitted = least_squares(
                lambda t: [model(t, p) - (p.log_mean or 0.0) for p in mine], start, **close
            )
            return [{"mean": model(fitted.x, p)} for p in points]

        means = [replace(each, measured={"mean": each.measured["mean"]}) for each in points]
        return float(np.median(apart(left_out(means, refit), of_means=True)))

    chosen = float(np.median(apart(calibrate_measured(points).left_out, of_means=True)))
    assert chosen < 0.06
    assert 0.08 < median_apart(in_tandem) < 0.12
    assert 0.11 < median_apart(without_overhead) < 0.15


def test_a_mean_beyond_what_quantiles_hold_is_said_to_lie_in_stalls() -> None:
    # Exponential quantiles of mean 1 ms, a mean of 1.25 ms: a fifth of it lies beyond them.
    quantiles = {
        "p50": 1e-3 * float(np.log(2)),
        "p90": 1e-3 * float(np.log(10)),
        "p99": 1e-3 * float(np.log(100)),
    }
    for mean, says in ((1.25e-3, True), (1e-3, False)):
        told = {"mean": mean, **quantiles}
        points = [MeasuredPoint(line, 1, None, 4096, True, told) for line in (2, 3)]
        warnings = calibrate_measured(points, engine=None).warnings
        assert (
            any("Some 20 % of the mean latency of reads lies in rare long stalls" in w for w in warnings)
            == says
        )
