"""Fits to measurements: known parameters found again, and what cannot be told is said. Data are seeded."""

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.stats import binomtest
from typer.testing import CliRunner

from drives import generic
from tailrace.cli import app
from tailrace.fit.calibration import calibrate
from tailrace.fit.latencies import distance, distances, latencies
from tailrace.fit.law_fit import fit_laws
from tailrace.fit.left_out import apart
from tailrace.fit.measured import STARTS, MeasuredPoint, media_of, read_points
from tailrace.fit.predicted import closed_form, simulated
from tailrace.physics.hyperexponential import two_phase_from_uniform
from tailrace.physics.seek import mean_seek_s, three_point_curve
from tailrace.report.terminal.calibration import distances_text
from tailrace.scenario.reading.read import parse
from tailrace.theory.one_drive import arm_service_s, closed_banks_s, open_response_s
from tailrace.trace import recording


@pytest.fixture(autouse=True)
def _own_cache(tmp_path_factory, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
    monkeypatch.setattr(recording, "_opened", {})


def drive(kind):
    return media_of(STARTS[kind], kind)


def points(sizes, depths, kinds=(True, False)):
    conditions = [(size, depth, read) for size in sizes for depth in depths for read in kinds]
    return [
        MeasuredPoint(line, depth, None, size, read, {"mean": 1.0})
        for line, (size, depth, read) in enumerate(conditions)
    ]


def measured(conditions, truth, seed, noise=0.05):
    values = np.exp(truth + np.random.default_rng(seed).normal(0, noise, truth.size))
    return [
        MeasuredPoint(each.line, each.queue_depth, None, each.size_bytes, each.read, {"mean": float(value)})
        for each, value in zip(conditions, values, strict=True)
    ]


# ---- the closed forms ------------------------------------------------------------------------------------------------


def test_an_arm_without_choice_takes_the_mean_seek_and_half_a_turn():
    curve = three_point_curve(0.6e-3, 8.5e-3, 17e-3)
    exact, depth = mean_seek_s(curve) + 1 / 240, np.array([1.0, 32.0])
    assert arm_service_s(depth, curve, 1 / 120, chooses=False) == pytest.approx([exact, exact], rel=0.005)
    one, many = arm_service_s(depth, curve, 1 / 120, chooses=True)
    assert one == pytest.approx(exact, rel=0.005)
    assert many < 0.5 * exact


def test_equal_stations_visited_at_random_answer_as_product_form_has_it():
    # N customers over M equal exponential stations: R = (M + N - 1)/M times the work (Lazowska 1984, from memory)
    work = np.array([[1.0], [2.0]])
    found = closed_banks_s(16, work, work, np.array([8.0]))
    assert found.shape == (16, 2)
    for n in (1, 2, 16):
        assert found[n - 1] == pytest.approx(np.array([1.0, 2.0]) * (8 + n - 1) / 8)


def test_of_rates_one_server_answers_as_mm1_and_the_wait_grows_smoothly_through_saturation():
    # M/M/1: 1/(mu - lambda) (Kleinrock, Queueing Systems I, 1975, from memory)
    assert open_response_s(0.01, 80.0, 100.0) == pytest.approx(1 / (100 - 80))
    loads = np.linspace(90, 110, 201)
    found = np.array([open_response_s(0.01, load, 100.0) for load in loads])
    assert (np.diff(found) > 0).all()
    assert np.abs(np.diff(found, 2)).max() < 0.1 * np.diff(found).max()


def test_at_a_low_rate_a_drive_takes_as_long_as_one_request_alone_and_carries_the_rate():
    true = drive("spinning")
    alone = np.exp(closed_form(true, [MeasuredPoint(1, 1, None, 8192, True, {"mean": 1.0})]))[0]
    slow = MeasuredPoint(1, None, 1.0, 8192, True, {"mean": 1.0, "throughput": 1.0})
    assert np.exp(closed_form(true, [slow])) == pytest.approx([alone, 1.0], rel=0.01)


# ---- the simulation --------------------------------------------------------------------------------------------------


def test_writes_are_measured_when_the_buffer_of_a_flash_drive_is_full():
    pytest.importorskip("numba")
    # 64 dies program 16 KiB each in 600 us, 20.48 us on the bus before, a 1,024th of 3 ms to erase (derived): less than
    # the 500,000 /s of the command processor, so with 32 writes of 4 KiB there the buffer fills, if slowly
    carried = 64 * 4 / (600e-6 + 16384 / 800e6 + 3e-3 / 1024)
    assert 0.7 * 5e5 < carried < 0.85 * 5e5
    writes = [MeasuredPoint(1, 32, None, 4096, False, {"mean": 1.0, "throughput": 1.0})]
    mean, throughput = np.exp(simulated(drive("flash"), writes, 1, "compiled"))
    assert mean == pytest.approx(32 / carried, rel=0.03)
    assert throughput == pytest.approx(32 / mean)


def test_the_noise_of_one_point_says_nothing_of_that_of_another():
    pytest.importorskip("numba")
    conditions = points((8192, 131072), (1,), (True,))
    many = np.array([simulated(drive("spinning"), conditions, s, "compiled", 600) for s in range(40)])
    assert abs(np.corrcoef(many.T)[0, 1]) < 0.45  # of 40 pairs without correlation 99.6 % lie below (derived)
    again = simulated(drive("spinning"), conditions, 1, "compiled", 600, draw=1)
    assert (again != many[1]).all()


# ---- left out -------------------------------------------------------------------------------------------------------


@pytest.mark.whole
def test_points_of_a_drive_of_parts_are_predicted_from_the_others_as_well_as_their_noise_lets_them():
    true, conditions = drive("flash"), points((4096, 16384, 131072), (1, 4, 8, 16))
    found = calibrate(true, measured(conditions, closed_form(true, conditions), 3), engine=None)
    far = apart(found.left_out, of_means=True)
    assert far.size == len(conditions)
    assert 0.02 < np.median(far) < 0.06  # of normal noise of 5 % half lies within 3.4 % (derived)
    assert far.max() < 0.25
    assert found.repeated is None


# ---- round trip ------------------------------------------------------------------------------------------------------


@pytest.mark.whole
def test_parameters_are_found_within_their_intervals_about_as_often_as_these_say():
    names = ("cell_read", "channel_rate", "buffer_time", "cell_program")
    true, conditions = drive("flash"), points((4096, 16384, 131072), (1, 4, 8, 16))
    truth, held, widths = closed_form(true, conditions), 0, []
    for seed in range(30):
        found = calibrate(true, measured(conditions, truth, seed), names, engine=None, leaving_out=False)
        held += sum(each.low <= getattr(true, each.name) <= each.high for each in found.parameters)
        widths += [each.high / each.low for each in found.parameters]
    assert binomtest(held, 120, 0.95).pvalue > 0.001
    assert np.median(widths) < 1.4
    assert found.spread == pytest.approx(0.05, rel=0.5)


@pytest.mark.whole
def test_a_fit_through_the_simulation_finds_a_drive_from_a_wrong_start():
    pytest.importorskip("numba")
    true, conditions = drive("spinning"), points((8192, 1048576), (1, 4, 16), (True,))
    truth = simulated(true, conditions, 99, "compiled", 20_000)
    wrong = true.model_copy(
        update={"seek_average": 11e-3, "seek_full": 22.5e-3, "outer_rate": 160e6, "inner_rate": 77e6}
    )
    found = calibrate(
        wrong, measured(conditions, truth, 5, 0.01), ("seek_average", "outer_rate"), 3, "compiled"
    )
    assert found.by == "simulation"
    assert found.media.seek_average == pytest.approx(8.5e-3, rel=0.03)
    assert found.media.outer_rate == pytest.approx(250e6, rel=0.05)
    assert max(abs(each.log_difference) for each in found.residuals) < 0.05


@pytest.mark.whole
def test_a_drive_measured_at_rates_is_found_as_one_at_queue_depths():
    pytest.importorskip("numba")
    true = drive("spinning")
    conditions = [
        MeasuredPoint(line, None, rate, size, True, {"mean": 1.0, "p90": 1.0})
        for line, (rate, size) in enumerate((rate, size) for rate in (10.0, 60.0) for size in (8192, 1048576))
    ]
    truth = np.exp(simulated(true, conditions, 99, "compiled", 20_000)).reshape(-1, 2)
    values = [
        MeasuredPoint(
            each.line,
            None,
            each.rate_per_s,
            each.size_bytes,
            True,
            dict(zip(("mean", "p90"), row, strict=True)),
        )
        for each, row in zip(conditions, truth.tolist(), strict=True)
    ]
    wrong = true.model_copy(update={"seek_average": 10e-3, "seek_full": 20.3e-3, "outer_rate": 180e6})
    found = calibrate(wrong, values, ("seek_average", "outer_rate"), 3, "compiled")
    assert found.media.seek_average == pytest.approx(8.5e-3, rel=0.04)
    assert found.spread < 0.04


@pytest.mark.whole
def test_a_parameter_of_small_influence_gets_an_interval_by_its_effect_and_not_by_noise():
    pytest.importorskip("numba")
    true, conditions = drive("spinning"), points((8192, 131072), (1, 16))
    truth = simulated(true, conditions, 99, "compiled", 20_000)
    widths = []
    for seed in (1, 2):
        values = measured(conditions, truth, 5, 0.02)
        found = calibrate(true, values, ("seek_average", "write_settle"), seed, "compiled", leaving_out=False)
        settle = found.parameters[1]
        assert settle.low < 0.5e-3 < settle.high
        widths.append(np.log(settle.high / settle.low))
    assert max(widths) < 1.25 * min(widths)  # the same measurements, other random numbers


def test_parameters_that_the_points_cannot_tell_apart_are_named():
    true, conditions = drive("flash"), points((4096,), (1, 1, 1, 2, 2), (True,))
    found = calibrate(true, measured(conditions, closed_form(true, conditions), 1), engine=None)
    said = " ".join(found.warnings)
    assert "No point depends on buffer_time" in said
    assert "No point depends on cell_program" in said
    assert "apart" in said
    assert "cell_read" in said
    assert found.singular_values[-1] < 0.05 * found.singular_values[0]


def test_too_few_points_are_refused():
    conditions = points((4096, 65536), (1,), (True,))
    with pytest.raises(ValueError, match="more are needed"):
        calibrate(
            drive("flash"), measured(conditions, closed_form(drive("flash"), conditions), 1), engine=None
        )


# ---- laws ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "sample"),
    [
        ("gamma", lambda u: stats.gamma.ppf(u, 3.0, scale=1e-4)),
        ("lognormal", lambda u: stats.lognorm.ppf(u, 0.8, scale=2e-4)),
        ("Weibull", lambda u: stats.weibull_min.ppf(u, 2.2, scale=2e-4)),
        ("hyperexponential", lambda u: two_phase_from_uniform(u, 2e-4, 9.0)),
    ],
)
def test_the_law_from_which_times_were_drawn_ranks_first(name, sample):
    laws = fit_laws(sample(np.random.default_rng(8).random(8000)))
    assert laws[0].name == name
    # Differences in the last quantiles weigh most, and these scatter with the variability.
    assert laws[0].distance < (0.3 if name == "hyperexponential" else 0.06)
    assert [law.aic for law in laws] == sorted(law.aic for law in laws)


