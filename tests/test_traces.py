"""Recorded traces: what a file says, what is wrong with it, and how it is replayed. Data are made here, seeded."""

import gzip
import json
import pickle

import numpy as np
import pytest

from drives import generic
from tailrace.answer.run import simulate
from tailrace.engine.reference import run_reference
from tailrace.errors import ScenarioError
from tailrace.plan.build import build_plan, sample_requests
from tailrace.plan.columns import READ
from tailrace.report.files.documents import as_json
from tailrace.scenario.reading.read import load, parse
from tailrace.scenario.reading.variant import Variants
from tailrace.trace import compilation, recording, table
from tailrace.workload.replay import begins_at

SCENARIO = f"""
{generic("constant", "10 us", capacity="1 GiB")}
[[workload]]
name = "booking"
arrivals = "trace"
file = "booking.csv"
[workload.columns]
time = {{column = "when", unit = "ms"}}
kind = "op"
address = {{column = "sector", unit = "512 B"}}
size = {{column = "bytes", unit = "KiB"}}
client = "desk"
[run]
seed = 7
"""

ROWS = """when,op,sector,bytes,desk,weather
5,R,0,8,pier,fair
6,W,16,4,quay,fair
8,read,64,8,pier,fog
12,R,16,8,mole,fog
"""


