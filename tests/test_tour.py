"""README and manual show what runs gave and tables hold: nothing is typed in, and nothing is out of date."""

import importlib
import json
import re
from pathlib import Path
from types import ModuleType

import pandas as pd
import pytest

from tailrace.scenario.reading.read import load

ROOT = Path(__file__).parent.parent
RESULTS = ROOT / "results"


@pytest.fixture
def tour(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(ROOT / "experiments"))
    return importlib.import_module("tour")


def readme() -> str:
    return (ROOT / "README.md").read_text(encoding="utf-8")


def marked(name: str) -> str:
    found = re.search(rf"<!-- tour: {name} -->\n(.*?)<!-- end -->", readme(), re.DOTALL)
    assert found, f"no marker {name} in README.md"
    return found[1]


@pytest.mark.parametrize("user", ["architect", "researcher", "educator"])
def test_readme_shows_each_user_the_output_that_the_run_gave_and_its_picture(user: str) -> None:
    block = re.search(r"```(?:text|json)\n(.*?)```", marked(user), re.DOTALL)
    assert block
    assert block[1] == (RESULTS / f"tour_{user}.txt").read_text(encoding="utf-8")
    assert f"(results/tour_{user}.png)" in marked(user)
    assert (RESULTS / f"tour_{user}.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("table", ["tour.csv", "tour_plain.csv"])
def test_the_runs_of_the_tour_were_made_of_the_scenarios_as_they_are_now(table: str) -> None:
    rows = pd.read_csv(RESULTS / table)
    assert len(rows) == 3
    for row in rows.itertuples():
        now = load(ROOT / "shared" / "scenarios" / row.scenario).digest
        assert now == row.digest, f"{row.scenario} has changed: python experiments/tour.py"


def test_the_command_beside_each_output_names_the_scenario_that_was_run() -> None:
    before = readme()
    for row in pd.read_csv(RESULTS / "tour.csv").itertuples():
        commands = re.findall(
            r"```bash\n(.*?)```", before.partition(f"<!-- tour: {row.user} -->")[0], re.DOTALL
        )
        assert f"tailrace run shared/scenarios/{row.scenario}" in commands[-1]


def test_what_is_between_the_markers_follows_from_the_results(tour: ModuleType) -> None:
    for path in tour.DOCUMENTS:
        document = path.read_text(encoding="utf-8")
        assert "<!-- tour: measured -->" in document
        assert tour.filled(document, RESULTS) == document, "python experiments/tour.py --text-only"


def test_every_full_table_that_the_readme_can_quote_is_quoted() -> None:
    manifest = json.loads((RESULTS / "manifest.json").read_text())
    for name in ("mmc_tail", "interval_coverage", "overload", "headroom", "speed"):
        full = name in manifest and not manifest[name]["quick"]
        assert (f"`results/{name}.csv`" in marked("measured")) == full


def test_a_changed_table_changes_the_sentence(tour: ModuleType, tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {"holds": [True, None, False], "requests": [1, 1, 2], "brute_force_requests": [10, 10, 20]}
    )
    frame.to_csv(tmp_path / "headroom.csv", index=False)
    (tmp_path / "manifest.json").write_text('{"headroom": {"quick": false}}')
    said = tour.accuracy(tmp_path)
    assert "1 of 2 brackets" in said
    assert "10 % of its requests" in said


def test_the_tables_of_experiments_still_to_come_make_sentences(tour: ModuleType, tmp_path: Path) -> None:
    covered = {"rule": ["full rule", "4,000 requests"], "held": [950, 94], "given": [1000, 100]}
    cells = {"cell": ["a", "b"], "quantity": ["mean", "p99"], "runs": [1000, 120]}
    pd.DataFrame(covered | cells).to_csv(tmp_path / "answer_coverage.csv")
    pd.DataFrame(covered).to_csv(tmp_path / "interval_coverage.csv")
    counts = {"share_of_saturation": [0.9, 1.0, 1.1, None], "runs": 24, "overloaded": [1, 9, 20, 0]}
    counts |= {"verb": ["run", "run", "sweep", "sweep"], "stable": [18, 9, 1, 21], "unclear": [5, 6, 3, 3]}
    pd.DataFrame(counts).to_csv(tmp_path / "overload.csv")
    names = ("interval_coverage", "answer_coverage", "overload")
    (tmp_path / "manifest.json").write_text(json.dumps({name: {"quick": False} for name in names}))
    said = tour.accuracy(tmp_path)
    assert "94.9 % of 1,100, at fixed lengths" in said
    assert "95.0 % of 1,000 (full rule; 0 more could not be given)" in said
    assert "94.0 % of 100 (4,000 requests; 20 more could not be given)" in said
    assert "least often in 94 % of 100 for the p99 of b (4,000 requests)." in said
    assert "Judged by run and sweep: of 24 answers below saturation" in said
    assert "1 were called overloaded and 5 unclear; of 24 above it" in said
    assert "20 overloaded, 3 unclear and 1 stable; of 24 of closed classes" in said
    assert "0 overloaded and 3 unclear." in said


def test_plain_multiplication_is_size_times_rate_over_all_clients() -> None:
    rows = pd.read_csv(RESULTS / "tour_plain.csv").set_index("scenario")
    # 40 clients, 50 requests a second of 8 KiB each.
    assert rows.asked_bytes_per_s["booking-spinning.toml"] == pytest.approx(40 * 50 * 8192)
    assert rows.asked_bytes_per_s["booking-flash-busy.toml"] == pytest.approx(150_000 * 8192)
    assert (rows.asked_bytes_per_s < rows.drives_carry_bytes_per_s).all()


def test_an_unknown_marker_is_an_error(tour: ModuleType) -> None:
    with pytest.raises(ValueError, match="accepted: architect"):
        tour.filled("<!-- tour: nobody -->\n<!-- end -->", RESULTS)


def test_the_record_of_an_experiment_names_what_repeats_it_and_no_folder_of_the_machine(
    tour: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = importlib.import_module("record")
    given = ["speed.py", "--quick", "--results", str(tmp_path), "--seed", "3"]
    monkeypatch.setattr("sys.argv", given)
    record.Record("speed", record.arguments("How fast?")).close()
    made = json.loads((tmp_path / "manifest.json").read_text())["speed"]
    assert made["command"] == "python experiments/speed.py --quick --seed 3"
    kept = json.loads((RESULTS / "manifest.json").read_text())
    assert not [each["command"] for each in kept.values() if "/tmp" in each["command"]]