def test_exponential_times_are_seen_as_such_by_every_law_that_holds_them():
    laws = {law.name: law for law in fit_laws(np.random.default_rng(4).exponential(1e-3, 5000))}
    assert laws["gamma"].parameters["scv"] == pytest.approx(1, abs=0.06)
    assert laws["Weibull"].parameters["shape"] == pytest.approx(1, abs=0.04)
    assert laws["lognormal"].aic > laws["exponential"].aic + 100


def test_a_law_needs_values_that_differ():
    for values in (np.ones(50), np.arange(1.0, 5.0)):
        with pytest.raises(ValueError, match="at least ten"):
            fit_laws(values)


# ---- distance --------------------------------------------------------------------------------------------------------


def test_the_simulated_latencies_lie_near_measured_ones_of_the_same_law_and_far_from_others():
    scenario = parse(
        f'{generic("exponential")}\n[[workload]]\nname = "booking"\nrate = "500 /s"\nrequest_size = "8 KiB"\n'
    )
    samples = latencies(scenario, 3, 4000)
    rng = np.random.default_rng(2)
    near = distance(
        samples, rng.exponential(2e-3, 20_000)
    )  # M/M/1 at 0.5: exponential with twice the service's mean
    far = distance(samples, rng.exponential(3e-3, 20_000))
    assert near.value < 0.12
    assert far.value > 0.3
    assert near.floor < 0.15