@pytest.fixture(autouse=True)
def _own_cache(tmp_path_factory, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
    monkeypatch.setattr(recording, "_opened", {})


@pytest.fixture
def scenario(tmp_path):
    """Writes a trace and reads a scenario that replays it."""

    def made(rows=ROWS, changes=(), overrides=(), name="booking.csv"):
        content = rows if isinstance(rows, bytes) else rows.encode()
        (tmp_path / name).write_bytes(content)
        text = SCENARIO.replace("booking.csv", name)
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        (tmp_path / "scenario.toml").write_text(text)
        return load(tmp_path / "scenario.toml", overrides)

    return made


def problems(scenario, *arguments, **keywords):
    with pytest.raises(ScenarioError) as caught:
        scenario(*arguments, **keywords)
    return caught.value.problems


def replayed(scenario, requests, replication=0):
    return run_reference(build_plan(scenario, 7, replication), requests)


# ---- what the file says ------------------------------------------------------------------------------------------


def test_the_file_says_rate_clients_sizes_and_share_of_reads(scenario):
    workload = scenario().workload[0]
    assert workload.clients == 3
    assert workload.rate * 3 == pytest.approx(3 / 7e-3)  # three gaps in 7 ms
    assert workload.read_share == 0.75
    assert [(each.size, each.share) for each in workload.request_size] == [(4096, 0.25), (8192, 0.75)]


def test_an_open_replay_keeps_times_kinds_sizes_clients_and_order(scenario):
    seen = replayed(scenario(), 4)
    assert seen.arrival_s == pytest.approx([0, 1e-3, 3e-3, 7e-3], abs=1e-12)
    assert (seen.kind == READ).tolist() == [True, False, True, True]
    assert seen.size_bytes.tolist() == [8192, 4096, 8192, 8192]
    assert seen.client.tolist() == [0, 1, 0, 2]


def test_behind_the_last_row_comes_the_first_one_mean_gap_later(scenario):
    seen = replayed(scenario(), 9)
    mean_gap = 7e-3 / 3
    assert seen.arrival_s[4:] == pytest.approx(
        [7e-3 + mean_gap + each for each in (0, 1e-3, 3e-3, 7e-3, 7e-3 + mean_gap)]
    )


def test_speed_and_load_together_hasten_a_replay(scenario):
    seen = replayed(scenario(overrides=["workload.booking.speed=2", "load=5"]), 4)
    assert seen.arrival_s == pytest.approx([0, 1e-4, 3e-4, 7e-4], abs=1e-12)


def test_every_replication_begins_elsewhere_and_sixteen_of_them_evenly_spread():
    assert sorted(begins_at(number) * 16 // 1 for number in range(8, 24)) == list(range(16))
    assert begins_at(0) == 0.0


def test_a_replication_begins_where_its_number_says(scenario):
    assert replayed(scenario(), 4, replication=1).size_bytes.tolist() == [8192, 8192, 8192, 4096]


def test_a_closed_replay_keeps_the_order_of_each_client(scenario):
    seen = replayed(scenario(overrides=["workload.booking.queue_depth=1"]), 12)
    pier = seen.size_bytes[seen.client == 0]
    assert set(seen.client.tolist()) == {0, 1, 2}
    assert set(pier.tolist()) == {8192}
    assert set(seen.size_bytes[seen.client == 1].tolist()) == {4096}


def test_without_clients_in_the_file_a_closed_replay_keeps_the_order_of_all(scenario):
    changes = [('client = "desk"\n', "")]
    seen = replayed(scenario(changes=changes, overrides=["workload.booking.queue_depth=1"]), 6)
    assert seen.size_bytes.tolist() == [8192, 4096, 8192, 8192, 8192, 4096]


def test_addresses_come_from_the_file_in_its_own_unit(scenario):
    file = scenario().workload[0].recording
    assert file.address.tolist() == [0, 8192, 32768, 8192]


def test_what_the_file_does_not_tell_is_drawn(scenario):
    changes = [
        ('kind = "op"\n', ""),
        ('client = "desk"\n', ""),
        ('size = {column = "bytes", unit = "KiB"}\n', ""),
        (
            'file = "booking.csv"',
            'file = "booking.csv"\nrequest_size = "16 KiB"\nread_share = 0.0\nclients = 2',
        ),
    ]
    seen = replayed(scenario(changes=changes), 8)
    assert set(seen.size_bytes.tolist()) == {16384}
    assert not (seen.kind == READ).any()
    assert set(seen.client.tolist()) <= {0, 1}


# ---- spellings of a file ---------------------------------------------------------------------------------------------


def same_columns(one, two):
    for name in ("time_s", "size_bytes", "address", "read", "client"):
        a, b = getattr(one.workload[0].recording, name), getattr(two.workload[0].recording, name)
        np.testing.assert_array_equal(a, b)


def test_gzip_semicolons_positions_and_dates_are_other_spellings_of_the_same(scenario):
    plain = scenario(name="plain.csv")
    same_columns(plain, scenario(gzip.compress(ROWS.encode()), name="booking.csv.gz"))
    changes = [('client = "desk"', 'client = "desk"\nseparator = ";"')]
    same_columns(plain, scenario(ROWS.replace(",", ";"), changes))
    places = [('"when"', "1"), ('"op"', "2"), ('"sector"', "3"), ('"bytes"', "4"), ('"desk"', "5")]
    by_place = [
        (f"column = {name}", f"position = {place}")
        for name, place in places
        if name not in ('"op"', '"desk"')
    ]
    by_place += [('kind = "op"', "kind = 2"), ('client = "desk"', "client = 5")]
    same_columns(plain, scenario(ROWS, by_place))
    same_columns(plain, scenario(ROWS.partition("\n")[2], by_place))
    dated = ROWS
    for number in ("12", "8", "6", "5"):
        dated = dated.replace(f"\n{number},", f"\n2026-06-01 12:00:00.{int(number):03d},")
    found = scenario(dated, [('unit = "ms"', 'unit = "date"')])
    assert found.workload[0].recording.time_s == pytest.approx([0, 1e-3, 3e-3, 7e-3], abs=1e-9)


def test_nanoseconds_of_an_epoch_keep_their_last_digit(scenario):
    base = 1_790_000_000_000_000_000
    rows = "when,op,sector,bytes,desk\n" + "".join(f"{base + each},R,0,8,a\n" for each in (1, 2, 4))
    found = scenario(rows, [('unit = "ms"', 'unit = "ns"')]).workload[0].recording
    assert found.time_s == pytest.approx([0, 1e-9, 3e-9], abs=1e-18)


def test_the_size_of_blocks_changes_nothing(scenario, tmp_path, monkeypatch):
    rng = np.random.default_rng(11)
    lines = [
        f"{when:.3f},{'RW'[int(kind)]},{sector},{size},desk{desk}"
        for when, kind, sector, size, desk in zip(
            rng.random(400) * 1e4,
            rng.random(400) < 0.3,
            rng.integers(0, 1000, 400),
            rng.choice([4, 8, 64], 400),
            rng.integers(0, 7, 400),
            strict=True,
        )
    ]
    rows = "\n".join(["when,op,sector,bytes,desk", *lines])
    whole = scenario(rows)
    kept = {
        name: np.array(getattr(whole.workload[0].recording, name))
        for name in ("time_s", "size_bytes", "client")
    }
    facts = whole.workload[0].recording.facts
    monkeypatch.setattr(table.blocks, "__defaults__", (37,))
    monkeypatch.setattr(compilation, "_SORTED_AT_ONCE", 53)
    monkeypatch.setattr(recording, "_opened", {})
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "another"))
    again = scenario(rows).workload[0].recording
    assert again.facts == facts
    assert facts.disordered > 100
    for name, column in kept.items():
        np.testing.assert_array_equal(column, getattr(again, name))
    assert (np.diff(kept["time_s"]) >= 0).all()


def test_many_sizes_are_taken_together_and_the_largest_stands(scenario):
    sizes = np.random.default_rng(5).integers(1, 2000, 3000)
    rows = "when,op,sector,bytes,desk\n" + "".join(f"{at},R,0,{size},a\n" for at, size in enumerate(sizes))
    workload = scenario(rows).workload[0]
    assert len(workload.request_size) <= compilation.MOST_SIZES
    assert workload.largest_size == sizes.max() * 1024
    assert workload.mean_size == pytest.approx(sizes.mean() * 1024, rel=1e-3)


