"""The command line: verbs, exit codes, and what goes to which stream."""

from __future__ import annotations

import ast
import doctest
import json
import os
import re
import signal
import subprocess
import sys
import tomllib
from collections.abc import Callable
from dataclasses import replace
from importlib import import_module
from inspect import isfunction
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from typer.testing import CliRunner, Result

import tailrace
from drives import generic
from tailrace import plots, theory
from tailrace.cli import app
from tailrace.crew.crew import Interrupted
from tailrace.crew.progress import COMPILING, Progress
from tailrace.errors import TailraceError
from tailrace.measure.verdict import Verdict
from tailrace.report.terminal.watch import Watch
from tailrace.scenario.tables.flash import DATASHEET
from test_report import RESULT

ROOT = Path(__file__).parents[1]
SCENARIO = f"""
title = "One station"
{generic("exponential")}
[[workload]]
name = "booking"
rate = "500 /s"
request_size = "8 KiB"
[run]
seed = 7
requests = 1000
replications = 2
"""


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    path = tmp_path / "one.toml"
    path.write_text(SCENARIO)
    return path


def invoke(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments], prog_name="tailrace")


def in_a_process(*arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from tailrace.cli import main; main()", *arguments]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False, **options)


@pytest.fixture
def answered(monkeypatch: pytest.MonkeyPatch) -> Callable[[Verdict], None]:
    """Have every simulation come out with a given verdict."""

    def give(verdict: Verdict) -> None:
        monkeypatch.setattr("tailrace.answer.run.simulate", lambda *_: replace(RESULT, verdict=verdict))

    return give


# run, end to end


def test_run_prints_tables_and_nothing_on_standard_error(scenario: Path) -> None:
    done = in_a_process("run", str(scenario), env={**os.environ, "COLUMNS": "80"})
    assert done.returncode == 0
    assert done.stderr == ""
    assert "One station" in done.stdout
    assert "No target is set." in done.stdout
    assert max(len(line) for line in done.stdout.splitlines()) <= 80


def test_run_with_json_prints_one_document_and_nothing_else(scenario: Path) -> None:
    done = invoke("run", scenario, "--json")
    assert done.exit_code == 0
    assert done.stderr == ""
    document = json.loads(done.stdout)
    assert document["seed"] == 7
    assert document["verdict"] == "none"
    assert document["classes"][0]["latency_s"]["mean"]["n"] == document["requests"]


def test_the_seed_of_the_command_line_goes_before_that_of_the_file(scenario: Path) -> None:
    other, same = (
        invoke("run", scenario, "--json", "--seed", 8),
        invoke("run", scenario, "--json", "--seed", 7),
    )
    assert json.loads(other.stdout)["seed"] == 8
    assert same.stdout == invoke("run", scenario, "--json").stdout
    assert json.loads(other.stdout)["classes"] != json.loads(same.stdout)["classes"]


def test_seed_0_is_a_seed(scenario: Path) -> None:
    assert json.loads(invoke("run", scenario, "--json", "--seed", 0).stdout)["seed"] == 0


def test_set_reaches_any_key_and_a_target_decides_the_exit_code(scenario: Path) -> None:
    met = invoke("run", scenario, "--set", 'workload.booking.target.mean="1 s"')
    assert (met.exit_code, "Every target is met." in met.stdout) == (0, True)
    missed = invoke("run", scenario, "--set", 'workload.booking.target.mean="1 us"', "--json")
    assert missed.exit_code == 1
    assert json.loads(missed.stdout)["verdict"] == "missed"


def test_overload_is_answered_with_exit_code_1_and_without_latencies(scenario: Path) -> None:
    done = invoke("run", scenario, "--set", "load=3", "--json")
    assert done.exit_code == 1
    document = json.loads(done.stdout)
    assert document["verdict"] == "overloaded"
    assert document["classes"] == []
    # 1,500 requests a second of 1 ms each: two thirds of that is all that one drive can carry.
    assert document["overload"]["largest_load_factor"] == pytest.approx(2 / 3, rel=0.05)
    text = invoke("run", scenario, "--set", "load=3")
    assert text.exit_code == 1
    assert "The drive of the media cannot keep up" in " ".join(text.stdout.split())


def test_out_writes_a_copy_that_gives_the_same_answer_again(scenario: Path, tmp_path: Path) -> None:
    out = tmp_path / "deep" / "answer"
    first = invoke("run", scenario, "--set", 'workload.booking.rate="300 /s"', "--seed", 9, "--out", out)
    assert first.exit_code == 0
    assert (out / "answer.txt").read_text() == first.stdout
    document = json.loads((out / "answer.json").read_text())
    command = (out / "scenario.toml").read_text().splitlines()[0]
    assert command == "# tailrace run scenario.toml --seed 9 --set 'workload.booking.rate=\"300 /s\"'"
    again = invoke(
        "run", out / "scenario.toml", "--seed", 9, "--set", 'workload.booking.rate="300 /s"', "--json"
    )
    assert json.loads(again.stdout) == document


# Exit codes


@pytest.mark.parametrize(
    ("verdict", "code"), [("met", 0), ("none", 0), ("missed", 1), ("overloaded", 1), ("undecided", 3)]
)
def test_every_verdict_has_its_exit_code(
    scenario: Path, answered: Callable[[Verdict], None], verdict: Verdict, code: int
) -> None:
    answered(verdict)
    assert invoke("run", scenario).exit_code == code
    assert invoke("run", scenario, "--json").exit_code == code


def test_a_failure_inside_is_one_line_and_exit_code_4(
    scenario: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("the sky\nfell")

    monkeypatch.setattr("tailrace.answer.run.simulate", fail)
    done = invoke("run", scenario)
    assert done.exit_code == 4
    assert done.stdout == ""
    assert done.stderr == "tailrace: failure: ZeroDivisionError: the sky fell (--debug shows where)\n"


def test_debug_shows_where_a_failure_happened_with_the_same_exit_code(
    scenario: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("the sky fell")

    monkeypatch.setattr("tailrace.answer.run.simulate", fail)
    done = invoke("run", scenario, "--debug")
    assert done.exit_code == 4
    assert "Traceback" in done.stderr
    assert "in fail" in done.stderr
    assert done.stderr.endswith("tailrace: failure: ZeroDivisionError: the sky fell\n")


def test_what_the_package_refuses_on_purpose_is_bad_input(
    scenario: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise TailraceError("no such engine here")

    monkeypatch.setattr("tailrace.answer.run.simulate", refuse)
    done = invoke("run", scenario)
    assert done.exit_code == 2
    assert done.stderr == "tailrace: no such engine here\n"


def test_an_interrupt_is_exit_code_130_and_one_line_that_says_what_was_finished(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object) -> None:
        raise Interrupted("Interrupted: 5 of 16 replications of the pilot were finished.")

    monkeypatch.setattr("tailrace.answer.run.simulate", interrupted)
    done = invoke("run", scenario, "--out", tmp_path / "answer")
    assert done.exit_code == 130
    assert done.stdout == ""
    assert done.stderr == "tailrace: Interrupted: 5 of 16 replications of the pilot were finished.\n"
    assert list((tmp_path / "answer").iterdir()) == []


def test_an_interrupted_run_gives_the_answer_of_what_was_finished(
    scenario: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object) -> None:
        raise Interrupted("Interrupted: 5 of 16 replications of the answer were finished.", result=RESULT)

    monkeypatch.setattr("tailrace.answer.run.simulate", interrupted)
    done = invoke("run", scenario, "--json")
    assert done.exit_code == 130
    assert json.loads(done.stdout) == RESULT.as_dict()


def test_an_interrupt_before_the_first_replication_is_said_too(
    scenario: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("tailrace.answer.run.simulate", interrupted)
    done = invoke("run", scenario)
    assert done.exit_code == 130
    assert done.stderr == "tailrace: Interrupted: no replication was finished.\n"


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize("told", [signal.SIGINT, pytest.param(signal.SIGTERM, marks=pytest.mark.whole)])
def test_control_c_and_being_told_to_end_stop_a_real_run_with_exit_code_130(
    scenario: Path, told: signal.Signals
) -> None:
    options = "--set run.requests=10_000_000 --engine reference --workers 1"
    # The child says on its standard error when it is inside; nothing has to be waited for by the clock.
    # What a shell starts in the background ignores the signal, and so would what that starts.
    program = (
        "import signal, sys, tailrace.answer.run as study, tailrace.cli as cli\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "inner = study.simulate\n"
        "def simulate(scenario, seed, engine, workers, watch, until_decided):\n"
        "    def noted(progress):\n"
        "        print('running', file=sys.stderr, flush=True)\n"
        "    return inner(scenario, seed, engine, workers, noted)\n"
        "study.simulate = simulate\n"
        "cli.main()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, "run", str(scenario), *options.split()],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stderr is not None
        assert process.stderr.readline() == "running\n"
        process.send_signal(told)
        output, errors = process.communicate()
    assert process.returncode == 130
    assert output == ""
    (line,) = errors.splitlines()
    assert line.startswith("tailrace: Interrupted: ")


# Bad input


@pytest.mark.parametrize(
    ("setting", "named"),
    [
        pytest.param("server.media.servce=1", ["servce", "service"], id="a misspelt key"),
        pytest.param(
            'workload.booking.request_size="3 s"',
            ["request_size", "3 s", "a size"],
            id="a unit of another kind",
        ),
        pytest.param("workload.camera.rate=1", ["camera", "booking"], id="no such class"),
        pytest.param("nonsense", ["nonsense"], id="not KEY=VALUE"),
    ],
)
def test_errors_of_input_are_one_line_each_on_standard_error(
    scenario: Path, setting: str, named: list[str]
) -> None:
    done = invoke("run", scenario, "--json", "--set", setting)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    lines = done.stderr.splitlines()
    assert all(line.startswith("tailrace: ") for line in lines)
    assert any(all(name in line for name in named) for line in lines)


def test_all_problems_of_a_file_are_named_at_once(scenario: Path) -> None:
    scenario.write_text(SCENARIO.replace('"1 ms"', '"1 MB"').replace('"8 KiB"', '"8 KB"'))
    done = invoke("run", scenario)
    assert done.exit_code == 2
    first, second = done.stderr.splitlines()
    assert "server.media.service.mean" in first
    assert "workload.booking.request_size" in second


@pytest.mark.parametrize("content", [b"", b"title = \xff", b"= nonsense ="])
def test_a_file_that_cannot_be_read_is_bad_input(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    done = invoke("run", path)
    assert done.exit_code == 2
    assert len(done.stderr.splitlines()) == 1
    assert str(path) in done.stderr


def test_a_directory_and_a_missing_file_are_bad_input(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "missing.toml"):
        done = invoke("run", path)
        assert done.exit_code == 2
        assert len(done.stderr.splitlines()) == 1
        assert str(path) in done.stderr


def test_a_directory_with_files_of_somebody_else_is_refused_and_one_with_an_answer_is_taken(
    scenario: Path, tmp_path: Path
) -> None:
    before = scenario.read_text()
    done = invoke("run", scenario, "--out", tmp_path, "--pictures", "none")
    assert done.exit_code == 2
    assert "holds other files (one.toml); accepted: a directory that is new" in done.stderr
    assert [each.name for each in tmp_path.iterdir()] == ["one.toml"]
    assert scenario.read_text() == before
    for _ in range(2):
        assert invoke("run", scenario, "--out", tmp_path / "new", "--pictures", "none").exit_code == 0


@pytest.mark.parametrize("name", ["pages", "page.pdf", "page"])
def test_a_page_goes_only_where_a_page_can_be(
    scenario: Path, tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tailrace.study.account.account", lambda *_, **__: pytest.fail("simulated"))
    (tmp_path / "pages").mkdir()
    done = invoke("report", scenario, "--out", tmp_path / name)
    assert done.exit_code == 2
    assert f"{name}'; accepted: a file whose name ends in .html" in done.stderr


def test_a_limit_of_bytes_is_told_in_six_digits_that_hold(scenario: Path) -> None:
    spans = ['workload.booking.span="12 TB"', 'server.media.capacity="11_999_999_950_848 B"']
    done = invoke("run", scenario, *(part for each in spans for part in ("--set", each)))
    assert "at most 11.9999 TB" in done.stderr


def test_out_that_is_a_file_is_refused_before_anything_is_simulated(
    scenario: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tailrace.answer.run.simulate", lambda *_: pytest.fail("simulated"))
    before = scenario.read_text()
    done = invoke("run", scenario, "--out", scenario)
    assert done.exit_code == 2
    assert str(scenario) in done.stderr
    assert scenario.read_text() == before


@pytest.mark.parametrize(
    "arguments",
    [
        ["run"],
        ["run", "x.toml", "--no-such-option"],
        ["run", "x.toml", "--seed", "-1"],
        ["run", "x.toml", "--seed", "seven"],
        ["run", "x.toml", "--workers", "0"],
        ["run", "x.toml", "--engine", "steam"],
        ["no-such-verb"],
    ],
)
def test_usage_errors_are_exit_code_2(arguments: list[str]) -> None:
    done = invoke(*arguments)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert "Usage:" in done.stderr


# The other verbs


def test_new_writes_a_scenario_that_loads_and_never_overwrites(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    assert invoke("new", path).exit_code == 0
    assert tailrace.load(path).server.media.random_read_rate  # figures that an architect has
    path.write_text("precious")
    done = invoke("new", path)
    assert done.exit_code == 2
    assert done.stderr == f"tailrace: {path}: is there already; nothing was written\n"
    assert path.read_text() == "precious"
    nowhere = invoke("new", tmp_path / "no" / "where.toml")
    assert nowhere.exit_code == 2
    assert "cannot be written" in nowhere.stderr


def test_schema_is_one_json_document(tmp_path: Path) -> None:
    done = invoke("schema")
    assert done.exit_code == 0
    assert set(json.loads(done.stdout)["properties"]) == {
        "title",
        "load",
        "server",
        "cluster",
        "workload",
        "condition",
        "choice",
        "run",
    }


def test_keys_lists_units_defaults_and_ranges() -> None:
    done = invoke("keys")
    assert done.exit_code == 0
    block = done.stdout.split("[server.controller]\n", 1)[1].split("\n\n", 1)[0]
    assert '  copy_piece           size           default "64 KiB"' in block
    assert "  cores                whole number   required" in block
    assert "at least 1, at most 65536" in " ".join(block.split())


@pytest.mark.parametrize(
    ("table", "titles"),
    [
        ("flash", ['[server.media]  kind = "flash"']),
        ("server.layout", ["[server.layout]"]),
        ("[server.layout]", ["[server.layout]"]),
        ("workload.target", ["[workload.NAME.target]"]),
    ],
)
def test_keys_lists_one_table_alone(table: str, titles: list[str]) -> None:
    done = invoke("keys", table)
    assert done.exit_code == 0
    assert [line for line in done.stdout.splitlines() if line.startswith("[")] == titles
    assert len(done.stdout.splitlines()) < 150


def test_a_table_that_is_not_there_is_bad_input_and_the_datasheet_figures_are_marked_as_one() -> None:
    done = invoke("keys", "server.wheels")
    assert done.exit_code == 2
    assert "accepted: " in done.stderr
    assert "server.layout" in done.stderr
    lines = invoke("keys", "flash").stdout.splitlines()
    mark = lines.index("  The 7 figures of a datasheet: all of them, and then none of the drive's parts.")
    names = [line.split()[0] for line in lines[mark + 1 :] if line.startswith("  ") and line[2] != " "]
    assert names[:7] == list(DATASHEET)


def test_version_is_that_of_the_package() -> None:
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    assert invoke("--version").stdout == f"tailrace {declared}\n"
    assert tailrace.__version__ == declared


def test_help_names_the_verbs_and_the_exit_codes_whole() -> None:
    text = " ".join(invoke("--help").stdout.split())
    assert "130 interrupted" in text
    for verb in ("run", "new", "keys", "schema"):
        assert f" {verb} " in text
        assert invoke(verb, "--help").exit_code == 0
    assert "..." not in text.replace("[ARGS]...", "")


def test_the_shell_completes_verbs_options_and_pages_of_the_manual() -> None:
    known = {"jour": ["journey"], "run --until": ["--until-decided"], "guide trans": ["transactions"]}
    for typed, completed in known.items():
        asked = {"COMP_WORDS": f"tailrace {typed}", "COMP_CWORD": str(len(typed.split()))}
        done = CliRunner().invoke(
            app, env={"_TAILRACE_COMPLETE": "complete_bash", **asked}, prog_name="tailrace"
        )
        assert done.stdout.split() == completed


def test_a_reader_that_goes_away_is_told_nothing() -> None:
    read_end, write_end = os.pipe()
    os.close(read_end)
    command = [sys.executable, "-c", "from tailrace.cli import main; main()", "keys"]
    with os.fdopen(write_end, "w") as broken:
        done = subprocess.run(command, stdout=broken, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 4
    assert done.stderr == ""


def test_characters_that_a_terminal_cannot_show_do_not_stop_the_answer(scenario: Path) -> None:
    done = in_a_process("run", str(scenario), env={**os.environ, "PYTHONIOENCODING": "ascii"})
    assert done.returncode == 0
    assert "mean, ms" in done.stdout


# Progress


def test_progress_is_shown_only_where_somebody_sees_it(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")  # what is captured is to pass for a terminal
    monkeypatch.setenv("COLUMNS", "80")
    for shown in (False, True):
        with Watch(shown, terminal=True) as watch:
            watch(Progress(COMPILING, 0, 1))
            watch(Progress("Pilot", 0, 8, 2500))
            watch(Progress("Answer", 0, 16, 12_000, precision=0.1))
            watch(Progress("Answer", 3, 16, 12_000, half_width=0.12, precision=0.1, seconds_left=26.2))
        printed = capsys.readouterr()
        assert printed.out == ""
        assert ("Answer: runs of 12,000 requests" in printed.err) is shown
        assert ("3 of 16" in printed.err) is shown
        assert ("±12 %, wanted ±10 %" in printed.err) is shown
        assert ("26 s left" in printed.err) is shown


def test_off_a_terminal_a_line_now_and_then_says_how_far_it_is_and_how_long_it_goes_on(
    capsys: pytest.CaptureFixture[str],
) -> None:
    seconds = iter([0.0, 20.0, 40.0, 40.0, 41.0, 90.0, 90.0])
    with Watch(True, terminal=False, clock=lambda: next(seconds)) as watch:
        for done in range(1, 5):
            watch(Progress("Answer", done, 4, 12_000, seconds_left=300.0))
    first, last = capsys.readouterr().err.splitlines()
    assert first == "tailrace: Answer: runs of 12,000 requests, 2 of 4, 5 min left"
    assert last == "tailrace: Answer: runs of 12,000 requests, 4 of 4"
    with Watch(False, terminal=False) as watch:
        watch(Progress("Answer", 1, 4))
    assert capsys.readouterr().err == ""


# The package


def test_the_citation_names_the_version_and_the_licence_of_the_package() -> None:
    lines = (ROOT / "CITATION.cff").read_text(encoding="utf-8").splitlines()
    said = dict(line.split(": ", 1) for line in lines if ": " in line and not line.startswith(" "))
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert (said["version"], said["license"]) == (project["version"], project["license"])
    assert said["title"] == f'"{project["name"]}"'
    assert {"cff-version", "message"} <= said.keys()  # what the format requires, and authors
    assert lines[lines.index("authors:") + 1].startswith('  - name: "')


def test_importing_the_package_or_the_command_line_loads_nothing_slow() -> None:
    slow = ["numpy", "pandas", "pydantic", "pint", "simpy", "matplotlib", "scipy", "numba", "rich", "jinja2"]
    program = (
        "import sys, tailrace, tailrace.cli\n"
        "try:\n"
        "    tailrace.cli.app(['--help'])\n"
        "except SystemExit:\n"
        "    pass\n"
        f"print([name for name in {slow} if name in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stderr == "[]\n"


def test_a_run_loads_no_studies_no_pictures_and_no_other_way_to_carry_it_out() -> None:
    libraries = ["matplotlib", "pandas", "starlette", "scipy.optimize"]
    needless = [
        *libraries,
        *(f"tailrace.{name}" for name in ("study.headroom", "study.relief", "live", "lessons")),
    ]
    scenario = ROOT / "shared" / "scenarios" / "one-station.toml"
    asked = ["run", str(scenario), "--quiet", "--set", "run.requests=1000", "--set", "run.replications=2"]
    program = (
        "import sys, tailrace.cli\n"
        "try:\n"
        f"    tailrace.cli.app({[*asked, '--workers', '1', '--engine', 'reference']})\n"
        "except SystemExit:\n"
        "    pass\n"
        "assert 'tailrace.answer.run' in sys.modules\n"
        f"print([name for name in {needless} if name in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert "Class booking" in done.stdout
    assert done.stderr == "[]\n"


def test_every_public_name_is_there_and_nothing_else_is_made_up() -> None:
    # The stub as a type checker reads it: imports by a name of their own are no names of the module.
    stub = ast.parse((ROOT / "src/tailrace/__init__.pyi").read_text("utf-8"))
    imports = [node for node in stub.body if isinstance(node, ast.ImportFrom)]
    assert all(alias.name == alias.asname for node in imports for alias in node.names)
    declared = {alias.name: node.module for node in imports for alias in node.names}
    assert sorted([*declared, "__version__"]) == tailrace.__all__
    for name, home in declared.items():
        assert getattr(tailrace, name) is getattr(import_module(home or ""), name)
        assert name in dir(tailrace)
    with pytest.raises(AttributeError, match="no attribute 'simulat'"):
        _ = tailrace.simulat


def test_what_public_functions_return_and_raise_is_public() -> None:
    functions = [each for each in map(tailrace.__getattr__, tailrace.__all__) if isfunction(each)]
    said = " ".join(each.__doc__ or "" for each in functions)
    raised = set(re.findall(r"\b(?:[A-Z]\w+Error|Interrupted)\b", said))
    assert {"ScenarioError", "SettingError", "StoreError", "Interrupted"} <= raised
    assert raised - {"ValueError"} <= set(tailrace.__all__)
    returned = {each.__annotations__["return"] for each in functions}
    assert {"Result", "Headroom", "Relief", "Comparison"} <= returned
    assert {name for name in returned if "." not in name} <= set(tailrace.__all__)


@pytest.mark.parametrize(("package", "examples"), [(tailrace, 4), (theory, 2), (plots, 4)])
def test_the_example_of_a_package_runs(
    package: ModuleType, examples: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(ROOT)
    outcome = doctest.testmod(package)
    assert outcome.attempted >= examples
    assert outcome.failed == 0


# The README


def blocks_of_readme(language: str) -> list[str]:
    return re.findall(
        rf"```{language}\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL
    )


def test_the_answer_shown_in_the_readme_is_what_comes_out() -> None:
    shown = next(block for block in blocks_of_readme("text") if block.startswith("Seat booking"))
    scenario = ROOT / "shared" / "scenarios" / "booking-flash.toml"
    done = CliRunner(env={"COLUMNS": "80"}).invoke(app, ["run", str(scenario)], prog_name="tailrace")
    assert done.exit_code == 0
    # Both engines give the same answer; which of them ran depends on what is installed.
    assert done.stdout.replace("reference engine", "compiled engine").split() == shown.split()
