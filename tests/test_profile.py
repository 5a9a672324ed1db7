"""A trace described: by hand on a few rows, and back to the scenario that it was drawn from. Data are seeded."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest
from typer.testing import CliRunner

from drives import generic
from tailrace.cli import app
from tailrace.errors import ScenarioError
from tailrace.fit.resemblance import likeness, resembling
from tailrace.measure.distance import relative_distance
from tailrace.physics.zipf import scatter, zipf_law, zipf_rank
from tailrace.scenario.reading.read import load, parse
from tailrace.scenario.reading.toml import toml_text
from tailrace.scenario.reading.trace_alone import trace_class
from tailrace.trace import recording
from tailrace.trace.popularity import popularity
from tailrace.trace.profile import ITEM_BYTES, profile
from tailrace.workload.arrivals import ArrivalStream
from tailrace.workload.requests import RequestStream
from tailrace.workload.streams import Streams

BOOKING = f"""
{generic("exponential", "80 us", capacity="1 TiB", servers=8)}
[[workload]]
name = "booking"
clients = 40
rate = "50 /s"
read_share = 0.7
request_size = [{{size = "8 KiB", share = 0.8}}, {{size = "64 KiB", share = 0.2}}]
span = "2 GiB"
"""


@pytest.fixture(autouse=True)
def _own_cache(tmp_path_factory, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
    monkeypatch.setattr(recording, "_opened", {})


@pytest.fixture
def described(tmp_path):
    """The profile of a trace in text, and of one drawn from a class of a scenario."""

    def of_text(text, settings=(), **keywords):
        path = tmp_path / "trace.csv"
        path.write_text(text)
        workload, _ = trace_class(path, settings=settings)
        return profile(workload.recording, **keywords)

    def of_class(text, rows, seed):
        scenario = parse(text)
        workload, streams = scenario.workload[0], Streams(seed, 0, "booking")
        arrivals = ArrivalStream(workload, 1.0, streams)
        times, clients = arrivals.until(rows / arrivals.rate_per_s)
        drawn = RequestStream(workload, *scenario.spans()[0], streams).requests(
            np.arange(times.size), clients
        )
        columns = zip(
            times, np.where(drawn.read, "r", "w"), drawn.address, drawn.size_bytes, clients, strict=True
        )
        lines = (f"{at:.9f},{kind},{address},{size},{client}" for at, kind, address, size, client in columns)
        return of_text("\n".join(["time,kind,address,size,client", *lines]))

    of_text.drawn = of_class
    return of_text


# ---- by hand ---------------------------------------------------------------------------------------------------------

SMALL = """time,kind,address,size,client
0,r,0,16384,a
1,r,16384,16384,a
2,w,0,16384,b
3,r,32768,16384,a
4,r,16384,16384,b
"""


def test_rates_shares_runs_and_what_is_touched_by_hand(described):
    found = described(SMALL)
    assert found.rate_per_s == 1.0
    assert found.read_share == 0.8
    assert found.mean_size == 16384
    assert found.gap_scv == 0.0
    assert found.sequential_share == 0.6  # a's second and third, b's second
    assert found.span == 3 * 16384
    assert found.touched[-1].so_far_bytes == 3 * ITEM_BYTES
    assert found.touched[4].so_far_bytes == 2 * ITEM_BYTES  # until 2 s
    assert found.popularity is None  # five requests tell nothing


def test_without_clients_a_run_may_be_interleaved_with_others(described):
    text = "time,address,size\n" + "".join(
        f"{k},{(k // 3) * 4096 + (k % 3) * 10**9},4096\n" for k in range(300)
    )
    assert described(text).sequential_share == pytest.approx(297 / 300)


def test_what_the_file_does_not_tell_is_not_known(described):
    found = described("time\n1\n2\n4\n")
    assert found.read_share is None
    assert found.mean_size is None
    assert found.popularity is None
    assert found.touched == ()
    assert found.gap_scv == pytest.approx(np.var([1, 2]) / 1.5**2)


# ---- back to the scenario --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("exponent", [0.5, 0.8, 1.1])
def test_a_trace_drawn_from_a_scenario_profiles_back_to_it(described, exponent):
    found = described.drawn(f"{BOOKING}popularity = {exponent}\n", 100_000, seed=11)
    assert found.rate_per_s == pytest.approx(2000, rel=0.02)
    assert found.read_share == pytest.approx(0.7, abs=0.01)
    sizes = dict(found.facts.sizes)
    assert sizes[8192] / found.facts.rows == pytest.approx(0.8, abs=0.01)
    assert sizes[65536] / found.facts.rows == pytest.approx(0.2, abs=0.01)
    assert found.sequential_share < 0.05  # by chance, where few items are asked for often
    assert found.popularity.low <= exponent <= found.popularity.high
    assert found.popularity.high - found.popularity.low < 0.05
    assert found.popularity.misfit < 0.01
    assert found.gap_scv == pytest.approx(1.0, abs=0.03)
    assert all(0.5 < each.index < 1.6 for each in found.dispersion)


def test_bursty_arrivals_profile_back_to_their_squared_coefficient_of_variation(described):
    found = described.drawn(BOOKING + 'arrivals = "bursty"\nburstiness = 9\n', 100_000, seed=12)
    assert found.gap_scv == pytest.approx(9, rel=0.08)
    # A renewal process: over long windows the index tends to the same (Cox and Lewis 1966, from memory).
    assert found.dispersion[3].index == pytest.approx(9, rel=0.3)
    table = resembling(found, "again")
    assert table["arrivals"] == "bursty"
    assert table["burstiness"] == pytest.approx(9, rel=0.08)


def test_sequential_clients_profile_back_to_sequential(described):
    found = described.drawn(BOOKING + 'pattern = "sequential"\n', 20_000, seed=13)
    assert found.sequential_share > 0.99
    assert resembling(found, "again")["pattern"] == "sequential"


@pytest.mark.whole
def test_surges_are_seen_in_long_windows_and_resembled(described):
    text = BOOKING + 'surge = {factor = 5, share = 0.1, length = "50 ms"}\n'
    found = described.drawn(text, 200_000, seed=14)
    table = resembling(found, "again")
    assert "surge" in table
    again = described.drawn(
        BOOKING + toml_text({"surge": table["surge"]}).replace("[surge]", "[workload.surge]"),
        200_000,
        seed=15,
    )
    for one, two in zip(found.dispersion[1:4], again.dispersion[1:4], strict=True):
        assert two.index == pytest.approx(one.index, rel=0.25)


@pytest.mark.whole
def test_the_interval_of_the_zipf_exponent_holds_it_as_often_as_it_says():
    held, errors = 0, []
    law = zipf_law(5000, 0.7)
    for seed in range(80):
        item = scatter(zipf_rank(np.random.default_rng(seed).random(20_000), law), 5000, seed)
        found = popularity(item, 5000)
        held += found.low <= 0.7 <= found.high
        errors.append(found.exponent - 0.7)
    assert binomtest(held, 80).proportion_ci(0.999).low < 0.95
    assert binomtest(held, 80, 0.95).pvalue > 0.001
    assert abs(np.mean(errors)) < 0.003  # and not by being wide
    assert np.std(errors) < 0.01


def test_even_popularity_gives_an_interval_that_reaches_down_to_none():
    item = np.random.default_rng(3).integers(0, 5000, 50_000)
    found = popularity(item, 5000)
    assert found.low == 0.0
    assert found.high < 0.2


# ---- the class that resembles ----------------------------------------------------------------------------------------


def test_the_class_that_resembles_is_a_scenario_and_behaves_alike(described, tmp_path):
    found = described.drawn(BOOKING + "popularity = 0.8\n", 30_000, seed=16)
    table = resembling(found, "again")
    server, _, _ = BOOKING.partition("[[workload]]")
    text = toml_text({"workload": [table]}, "from a trace")
    assert parse(server + text).workload[0].clients == 40
    scenario = parse(BOOKING + "[run]\nrequests = 4000\nreplications = 4\n")
    _, trace = trace_class(tmp_path / "trace.csv")
    both = likeness(scenario, trace, table, seed=3)
    one, two = (each.classes[0].all.latency_s["mean"] for each in (both.trace, both.resembling))
    assert two.value == pytest.approx(one.value, rel=0.05)
    assert both.distance.value < max(3 * both.distance.floor, 0.05)


def test_of_several_pools_one_is_named_and_what_it_cannot_hold_wraps_around(described, tmp_path):
    found = described.drawn(BOOKING + "popularity = 0.8\n", 3000, seed=17)
    server = BOOKING.partition("[[workload]]")[0].replace("server.media", "server.pool.media")
    pools = "".join(
        server.replace("[server", f'[[server.pool]]\nname = "{name}"\n[server', 1).replace("1 TiB", capacity)
        for name, capacity in (("data", "1 TiB"), ("log", "1 GiB"))
    )
    workload = BOOKING[BOOKING.index("[[workload]]") :].replace('"2 GiB"', '"1 MiB"\npool = "data"')
    scenario = parse(pools + workload + "[run]\nrequests = 1000\nreplications = 2\n")
    trace = trace_class(tmp_path / "trace.csv")[1]
    table = resembling(found, "again")
    assert table["span"] == "2 GiB"
    with pytest.raises(ScenarioError, match=r"--pool: missing.*accepted: one of data, log"):
        likeness(scenario, trace, table, seed=3)
    for pool, other in (("data", "log"), ("log", "data")):
        both = likeness(scenario, trace, table, seed=3, pool=pool)
        for answer in (both.trace, both.resembling):
            busy = {each.name: each.utilisation for each in answer.stations}
            assert busy[f"{pool}: drive"] > 0.005
            assert not busy.get(f"{other}: drive")
    with pytest.raises(ScenarioError, match="no pool of this name"):
        likeness(scenario, trace, table, seed=3, pool="tape")


def test_nothing_resembles_a_trace_without_times_or_sizes(described):
    with pytest.raises(ValueError, match="times and its sizes"):
        resembling(described("time\n1\n2\n4\n"), "again")


# ---- distance --------------------------------------------------------------------------------------------------------


def test_the_distance_of_a_shift_is_the_shift_and_of_a_stretch_follows_from_the_moments():
    rng = np.random.default_rng(1)
    sample = rng.exponential(2.0, 200_000)
    assert relative_distance(sample, sample) == 0.0
    assert relative_distance(sample + 0.5, sample) == pytest.approx(0.5 / sample.mean())
    # quantiles of a·X lie (a - 1)·q apart: root mean square |a - 1|·√E X² = |a - 1|·√2·mean (derived)
    assert relative_distance(1.1 * sample, sample) == pytest.approx(0.1 * np.sqrt(2), rel=0.02)


@settings(max_examples=30)
@given(st.lists(st.floats(1e-6, 1e3), min_size=1, max_size=30), st.floats(0.1, 10))
def test_a_distance_does_not_depend_on_the_unit(values, factor):
    one = np.array(values)
    other = np.sqrt(one) + 1.0
    assert relative_distance(one * factor, other * factor) == pytest.approx(relative_distance(one, other))


def test_a_distance_needs_values_with_a_mean():
    with pytest.raises(ValueError, match="both sides"):
        relative_distance(np.empty(0), np.ones(2))
    with pytest.raises(ValueError, match="above 0"):
        relative_distance(np.ones(2), np.zeros(2))


# ---- the verb --------------------------------------------------------------------------------------------------------


def run(*arguments):
    return CliRunner().invoke(app, ["profile", *map(str, arguments)])


def test_the_verb_prints_a_description_and_one_json_document(tmp_path):
    path = tmp_path / "trace.csv"
    path.write_text(SMALL)
    text = run(path)
    assert text.exit_code == 0
    assert "sequential, %" in text.stdout
    assert all(len(line) <= 80 for line in text.stdout.splitlines())
    document = json.loads(run(path, "--json").stdout)
    assert document["facts"]["rows"] == 5
    assert document["read_share"] == 0.8


def test_columns_come_by_option_or_by_file(tmp_path):
    path = tmp_path / "trace.csv"
    path.write_text(SMALL.replace("time,", "when,"))
    by_option = run(path, "--column", "time=when", "--column", "time.unit=ms", "--json")
    (tmp_path / "columns.toml").write_text('time = {column = "when", unit = "ms"}\n')
    by_file = run(path, "--columns", tmp_path / "columns.toml", "--json")
    assert json.loads(by_option.stdout)["rate_per_s"] == json.loads(by_file.stdout)["rate_per_s"] == 1000.0


def test_what_resembles_is_written_once_and_never_over_a_file(tmp_path):
    path, out = tmp_path / "trace.csv", tmp_path / "class.toml"
    path.write_text(SMALL)
    assert run(path, "--write", out).exit_code == 0
    server, _, _ = BOOKING.partition("[[workload]]")
    (tmp_path / "scenario.toml").write_text(server + out.read_text())
    assert load(tmp_path / "scenario.toml").workload[0].read_share == 0.8
    again = run(path, "--write", out)
    assert again.exit_code == 2
    assert "is there already" in again.stderr


@pytest.mark.parametrize(
    ("text", "options", "said"),
    [
        ("a,b\n1,2\n", [], "headings that say nothing"),
        ("", [], "an empty file"),
        ("time,size\n1,5\n", [], "at least two rows at different instants"),
        (SMALL, ["--column", "time=moment"], 'no column "moment"'),
        (SMALL, ["--column", "time.unit=moons", "--column", "time.column=time"], "unknown unit"),
        (SMALL, ["--column", "weather=fog"], "unknown key"),
        (SMALL, ["--column", "fog"], "is not KEY=VALUE"),
        (SMALL, ["--columns", "nowhere.toml"], "cannot be read"),
        (SMALL, ["--span", "400"], "a number without a unit"),
        (SMALL + "x,r,0,1,a\n", [], "1 of 6 rows are bad (line 7: no time)"),
    ],
)
def test_bad_input_is_one_line_and_exit_code_2(tmp_path, text, options, said):
    path = tmp_path / "trace.csv"
    path.write_text(text)
    done = run(path, *options)
    assert done.exit_code == 2, done.stderr
    assert said in done.stderr
    assert "accepted: " in done.stderr
    assert "Traceback" not in done.stderr


def test_a_missing_trace_is_named(tmp_path):
    with pytest.raises(ScenarioError, match="no such file"):
        trace_class(tmp_path / "nowhere.csv", settings=["time=1"])