# ---- bad rows --------------------------------------------------------------------------------------------------------

BAD = (
    ROWS + "-3,R,0,8,pier,fog\n20,Q,0,8,pier,fog\n21,R,x,8,pier,fog\n\n"
    "22,R,0,0,pier,fog\n23,R,0,,pier,fog\n24,R,0,8,quay,fog\n"
)


def test_bad_rows_are_refused_with_their_lines_and_reasons(scenario):
    (problem,) = problems(scenario, BAD)
    assert problem.key == "workload.booking.file"
    assert "5 of 10 rows are bad" in problem.message
    for said in (
        "line 6: a negative time",
        "line 7: no known word",
        "line 8: no address",
        "line 10: a size below 1 B",
    ):
        assert said in problem.message
    assert "line 11: no size" in problem.message
    assert "by bad_rows" in problem.message


def test_bad_rows_within_the_share_that_is_set_are_left_out_with_a_note(scenario):
    found = scenario(BAD, overrides=["workload.booking.bad_rows=0.5"])
    assert len(found.workload[0].recording) == 5
    small = Variants(found).with_keys(
        ["run.requests=1000", "run.replications=2", "workload.booking.repeat=1000"]
    )
    notes = " ".join(simulate(small).notes)
    assert "5 bad rows were left out (line 6" in notes


def test_words_to_skip_are_passed_over_and_are_not_bad(scenario):
    rows = ROWS + "20,flush,,,pier,fog\n"
    found = scenario(rows, [('kind = "op"', 'kind = {column = "op", skip = ["FLUSH"]}')])
    assert found.workload[0].recording.facts.passed_over == 1
    assert len(found.workload[0].recording) == 4


def test_rows_out_of_order_are_sorted_with_a_note(scenario):
    shuffled = "when,op,sector,bytes,desk\n8,R,64,8,pier\n5,R,0,8,pier\n12,R,16,8,mole\n6,W,16,4,quay\n"
    found = scenario(shuffled)
    seen = replayed(found, 4)
    assert seen.arrival_s == pytest.approx([0, 1e-3, 3e-3, 7e-3], abs=1e-12)
    assert seen.size_bytes.tolist() == [8192, 4096, 8192, 8192]
    small = Variants(found).with_keys(
        ["run.requests=1000", "run.replications=2", "workload.booking.repeat=1000"]
    )
    assert "2 rows came after a later one" in " ".join(simulate(small).notes)


