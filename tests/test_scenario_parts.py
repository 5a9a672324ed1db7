"""The catalogue: parts that a scenario takes up by name."""

import pickle
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from drives import generic
from tailrace.cli import app
from tailrace.errors import ScenarioError
from tailrace.scenario import load, parse, schema
from tailrace.scenario.reading import keys
from tailrace.scenario.reading.parts import PLACES, catalogue

ROOT = Path(__file__).parents[1]
WORKLOAD = """
[[workload]]
name = "booking"
rate = "10 /s"
request_size = "8 KiB"
"""
DRIVES = '[server]\nmedia = "spinning-7200"\n' + WORKLOAD
SMALL = """
title = "a small drive"
[media]
kind = "spinning"
capacity = "1 GB"
rpm = "5400 rpm"
seek_adjacent = "1 ms"
seek_average = "10 ms"
seek_full = "20 ms"
outer_rate = "100 MB/s"
"""


def problems(text, **how):
    with pytest.raises(ScenarioError) as caught:
        parse(text, **how)
    return [str(problem) for problem in caught.value.problems]


def shelf(directory, **files):
    (directory / "hardware").mkdir(parents=True)
    for name, text in files.items():
        (directory / "hardware" / f"{name}.toml").write_text(text)
    return directory


@pytest.mark.parametrize("part", catalogue(), ids=lambda part: part.name)
def test_every_part_of_the_catalogue_fills_each_of_its_places(part):
    assert part.title
    for place in part.tables:
        media = "" if place == "media" else f"{generic()}\n"
        parse(f'[server.{place}]\npart = "{part.name}"\n{media}{WORKLOAD}')


@pytest.mark.parametrize("part", catalogue(), ids=lambda part: part.name)
def test_every_figure_of_a_part_says_where_it_comes_from(part):
    said = False
    for line in part.text.splitlines():
        figure = "=" in line and not line.startswith(("#", "title", "kind", "scheduling"))
        assert not figure or "#" in line, line
        said = said or figure
    assert said


def test_a_spinning_part_says_that_such_drives_ship_with_a_write_cache_and_one_has_it_on():
    parts = {part.name: part for part in catalogue()}
    for name in ("spinning-7200", "spinning-10000"):
        assert "write_cache" not in parts[name].tables["media"]
        assert "usually ship with the cache on" in " ".join(parts[name].text.replace("#", " ").split())
    plain, cached = (
        parts["spinning-7200"].tables["media"],
        dict(parts["spinning-7200-cached"].tables["media"]),
    )
    assert cached.pop("write_cache") == "256 MiB"
    assert cached == plain


def test_a_name_alone_and_a_table_with_the_name_mean_the_same_and_so_do_its_keys_written_out():
    named = parse(DRIVES)
    in_table = parse('[server.media]\npart = "spinning-7200"\n' + WORKLOAD)
    (part,) = [part for part in catalogue() if part.name == "spinning-7200"]
    written = parse(part.text.partition("[media]")[2].join(["[server.media]", ""]) + WORKLOAD)
    assert named == in_table == written
    assert named.digest == in_table.digest == written.digest
    assert pickle.loads(pickle.dumps(named)) == written


def test_further_keys_hold_over_those_of_the_part():
    scenario = parse('[server]\nmedia = {part = "spinning-7200", count = 24, rpm = "5400 rpm"}\n' + WORKLOAD)
    media = scenario.server.media
    assert (media.count, media.rpm, media.outer_rate) == (24, 90.0, 250e6)


def test_an_override_sets_a_key_of_a_part_and_changes_the_part():
    assert parse(DRIVES, overrides=["server.media.count=7"]).server.media.count == 7
    for one in ("server.media=spinning-10000", 'server.media.part="spinning-10000"'):
        scenario = parse(DRIVES, overrides=["server.media.count=7", one])
        assert (scenario.server.media.count, scenario.server.media.rpm) == (7, 10000 / 60)
    written = parse(
        '[server]\nmedia = {part = "spinning-7200", rpm = "5400 rpm"}\n' + WORKLOAD,
        overrides=["server.media.part=spinning-10000"],
    )
    assert (written.server.media.rpm, written.server.media.capacity) == (90.0, 1.8e12)


def test_a_stage_that_is_left_out_is_put_there_by_an_override_that_names_a_part():
    assert parse(DRIVES, overrides=["server.network=network-25"]).server.network.rate == 25e9 / 8


def test_parts_beside_the_scenario_come_before_those_one_level_up_and_those_of_the_package(tmp_path):
    inner = shelf(tmp_path / "inner", small=SMALL)
    shelf(tmp_path, small=SMALL.replace("1 GB", "2 GB"), outer=SMALL, **{"spinning-7200": SMALL})
    for name, capacity in (
        ("small", 1e9),
        ("outer", 1e9),
        ("spinning-7200", 1e9),
        ("spinning-10000", 1.8e12),
    ):
        (inner / "s.toml").write_text(DRIVES.replace("spinning-7200", name))
        assert load(inner / "s.toml").server.media.capacity == capacity
    (tmp_path / "s.toml").write_text(DRIVES.replace("spinning-7200", "small"))
    assert load(tmp_path / "s.toml").server.media.capacity == 2e9