def test_distances_of_designs_name_the_nearer_one_and_the_overloaded():
    text = (
        f"{generic('exponential')}\n"
        '[[workload]]\nname = "booking"\nrate = "500 /s"\nrequest_size = "8 KiB"\n[run]\nseed = 4\n'
    )
    designs = [parse(text), parse(text, overrides=['server.media.service.mean="1.5 ms"'])]
    apart = distances(designs, ["one", "two"], np.random.default_rng(2).exponential(2e-3, 20_000), 1, 2000)
    assert apart["one"].value < 0.5 * apart["two"].value
    shown = distances_text({**apart, "three": None})
    assert "overloaded" in shown
    assert all(len(line) <= 80 for line in shown.splitlines())


# ---- the verb --------------------------------------------------------------------------------------------------------


def run(*arguments):
    return CliRunner().invoke(app, ["calibrate", *map(str, arguments)])


def flash_points(path, unit=1e6):
    conditions = points((4096, 16384, 131072), (1, 8, 32))
    rows = measured(conditions, closed_form(drive("flash"), conditions), 3)
    lines = [
        f"{each.queue_depth},{each.size_bytes},{'rw'[not each.read]},{each.measured['mean'] * unit}"
        for each in rows
    ]
    path.write_text("\n".join(["queue_depth,size,kind,mean", *lines]))


