"""The verbs that make many runs, as a user calls them."""

import json
from io import StringIO
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from studies import ONE_STATION
from tailrace.cli import app


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    path = tmp_path / "counter.toml"
    path.write_text(ONE_STATION)
    return path


def run(*arguments: object) -> tuple[int, str, str]:
    found = CliRunner().invoke(app, [str(each) for each in arguments])
    return found.exit_code, found.stdout, found.stderr


def test_a_sweep_writes_a_table_files_and_a_store_that_lists_shows_exports_and_deletes(
    scenario: Path, tmp_path: Path
) -> None:
    store, out = tmp_path / "a.store", tmp_path / "out"
    options = ["--workers", 1, "--store", store, "--out", out]
    code, text, error = run("sweep", scenario, "--vary", "workload.booking.clients=5,25", *options)
    assert (code, error) == (1, "")
    assert "overloaded" in text
    frame = pd.read_csv(out / "sweep.csv")
    assert list(frame["workload.booking.clients"]) == [5, 25]
    assert {path.name for path in out.iterdir()} >= {"sweep.txt", "sweep.json", "sweep_booking.png"}
    code, text, _ = run("studies", store)
    assert code == 0
    assert max(map(len, text.splitlines())) <= 80
    name = next(word for word in text.split() if word.startswith("sweep-"))
    assert "finished" in text
    code, text, _ = run("studies", store, "--show", name)
    assert "workload.booking.clients=5,25" in text
    code, text, _ = run("studies", store, "--export", name)
    assert text == (out / "sweep.csv").read_text()
    code, text, _ = run("studies", store, "--delete", name)
    assert code == 0
    assert "4 runs" in text
    assert "No study" in run("studies", store)[1]


def test_json_is_one_document(scenario: Path) -> None:
    code, text, _ = run("sweep", scenario, "--vary", "load=0.5", "--json", "--workers", 1)
    document = json.loads(text)
    assert code == {"met": 0, "undecided": 3}[document["verdict"]]
    assert document["keys"] == [{"key": "load", "unit": ""}]
    assert document["rows"][0]["load"] == 0.5


def test_headroom_and_relief_answer_with_the_verdict_of_the_scenario(scenario: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    code, text, _ = run("headroom", scenario, "--grow", "load", "--rule", "plain", "--out", out)
    assert code == 0
    # Plain division runs nothing.
    assert (out / "headroom.csv").read_text().startswith("value,verdict,requests,")
    assert "by plain division of what the drives can do, 2." in " ".join(text.split())
    options = ["--workers", 1, "--set", 'workload.booking.target.p99="1 ms"', "--out", out]
    code, text, _ = run("relief", scenario, *options)
    assert code == 1
    assert "media speed" in text
    assert_every_row_says_what_gave_it(out / "relief.csv")


def assert_every_row_says_what_gave_it(file: Path) -> None:
    frame = pd.read_csv(file)
    assert len(frame) > 0
    assert frame[["seed", "version"]].notna().all(axis=None)
    accepted = frame["reason"].isna() if "reason" in frame else frame["verdict"].notna()
    assert frame["digest"][accepted].str.fullmatch("[0-9a-f]{64}").all()
    assert frame["digest"][accepted].nunique() == accepted.sum()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["sweep", "--vary", "workload.booking.cleints=1,2"], "no such key"),
        (["sweep", "--vary", "server.media.count=0,1"], "server.media.count = 0"),
        (["sweep", "--vary", "load=1", "--budget", "2 KiB"], "budget"),
        (["headroom", "--grow", "title"], "accepted: a key that the scenario sets to a number"),
    ],
)
def test_bad_input_is_one_line_and_exit_code_2(scenario: Path, arguments: list[str], said: str) -> None:
    code, text, error = run(arguments[0], scenario, *arguments[1:])
    assert (code, text) == (2, "")
    assert said in error
    assert "Traceback" not in error


def test_a_store_that_is_none_is_exit_code_4(scenario: Path, tmp_path: Path) -> None:
    foreign = tmp_path / "notes.txt"
    foreign.write_text("not a store")
    code, _, error = run("sweep", scenario, "--vary", "load=1", "--store", foreign)
    assert code == 4
    assert "not a store" in error
    assert foreign.read_text() == "not a store"
    assert run("studies", tmp_path / "none")[0] == 4


def test_an_interrupted_sweep_ends_with_130_and_says_how_to_go_on(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tailrace.crew.progress import Progress
    from tailrace.report.terminal.watch import Watch

    def stop(self: Watch, progress: Progress) -> None:
        if progress.done == 2:
            raise KeyboardInterrupt

    monkeypatch.setattr(Watch, "__call__", stop)
    store = tmp_path / "a.store"
    options = ["--workers", 1, "--store", store]
    code, _, error = run("sweep", scenario, "--vary", "load=0.5,1", *options)
    assert code == 130
    assert "the same command goes on from there" in " ".join(error.split())


def test_an_unfinished_sweep_is_exported_as_far_as_it_is(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tailrace.crew.progress import Progress
    from tailrace.report.terminal.watch import Watch

    sweep = ["sweep", scenario, "--vary", "load=0.5,1", "--workers", 1, "--store"]
    run(*sweep, tmp_path / "whole.store")
    _, whole, _ = run("studies", tmp_path / "whole.store", "--export", "sweep")
    finished = pd.read_csv(StringIO(whole))

    def stop(self: Watch, progress: Progress) -> None:
        if progress.step == "Answer" and progress.done == finished.replications[0] + 1:
            raise KeyboardInterrupt

    monkeypatch.setattr(Watch, "__call__", stop)
    store = tmp_path / "a.store"
    assert run(*sweep, store)[0] == 130
    code, text, error = run("studies", store, "--export", "sweep")
    assert code == 0
    assert "not finished yet: 1 row as far as its runs are" in error
    (row,) = pd.read_csv(StringIO(text)).to_dict("records")
    assert (row["verdict"], row["load"]) == ("not finished", 0.5)
    for name in ("requests", "replications", "rate_per_s", "mean_s", "mean_s_low", "mean_s_high"):
        assert row[name] == finished[name][0]
