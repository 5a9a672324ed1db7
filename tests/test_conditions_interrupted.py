"""What Ctrl-C leaves of answers: the conditions that were finished, the one under way, and nothing over all of them."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from studies import ONE_STATION, a_day, counter
from tailrace.answer.answers import InterruptedAnswers, answered
from tailrace.answer.bench import bench_for
from tailrace.answer.pilot import Length
from tailrace.answer.result import Result
from tailrace.answer.run import simulate
from tailrace.cli import app
from tailrace.crew.progress import Progress
from tailrace.report.terminal.results import as_text
from tailrace.report.terminal.watch import Watch
from tailrace.scenario import Scenario, parse
from tailrace.study.conditions import Conditions, conditions
from through import ENGINE

DAY = a_day("{ load = 1.2 }")
QUICK = ("run.requests=4000", "run.replications=4")


def day(*overrides: str) -> Scenario:
    return parse(ONE_STATION + DAY, overrides=[*QUICK, *overrides])


def stop_after(done: int, step: str = "Answer") -> Callable[[Progress], None]:
    def watch(progress: Progress) -> None:
        if progress.step == step and progress.done == done:
            raise KeyboardInterrupt

    return watch


def interrupted(done: int, *overrides: str) -> Conditions | None:
    with pytest.raises(InterruptedAnswers) as stopped:
        conditions(day(*overrides), engine=ENGINE, progress=stop_after(done))
    found = stopped.value.result
    assert found is None or isinstance(found, Conditions)
    return found


def test_conditions_that_were_finished_are_answered_as_ever_and_the_others_left_out() -> None:
    found, whole = interrupted(6), conditions(day(), engine=ENGINE)
    assert found is not None
    night, noon, rest = found.conditions
    assert night == whole.condition_named("night")
    # The first two replications of noon: so many of four, at the same random numbers.
    assert (noon.result.replications, noon.result.stopped_by) == (2, None)
    assert 0 < noon.result.requests < whole.condition_named("noon").result.requests
    assert (rest.is_known, rest.result.classes, rest.result.verdict) == (False, (), "undecided")
    assert (found.classes, found.verdict) == ((), "undecided")
    note = found.notes[0]
    assert note.startswith("Interrupted: 6 of 12 replications of the answer were finished.")
    assert "Condition noon is told by 2 of them. Left out: day; so no figures are given over all" in note
    assert "night" not in note
    said = as_text(found)
    assert "Left out: day." in said
    assert "a condition was left out" in said


def test_a_condition_with_one_replication_is_left_out_and_an_answer_needs_two_of_one() -> None:
    found = interrupted(5)
    assert found is not None
    assert [each.is_known for each in found.conditions] == [True, False, False]
    assert interrupted(1) is None


def test_with_something_of_every_condition_there_are_figures_over_all() -> None:
    found = interrupted(10)
    assert found is not None
    assert found.class_named("booking").all.latency_s["mean"].low is not None
    assert "Condition day is told by 2 of them." in found.notes[0]
    assert "Left out" not in found.notes[0]


def test_what_is_promised_over_all_and_an_amount_of_work_stay_open_where_a_condition_is_left_out() -> None:
    found = interrupted(
        4, 'workload.booking.target.over="all conditions"', 'workload.booking.amount="40 GiB"'
    )
    assert found is not None
    assert [each.result.verdict for each in found.conditions] == ["none", "none", "none"]
    assert found.verdict == "undecided"
    (work,) = found.work
    assert (work.time.value, work.time.method) == (None, "condition noon was left out")


def test_what_is_broken_stays_broken_whatever_is_left_out() -> None:
    found = interrupted(8, 'workload.booking.target.p99="5 ms"')
    assert found is not None
    assert found.verdict == "missed"


def test_an_interrupted_further_stage_leaves_the_stages_before_it() -> None:
    with pytest.raises(InterruptedAnswers) as stopped:
        conditions(
            day('workload.booking.target.p99="6.5 ms"'),
            engine=ENGINE,
            progress=stop_after(1, "Next stage"),
            until_decided=True,
        )
    found = stopped.value.result
    assert [each.result.replications for each in found.conditions] == [4, 4, 4]
    assert found.classes
    with pytest.raises(InterruptedAnswers) as alone:
        simulate(
            counter(*QUICK, "load=1.2", 'workload.booking.target.p99="6.5 ms"'),
            engine=ENGINE,
            progress=stop_after(1, "Next stage"),
            until_decided=True,
        )
    result = alone.value.result
    assert isinstance(result, Result)
    assert (result.replications, result.notes[0]) == (
        4,
        "Interrupted: 1 of 4 replications of the next stage were finished.",
    )


def test_a_round_that_was_too_short_is_better_than_nothing() -> None:
    # 500 requests do not support a p99, so twice as many are asked for.
    scenario = counter("run.requests=20000", "run.precision=0.3", "load=1.98")
    rounds: list[int] = []

    def watch(progress: Progress) -> None:
        rounds.append(progress.requests or 0)
        if progress.done == 1 and progress.requests == 1000:
            raise KeyboardInterrupt

    with (
        bench_for(scenario, None, ENGINE, None, watch, 1) as bench,
        pytest.raises(InterruptedAnswers) as stopped,
    ):
        answered(bench, [scenario], [Length(500, 3)])
    assert set(rounds) >= {500, 1000}
    (left,) = stopped.value.evidence
    assert left is not None
    assert (len(left.sample), left.requests, left.stopped_by) == (3, 500, None)


def test_the_command_shows_and_writes_what_was_finished_and_ends_as_interrupted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stop = stop_after(8)
    monkeypatch.setattr(Watch, "__call__", lambda _, progress: stop(progress))
    file = tmp_path / "day.toml"
    file.write_text(ONE_STATION + DAY)
    settings = [part for each in QUICK for part in ("--set", each)]
    asked = ["run", str(file), *settings, "--workers", "1", "--json", "--out", str(tmp_path / "out")]
    done = CliRunner().invoke(app, [*asked, "--pictures", "svg"], prog_name="tailrace")
    assert done.exit_code == 130
    assert done.stderr == "tailrace: Interrupted: 8 of 12 replications of the answer were finished.\n"
    document = json.loads(done.stdout)
    assert [each["answer"]["replications"] for each in document["conditions"]] == [4, 4, 0]
    assert document == json.loads((tmp_path / "out" / "answer.json").read_text())
    assert "left out" in (tmp_path / "out" / "conditions.svg").read_text()
    assert "day" not in set((tmp_path / "out" / "classes.csv").read_text().split(","))
