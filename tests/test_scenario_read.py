"""Files that cannot be read, and keys that are set over those of a file."""

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drives import by_parts
from tailrace.errors import ScenarioError
from tailrace.scenario import load, parse
from tailrace.scenario.reading import read

EXPECTED = "accepted: a scenario in TOML, as UTF-8 text"


def refused(path):
    """The one line with which a file is refused."""
    with pytest.raises(ScenarioError) as caught:
        load(path)
    (problem,) = caught.value.problems
    assert problem.file == str(path)
    return str(problem)


@pytest.fixture
def ferry(tmp_path):
    path = tmp_path / "ferry.toml"
    path.write_text(by_parts(), encoding="utf-8")
    return path


def test_a_file_and_its_text_give_the_same_scenario(ferry):
    assert load(ferry) == load(str(ferry)) == parse(by_parts())


@pytest.mark.parametrize("change", [lambda text: "\ufeff" + text, lambda text: text.replace("\n", "\r\n")])
def test_a_byte_order_mark_and_other_line_ends_do_no_harm(tmp_path, change):
    path = tmp_path / "ferry.toml"
    path.write_bytes(change(by_parts()).encode("utf-8"))
    assert load(path) == parse(by_parts())


def test_a_missing_file_a_directory_and_an_empty_file_are_named_as_such(tmp_path):
    empty = tmp_path / "empty.toml"
    empty.write_text(" \n\n")
    missing = tmp_path / "no" / "such.toml"
    assert refused(missing) == f"{missing}: no such file; {EXPECTED}"
    assert refused(tmp_path) == f"{tmp_path}: a directory; {EXPECTED}"
    assert refused(empty) == f"{empty}: an empty file; {EXPECTED}"


def test_a_path_below_a_file_and_a_path_that_is_none_are_refused(ferry):
    assert refused(ferry / "below") == f"{ferry / 'below'}: cannot be read: not a directory; {EXPECTED}"
    assert "cannot be read" in refused("a\0b")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_a_pipe_is_refused_instead_of_waited_for(tmp_path):
    path = tmp_path / "pipe"
    os.mkfifo(path)
    assert refused(path) == f"{path}: not a regular file; {EXPECTED}"


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="the system has no endless file")
def test_an_endless_file_is_refused():
    assert refused(Path("/dev/zero")) == f"/dev/zero: not a regular file; {EXPECTED}"


def test_a_file_too_large_for_a_scenario_is_not_read(tmp_path):
    path = tmp_path / "large.toml"
    with path.open("wb") as file:
        file.truncate(read.LARGEST_FILE_BYTES + 1)
    assert refused(path) == f"{path}: larger than 10 MB; {EXPECTED}"


@pytest.mark.parametrize(
    ("content", "where"),
    [
        (b'title = "F\xe4hre"\n', "byte 0xe4 at position 10"),
        ("title = 1".encode("utf-16"), "byte 0xff at position 0"),
        (b"\x80", "byte 0x80 at position 0"),
    ],
)
def test_text_that_is_not_utf_8_is_refused_with_the_byte_and_its_position(tmp_path, content, where):
    path = tmp_path / "ferry.toml"
    path.write_bytes(content)
    assert refused(path) == f"{path}: not UTF-8 text: {where}; {EXPECTED}"


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("title = ferry\n", "(at line 1, column 9)"),
        ('title = "a"\n[server\n', "(at line 2, column 8)"),
        ('title = "a"\ntitle = "b"\n', "(at line 2, column 12)"),
        ('{"title": "ferry"}', "(at line 1, column 1)"),
        ("\0", "(at line 1, column 1)"),
    ],
)
def test_what_is_not_toml_is_refused_with_line_and_column(tmp_path, text, where):
    path = tmp_path / "ferry.toml"
    path.write_text(text)
    line = refused(path)
    assert line.startswith(f"{path}: not TOML: ")
    assert line.endswith(f"{where}; {EXPECTED}")


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "1" * 5000,
        "x = " + "[" * 5000,
        "x = " + "[" * 400 + "]" * 400,
        "[" + ".".join("a" * 3000) + "]",
    ],
)
def test_monstrous_toml_is_refused_in_one_line(tmp_path, text):
    path = tmp_path / "ferry.toml"
    path.write_text(text)
    with pytest.raises(ScenarioError) as caught:
        load(path)
    assert all(len(str(problem)) < 400 for problem in caught.value.problems)


@given(st.text(alphabet='[]{}=."\n #abx1', max_size=60))
@settings(deadline=None)
def test_no_text_does_more_than_be_refused(text):
    with pytest.raises(ScenarioError) as caught:
        parse(text)
    assert caught.value.problems


# ---- overrides -------------------------------------------------------------------------------------------------


def with_overrides(*overrides, text=None):
    return parse(by_parts() if text is None else text, overrides=overrides)