def test_a_misspelt_part_is_answered_with_the_known_ones_and_the_nearest():
    (problem,) = problems(DRIVES.replace("7200", "7300"), source="mine.toml")
    assert problem.startswith('mine.toml: server.media.part = "spinning-7300": no such part; accepted: ')
    assert "spinning-10000, spinning-7200" in problem
    assert problem.endswith('(nearest: "spinning-7200")')
    assert "network-10" not in problem


@pytest.mark.parametrize("name", ['"../spinning-7200"', '""', "7", "true", '["spinning-7200"]'])
def test_what_is_no_name_of_a_part_is_refused(name):
    (problem,) = problems(f"[server.media]\npart = {name}\n{WORKLOAD}")
    assert "server.media.part" in problem
    assert "accepted: " in problem


def test_a_part_in_the_wrong_place_says_what_it_is_for():
    (problem,) = problems('[server]\nnetwork = "spinning-7200"\nmedia = "spinning-7200"\n' + WORKLOAD)
    assert "a part for media, not for network; accepted: network-10, network-100, network-25" in problem


def test_a_bad_value_in_a_part_names_the_file_of_the_part_and_one_beside_it_the_scenario(tmp_path):
    shelf(tmp_path, small=SMALL.replace('"5400 rpm"', "5400"))
    found = problems(
        '[server]\nmedia = {part = "small", capacity = 5}\n' + WORKLOAD, source="mine.toml", beside=tmp_path
    )
    assert len(found) == 2
    assert found[0].startswith("mine.toml: server.media.capacity = 5: ")
    assert found[1].startswith(f"{tmp_path / 'hardware' / 'small.toml'}: server.media.rpm = 5400: ")
    (found,) = problems(
        '[server]\nmedia = "small"\n' + WORKLOAD, beside=tmp_path, overrides=["server.media.rpm=1"]
    )
    assert found.startswith("override: server.media.rpm = 1")


@pytest.mark.parametrize(
    "text", ["", "title = 1", "[media", "[drive]\n", "media = 1", '[media]\npart = "small"']
)
def test_a_file_that_is_no_part_says_why(tmp_path, text):
    shelf(tmp_path, small=text)
    (found,) = problems('[server]\nmedia = "small"\n' + WORKLOAD, beside=tmp_path)
    assert "small.toml is no part: " in found


def test_all_else_that_is_wrong_is_said_beside_an_unknown_part():
    found = problems(DRIVES.replace("7200", "1") + 'colour = "red"\n')
    assert len(found) == 2
    assert "workload.booking.colour" in found[1]


def test_the_key_list_and_the_schema_know_parts():
    paths = {row.path for row in keys.rows()}
    assert {f"server.{place}.part" for place in PLACES} <= paths
    media = schema()["$defs"]["Server"]["properties"]["media"]["anyOf"]
    assert media[1]["type"] == "string"
    assert media[2]["required"] == ["part"]


def test_a_misspelt_part_key_is_answered_with_the_right_one():
    (found,) = problems(
        '[server.media]\nkind = "generic"\npaart = "x"\nservice = {law = "constant", value = "1 ms"}\n'
        + WORKLOAD
    )
    assert "accepted: part (the nearest known key)" in found


def test_the_parts_are_listed_under_the_tables_that_they_fill():
    done = CliRunner().invoke(app, ["parts"])
    assert done.exit_code == 0
    for part in catalogue():
        assert part.name in done.output
    assert max(map(len, done.output.splitlines())) <= 80


@pytest.mark.whole
def test_an_answer_keeps_the_parts_that_its_scenario_takes_up(tmp_path):
    shelf(tmp_path, small=SMALL)
    (tmp_path / "s.toml").write_text(DRIVES.replace("spinning-7200", "small"))
    how = ["--set", "run.requests=1000", "--set", "run.replications=2", "--workers", "1", "--quiet"]
    done = CliRunner().invoke(
        app, ["run", str(tmp_path / "s.toml"), "--out", str(tmp_path / "far" / "out"), *how]
    )
    assert done.exit_code in (0, 3), done.output
    assert load(tmp_path / "far" / "out" / "scenario.toml") == load(tmp_path / "s.toml")


def test_the_wheel_holds_the_catalogue_where_an_installed_package_looks_for_it():
    wheel = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert wheel["force-include"] == {"shared/hardware": "tailrace/scenario/catalogue"}


def test_a_part_fills_the_media_and_the_lanes_of_a_pool():
    pools = '[[server.pool]]\nname = "log"\nmedia = "spinning-10000"\n'
    pools += '[[server.pool]]\nname = "data"\nlanes = "serial-12"\n'
    pools += '[server.pool.media]\npart = "spinning-7200"\ncount = 3\n' + WORKLOAD + 'pool = "data"\n'
    log, data = parse(pools).server.pool
    assert (log.media.rpm, data.media.rpm, data.media.count, data.lanes.rate) == (10000 / 60, 120.0, 3, 1.5e9)
    changed = parse(pools, overrides=["server.pool.log.media.part=spinning-7200"]).server.pool
    assert changed[0].media.rpm == 120.0
    assert {"server.pool.NAME.media.part", "server.pool.NAME.lanes.part"} <= {row.path for row in keys.rows()}