@pytest.mark.whole
def test_the_verb_fits_prints_writes_a_part_that_a_scenario_takes_up_and_draws(tmp_path):
    flash_points(tmp_path / "points.csv")
    (tmp_path / "hardware").mkdir()
    part, png = tmp_path / "hardware" / "mine.toml", tmp_path / "fit.png"
    done = run(
        tmp_path / "points.csv",
        "--media",
        "flash",
        "--unit",
        "mean=us",
        "--closed-form",
        "--write",
        part,
        "--picture",
        png,
    )
    assert done.exit_code == 0, done.stderr
    assert "cell_read" in done.stdout
    assert all(len(line) <= 100 for line in done.stdout.splitlines())
    assert png.read_bytes().startswith(b"\x89PNG")
    assert "95 % interval" in part.read_text()
    text = '[server]\nmedia = "mine"\n[[workload]]\nname = "a"\nrate = "5 /s"\nrequest_size = "8 KiB"\n'
    assert parse(text, beside=tmp_path).server.media.cell_read == pytest.approx(60e-6, rel=0.15)
    document = json.loads(
        run(
            tmp_path / "points.csv", "--media", "flash", "--unit", "mean=us", "--closed-form", "--json"
        ).stdout
    )
    assert {each["name"] for each in document["parameters"]} >= {"cell_read", "channel_rate"}


