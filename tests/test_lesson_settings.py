"""A lesson with keys of one's own, and the scenarios that it hands out."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from studies import CLOSED
from tailrace.cli import app
from tailrace.errors import ScenarioError, SettingError
from tailrace.lessons.lesson import Lesson, lesson_page
from tailrace.lessons.servers import arriving, station
from tailrace.lessons.trials import Trials, figures
from tailrace.scenario.reading.read import load

TEXT = CLOSED.partition("[run]")[0]


def test_a_setting_is_taken_where_its_key_is_and_the_scenario_is_handed_out_as_it_ran(tmp_path: Path) -> None:
    settings = ("workload.scan.think_time=1 ms", "server.media.rpm=7200 rpm")
    trials = Trials(engine="reference", replications=2, settings=settings)
    result = trials.answer(TEXT, 1000)
    # One client, service and pause of 1 ms each: 500 a second instead of 1,000.
    assert result.classes[0].all.rate_per_s.value == pytest.approx(500, rel=0.05)
    assert trials.taken == {settings[0]}
    (kept,) = trials.scenarios
    assert kept.startswith("# tailrace sweep SCENARIO --vary load=1.0\n")
    (tmp_path / "lesson.toml").write_text(kept)
    again = load(tmp_path / "lesson.toml")
    assert again.workload[0].think_time == 1e-3
    assert (again.run.seed, again.run.replications) == (7, 2)
    trials.answer(TEXT, 1000)
    assert len(trials.scenarios) == 1


def test_a_value_that_is_not_accepted_is_said() -> None:
    with pytest.raises(ScenarioError, match="think_time"):
        Trials(engine="reference", settings=("workload.scan.think_time=soon",)).answer(TEXT, 1000)


def test_a_lesson_says_what_was_set_and_writes_its_scenarios(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def short(name: str, trials: Trials, kinds: object) -> dict[str, str]:
        trials.answer(TEXT, 1000)
        return {f"{name}.html": lesson_page(name, "One", Lesson("Why?", (), "One server."), (), trials)}

    monkeypatch.setattr("tailrace.lessons.give.give", short)
    command = ["lesson", "tail", "--engine", "reference", "--scenarios", "--out", str(tmp_path)]
    done = CliRunner().invoke(app, [*command, "--set", "server.media.wheels=4"])
    assert done.exit_code == 2
    assert "no scenario of this lesson has that key" in done.stderr
    assert list(tmp_path.iterdir()) == []
    done = CliRunner().invoke(app, [*command, "--set", "workload.scan.queue_depth=2"])
    assert done.exit_code == 0
    assert "queue_depth = 2" in (tmp_path / "tail-01.toml").read_text()
    page = (tmp_path / "tail.html").read_text()
    assert "Here with <code>workload.scan.queue_depth=2</code>" in page
    assert "tailrace lesson tail --seed 7 --set workload.scan.queue_depth=2 --out tail" in page


def test_settings_that_overload_a_server_are_refused_in_a_sentence() -> None:
    trials = Trials(engine="reference", replications=2, settings=("workload.booking.rate=1000 /s",))
    result = trials.answer(station() + arriving(100.0), 1000)
    with pytest.raises(SettingError, match="--set overloads a server of this lesson"):
        figures(result)