# ---- wrong input -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "name", "key", "said"),
    [
        ("", "booking.csv", "file", "an empty file"),
        ("\n1,2\n", "booking.csv", "file", "an empty first line"),
        ("when,op,sector,bytes,desk\n", "booking.csv", "file", "no rows"),
        (
            "when,op,sector,bytes,desk\nx,R,0,8,a\n",
            "booking.csv",
            "file",
            "no usable row among 1 (line 2: no time)",
        ),
        (ROWS.replace("sector", "Sektor"), "booking.csv", "columns.address", 'no column "sector"'),
        (ROWS.replace("weather", "op"), "booking.csv", "columns.kind", "2 columns 'op'"),
        (ROWS.encode(), "booking.csv.gz", "file", "named .gz, but no gzip file"),
        (gzip.compress(ROWS.encode() * 500)[:-40], "booking.csv.gz", "file", "a damaged gzip file"),
        (ROWS + '20,"R,0,8,pier,fog\n', "booking.csv", "file", "not CSV"),
        (ROWS.replace("16,8,mole", "999999999,8,mole"), "booking.csv", "columns.address", "beyond the span"),
        (ROWS.replace("16,8,mole", "9" * 30 + ",8,mole"), "booking.csv", "file", "an address above"),
        (
            "when,op,sector,bytes,desk\n5,R,0,8,a\n5,R,0,8,a\n",
            "booking.csv",
            "columns.time",
            "at the same instant",
        ),
        (bytes(range(128, 256)) * 40, "booking.csv", "columns.time", 'no column "when"'),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_with_key_and_reason(scenario, rows, name, key, said):
    found = problems(scenario, rows, name=name)
    assert [problem.key for problem in found if said in problem.message] == [f"workload.booking.{key}"]
    assert all("accepted: " in problem.message for problem in found)


def test_a_missing_file_is_named_and_its_sizes_are_not_asked_for(scenario):
    (problem,) = problems(scenario, overrides=['workload.booking.file="nowhere.csv"'])
    assert problem.key == "workload.booking.file"
    assert "no such file" in problem.message


@pytest.mark.parametrize(
    ("change", "key", "said"),
    [
        (('unit = "ms"', 'unit = "KiB"'), "columns.time.unit", "a size, but a time is due"),
        (('unit = "ms"', 'unit = "moons"'), "columns.time.unit", "unknown unit"),
        (('unit = "KiB"', 'unit = "KB"'), "columns.size.unit", "unknown unit"),
        (('file = "booking.csv"', 'file = "booking.csv"\nrate = "50 /s"'), "rate", "given beside a trace"),
        (
            ('file = "booking.csv"', 'file = "booking.csv"\nread_share = 0.5'),
            "read_share",
            "given beside a trace",
        ),
        (('file = "booking.csv"', 'file = "booking.csv"\npopularity = 0.5'), "popularity", "columns.address"),
        (('file = "booking.csv"', 'file = "booking.csv"\nclients = 9'), "clients", "more than the 3 clients"),
        (
            ('file = "booking.csv"', 'file = "booking.csv"\nqueue_depth = 2\nspeed = 2'),
            "speed",
            "open replay",
        ),
        (('time = {column = "when", unit = "ms"}', ""), "columns.time", "missing"),
        (('file = "booking.csv"', ""), "file", "missing"),
        (('client = "desk"', 'separator = "ab"'), "columns.separator", "not one mark"),
        (
            ('kind = "op"', 'kind = {column = "op", read = ["x"], write = ["X"]}'),
            "columns.kind.write",
            "two things",
        ),
        (('kind = "op"', 'kind = {column = "op", position = 2}'), "columns.kind", "both column and position"),
        (('kind = "op"', "kind = 17"), "columns.kind", "beyond the last column"),
        (('arrivals = "trace"', 'rate = "5 /s"'), "file", "belongs to a trace"),
    ],
)
def test_keys_that_do_not_go_with_a_trace_are_refused(scenario, change, key, said):
    found = problems(scenario, changes=[change])
    assert any(problem.key == f"workload.booking.{key}" and said in problem.message for problem in found), (
        found
    )


def test_addresses_beyond_the_span_wrap_if_that_is_wanted(scenario):
    rows = ROWS.replace("16,8,mole", f"{2**21 + 10},8,mole").replace("64,8,pier", f"{2**21 - 1},8,pier")
    found = scenario(rows, overrides=['workload.booking.beyond_span="wrap"'])
    _, chunks = sample_requests(found, 7)
    requests = (
        build_plan(found, 7, 0).open_source._classes[0]._requests.requests(np.arange(4), np.zeros(4, int))
    )
    assert requests.address.tolist() == [0, 8192, 2**30 - 8192, 10 * 512]
    assert len(chunks["booking"])


# ---- identity --------------------------------------------------------------------------------------------------------


def test_the_digest_covers_what_is_in_the_file_not_where_it_lies(scenario, tmp_path):
    first = scenario()
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "trace.csv").write_text(ROWS)
    text = SCENARIO.replace("booking.csv", "trace.csv")
    assert parse(text, beside=elsewhere).digest == first.digest
    (elsewhere / "trace.csv").write_text(ROWS.replace("12,R", "13,R"))
    changed = parse(text, beside=elsewhere)
    assert changed.digest != first.digest
    assert changed.simulated_digest != first.simulated_digest


def test_keys_can_be_set_over_a_scenario_with_a_trace_that_was_read(scenario):
    twice = Variants(scenario()).with_keys(["workload.booking.speed=2"])
    assert twice.workload[0].rate == pytest.approx(2 * scenario().workload[0].rate)
    closed = Variants(scenario()).with_keys(["workload.booking.queue_depth=3"])
    assert not closed.workload[0].is_open


def test_a_scenario_with_a_trace_can_be_pickled_and_its_columns_are_read_once(scenario, monkeypatch):
    found = scenario()
    again = pickle.loads(pickle.dumps(found))
    monkeypatch.setattr(recording, "_opened", {})
    monkeypatch.setattr(recording, "_compile", None)  # the columns are there already
    assert replayed(again, 4).arrival_s.tolist() == replayed(found, 4).arrival_s.tolist()


def test_the_same_seed_gives_the_same_answer_and_the_trace_bounds_its_length(scenario):
    rng = np.random.default_rng(3)
    times = np.cumsum(rng.exponential(0.05, 3000))
    rows = "when,op,sector,bytes,desk\n" + "".join(f"{at:.4f},R,{k % 99},8,a\n" for k, at in enumerate(times))
    found = scenario(rows, overrides=["run.replications=4", "run.precision=0.001"])
    one, two = (json.loads(as_json(simulate(found))) for _ in range(2))
    assert one == two
    assert one["requests"] == 4 * 2700  # the trace once in each replication, less a tenth
    assert any("one trace cannot tell" in note for note in one["notes"])