def test_columns_are_mapped_as_those_of_a_trace(tmp_path):
    text = """depth;block;op;time taken;moved;weather
1;4;GET;80;51.2;fair
4;4;put;12 us;;fog

16;8 KiB;GET;0.2 ms;;fog
"""
    (tmp_path / "points.csv").write_text(text)
    settings = ["separator=;", "queue_depth=depth", "size=block", "size.unit=KiB", "kind.column=op"]
    settings += ['kind.read=["get"]', 'kind.write=["put"]', "mean=time taken", "mean.unit=us"]
    settings += ["throughput=5", "throughput.unit=MB/s"]
    found = read_points(tmp_path / "points.csv", None, settings)
    assert found.unused == ("weather",)
    assert [each.line for each in found.points] == [2, 3, 5]
    assert [each.queue_depth for each in found.points] == [1, 4, 16]
    assert [each.size_bytes for each in found.points] == [4096, 4096, 8192]
    assert [each.read for each in found.points] == [True, False, True]
    assert [each.measured["mean"] for each in found.points] == pytest.approx([80e-6, 12e-6, 200e-6])
    assert found.points[0].measured["throughput"] == pytest.approx(51.2e6 / 4096)
    assert "throughput" not in found.points[1].measured
    keys = ["separator = ';'", "queue_depth = 'depth'", "size = {column = 'block', unit = 'KiB'}"]
    keys += [
        "kind = {column = 'op', read = ['get'], write = ['put']}",
        "mean = {column = 'time taken', unit = 'us'}",
    ]
    keys += ["throughput = {position = 5, unit = 'MB/s'}"]
    (tmp_path / "columns.toml").write_text("\n".join(keys))
    assert read_points(tmp_path / "points.csv", tmp_path / "columns.toml") == found


def test_headings_count_that_say_the_same_in_other_letters(tmp_path):
    (tmp_path / "points.csv").write_text("Queue Depth,SIZE,Mean\n2,4 KiB,0.1 ms\n")
    point = read_points(tmp_path / "points.csv").points[0]
    assert (point.queue_depth, point.size_bytes, point.measured["mean"]) == (2, 4096, pytest.approx(1e-4))


def test_the_verb_ranks_laws_of_raw_latencies(tmp_path):
    values = np.random.default_rng(1).gamma(4, 25, 2000)
    (tmp_path / "raw.csv").write_text("took\n" + "\n".join(map(str, values)))
    part, png = tmp_path / "law.toml", tmp_path / "law.png"
    done = run(
        tmp_path / "raw.csv", "--media", "generic", "--unit", "took=us", "--write", part, "--picture", png
    )
    assert done.exit_code == 0, done.stderr
    assert "the gamma law fits best" in " ".join(done.stdout.split())
    assert tomllib.loads(part.read_text())["media"]["service"]["law"] == "gamma"
    assert png.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("kind", ["generic", "flash"])
def test_what_is_written_is_read_back_whatever_the_file_is_called(tmp_path: Path, kind: str) -> None:
    raw, part = tmp_path / 'run "a" \\ x.csv', tmp_path / "part.toml"
    if kind == "generic":
        values = np.random.default_rng(1).gamma(4, 25e-6, 200)
        raw.write_text("took\n" + "\n".join(map(str, values)))
    else:
        conditions = [(4096, 1, 80e-6), (4096, 32, 105e-6), (4096, 128, 200e-6), (131072, 1, 150e-6)]
        rows = [f"{depth},{size},read,{mean}" for size, depth, mean in conditions]
        raw.write_text("\n".join(["queue_depth,size,kind,mean", *rows, "1,131072,read,151e-6"]))
    options = ("--closed-form", "--fit", "cell_read,channel_rate") if kind == "flash" else ()
    done = run(raw, "--media", kind, "--write", part, *options)
    assert done.exit_code == 0, done.stderr
    read = tomllib.loads(part.read_text())
    assert raw.name in read["title"]
    assert read["media"]["kind"] == kind