def test_every_kind_of_key_can_be_set():
    scenario = with_overrides(
        "load=2",
        "title=Night run",
        "run.seed=3",
        "server.media.count=24",
        'server.network.rate="100 Gbit/s"',
        "server.layout.stripe_unit = 1 MiB",
        'workload.booking.rate="300 /s"',
        "workload.booking.target.p99=2 ms",
        "workload.booking.aligned=false",
        'workload.booking.request_size=[{size="8 KiB", share=0.5}, {size="64 KiB", share=0.5}]',
    )
    workload = scenario.workload_named("booking")
    assert (scenario.load, scenario.title, scenario.run.seed) == (2.0, "Night run", 3)
    assert scenario.server.media.count == 24
    assert scenario.server.network.rate == 12.5e9
    assert scenario.server.layout.stripe_unit == 2**20
    assert (workload.rate, workload.target.p99, workload.aligned, workload.largest_size) == (
        300,
        2e-3,
        False,
        65536,
    )


def test_an_item_of_a_list_is_reached_by_its_position():
    text = by_parts().replace(
        'request_size = "8 KiB"',
        'request_size = [{size = "4 KiB", share = 0.8}, {size = "64 KiB", share = 0.2}]',
    )
    key = "workload.booking.request_size[1].size"
    assert with_overrides(f"{key}=32 KiB", text=text).workload[0].largest_size == 32 * 1024


def test_an_override_makes_the_tables_that_are_not_there():
    text = by_parts().split("[workload.target]")[0]
    scenario = with_overrides("workload.booking.target.read_p99=2 ms", "run.replications=8", text=text)
    assert scenario.workload[0].target.limits == (("read_p99", 2e-3),)
    assert scenario.run.replications == 8


def test_the_last_of_two_overrides_holds():
    assert with_overrides("load=2", "load=3").load == 3


def test_an_override_may_put_right_what_is_wrong_in_the_file():
    text = by_parts().replace('"50 /s"', '"50"')
    assert with_overrides("workload.booking.rate=50 /s", text=text) == parse(by_parts())


@pytest.mark.parametrize("name", ["night scan", "a.b", "x=y", "a[3]", 'quo"ted', "Überfahrt", "0"])
def test_a_class_with_an_unusual_name_is_reached_by_its_name_in_quotes_or_its_position(name):
    quoted = '"' + name.replace('"', '\\"') + '"'
    text = by_parts().replace('name = "booking"', f"name = {quoted}")
    for key in (f"workload.{quoted}.clients", "workload[0].clients"):
        assert with_overrides(f"{key}=7", text=text).workload[0].clients == 7


@pytest.mark.parametrize(
    ("override", "line"),
    [
        (
            "workload.scan.rate=1 /s",
            "override: workload.scan: nothing of this name or position; accepted: booking",
        ),
        (
            "workload[3].rate=1 /s",
            "override: workload[3]: nothing of this name or position; accepted: booking",
        ),
        (
            "workload[0]=1",
            "override: workload[0] = 1: not a table; accepted: a table",
        ),
        ("server[0].x=1", "override: server: not a list; accepted: the key itself"),
        (
            "title.x=1",
            'override: title = "Seat booking of a ferry line": no keys inside; accepted: the key itself',
        ),
        ("load", 'override: "load" is not KEY=VALUE; accepted: load=2, run.seed=3 and the like'),
        ("", 'override: "" is not KEY=VALUE; accepted: load=2, run.seed=3 and the like'),
        ("=2", 'override: "=2" is not KEY=VALUE; accepted: load=2, run.seed=3 and the like'),
        ("a b=2", 'override: "a b=2" is not KEY=VALUE; accepted: load=2, run.seed=3 and the like'),
        ("a..b=2", 'override: "a..b=2" is not KEY=VALUE; accepted: load=2, run.seed=3 and the like'),
        ("a\nb=2", 'override: "a\\nb=2" is not KEY=VALUE; accepted: load=2, run.seed=3 and the like'),
        ("run.sede=2", "override: run.sede = 2: unknown key; accepted: seed (the nearest known key)"),
        (
            "run.precision=two",
            'override: run.precision = "two": not a number; accepted: a number, above 0, below 1',
        ),
        ("load=", 'override: load = "": not a number; accepted: a number, above 0, at most 1000000'),
        (
            "load=1\nx=2",
            'override: load = "1\\nx=2": not a number; accepted: a number, above 0, at most 1000000',
        ),
    ],
)
def test_a_bad_override_is_refused_under_its_own_name(override, line):
    with pytest.raises(ScenarioError) as caught:
        with_overrides(override)
    assert str(caught.value) == line


def test_problems_of_the_file_and_of_overrides_come_together_each_with_its_source(ferry):
    ferry.write_text(by_parts().replace("cores = 16", "cores = 0"), encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        load(ferry, overrides=["load=0", "workload.scan.rate=1", "nonsense"])
    assert {(problem.file, problem.key) for problem in caught.value.problems} == {
        (str(ferry), "server.controller.cores"),
        ("override", "load"),
        ("override", "workload.scan"),
        ("override", ""),
    }


@pytest.mark.parametrize(
    "key",
    ["workload[" + "9" * 5000 + "].rate", "a" + ".a" * 3000, "workload[0]" + ".x" * 50, "[", "workload[0]."],
)
def test_a_monstrous_key_is_refused_in_a_line(key):
    with pytest.raises(ScenarioError) as caught:
        with_overrides(f"{key}=1")
    assert len(str(caught.value)) < 6000


@given(st.text(max_size=30))
@settings(deadline=None)
def test_no_override_does_more_than_be_refused(override):
    try:
        with_overrides(override)
    except ScenarioError as error:
        assert error.problems  # noqa: PT017 - either outcome is right