@pytest.mark.parametrize(
    ("text", "options", "said"),
    [
        ("", ["--media", "flash"], "an empty file"),
        ("queue_depth,size,mean\n", ["--media", "flash"], "no points"),
        ("size,mean\n1,2\n", ["--media", "flash"], "no column queue_depth and none rate"),
        ("queue_depth,mean\n1,2\n", ["--media", "flash"], "no column size"),
        ("queue_depth,size\n1,2\n", ["--media", "flash"], "nothing measured"),
        (
            "queue_depth,size,mean\n1,4096,-2\n",
            ["--media", "flash"],
            "line 2: mean -2: a number that is not above 0",
        ),
        ("queue_depth,size,kind,mean\n1,4096,x,2\n", ["--media", "flash"], "line 2: kind 'x'"),
        ("queue_depth,size,mean\n1,4096,5%\n", ["--media", "flash"], "line 2: mean '5%': a percentage"),
        ("queue_depth,size,mean\n1,4096,5\n1,4096,fast\n", ["--media", "flash"], "line 3: mean 'fast'"),
        ("queue_depth,size,mean\n1.5,4096,2\n", ["--media", "flash"], "line 2: queue_depth 1.5 is not whole"),
        ("queue_depth,size,mean\n1,,2\n", ["--media", "flash"], "line 2: no size"),
        ("queue_depth,rate,size,mean\n1,2,4096,2\n", ["--media", "flash"], "both queue_depth and rate"),
        ("queue_depth,size,maen\n1,4096,2\n", ["--media", "flash"], '"queue_depth", "size", "maen"'),
        ("queue_depth;size;mean\n1;4096;2\n", ["--media", "flash"], '"queue_depth;size;mean"'),
        (
            "depth,size,mean\n1,4096,2\n",
            ["--media", "flash", "--column", "queue_depth=dept"],
            'nearest: "depth"',
        ),
        (
            "depth,size,mean\n1,4096,2\n",
            ["--media", "flash", "--column", "queuedepth=depth"],
            "queue_depth (the nearest)",
        ),
        (
            "queue_depth,size,mean\n1,4096,2\n",
            ["--media", "flash", "--unit", "maen=us"],
            "mean (the nearest)",
        ),
        (
            "queue_depth,size,mean\n1,4096,2\n",
            ["--media", "flash", "--column", "mean.unit=MB"],
            "a time is due",
        ),
        (
            "queue_depth,size,mean\n1,4096,2\n",
            ["--media", "flash", "--column", "mean.colour=red"],
            "unknown key",
        ),
        (
            "queue_depth,size,mean\n1,4096,2\n",
            ["--media", "flash", "--columns", "nowhere.toml"],
            "cannot be read",
        ),
        ("queue_depth,size,mean\n1,4096,2\n", ["--media", "flash"], "more are needed"),
        ("queue_depth,size,mean\n1,4096,2\n", ["--media", "flash", "--unit", "mean=moons"], "unknown unit"),
        ("queue_depth,size,mean\n1,4096,2\n", ["--media", "flash", "--unit", "mean"], "not COLUMN=UNIT"),
        ("queue_depth,size,mean\n1,4096,2\n", ["--media", "flash", "--fit", "colour"], "cannot be fitted"),
        ("queue_depth,size,mean\n1,4096,2\n", ["--media", "tape"], "unknown"),
        (
            "queue_depth,size,mean\n1,4096,2\n",
            ["--media", "flash", "--start", "nowhere.toml"],
            "cannot be read",
        ),
        (
            "queue_depth,size,mean\n1,4096,2\n",
            ["--media", "flash", "--picture", "fit.gif"],
            ".png or .svg or .pdf",
        ),
        ("took\n1\n", ["--media", "generic", "--column", "took=1"], "one column"),
        ("took\n1\n2\n", ["--media", "generic"], "at least ten values"),
        ("took\n1\n-2\n", ["--media", "generic"], "not all above 0 (line 3"),
    ],
)
def test_bad_input_is_said_with_what_is_accepted_and_exit_code_2(tmp_path, text, options, said):
    (tmp_path / "points.csv").write_text(text)
    done = run(tmp_path / "points.csv", *options)
    assert done.exit_code == 2, (done.stdout, done.stderr)
    assert said in done.stderr
    assert "accepted: " in done.stderr
