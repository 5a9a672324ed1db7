"""README and manual: every command is understood, its files are there, and what is shown is what comes out."""

from __future__ import annotations

import re
import shlex
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner, Result

from shortened import shortened
from tailrace.cli import app
from tailrace.cli.failures import EXIT_CODES
from tailrace.guide import pages, question
from tailrace.lessons import LESSONS
from tailrace.scenario.reading.dial import Dial
from tailrace.scenario.reading.read import load
from tailrace.scenario.reading.starter import starter
from tailrace.scenario.reading.toml import toml_text
from tailrace.scenario.reading.variant import Variants
from tailrace.study.vary import Axis

ROOT = Path(__file__).parents[1]
PAGES = pages()
DOCUMENTS = {"README": (ROOT / "README.md").read_text(encoding="utf-8"), **PAGES}
VERBS: dict[str, Any] = typer.main.get_command(app).commands  # type: ignore[attr-defined]
WRITTEN = {"out", "write", "picture", "store"}
"""Options that name what a command writes; all other files are read."""
SHORT = {"--set": ["run.requests=1000", "run.replications=2"], "--workers": ["1"], "--pictures": ["none"]}
"""Options that make a command quick, where it has them."""
LONG = {"report", "live"}
"""Verbs that need long however short the runs, or go on until they are stopped; they have tests of their own."""


@dataclass(frozen=True)
class Block:
    """A fenced block: its language, the file that it shows (or ""), its text, and where it begins and ends."""

    language: str
    file: str
    text: str
    begin: int
    end: int


def blocks(document: str) -> list[Block]:
    found = re.finditer(r"^```(\w+)(?: (\S+))?\n(.*?)^```$", document, re.DOTALL | re.MULTILINE)
    return [Block(each[1], each[2] or "", each[3], *each.span()) for each in found]


def commands(block: Block) -> Iterator[list[str]]:
    """The arguments of each command of ours in a block, without what the shell does with its output."""
    if block.language == "bash":
        for line in block.text.replace("\\\n", " ").splitlines():
            if line.startswith("tailrace "):
                words = shlex.split(line, comments=True)[1:]
                yield words[: words.index(">")] if ">" in words else words


def understood(command: list[str]) -> dict[str, Any]:
    """The values of a command's parameters. A usage error if it has an option or argument that does not exist."""
    verb = VERBS[command[0]]
    values: dict[str, Any] = verb.make_context(command[0], command[1:]).params
    return values


def files_of(values: dict[str, Any]) -> list[tuple[str, Path]]:
    """Every file that a command names, with the parameter that names it."""
    named = [(name, each if isinstance(each, list) else [each]) for name, each in values.items()]
    return [(name, file) for name, each in named for file in each if isinstance(file, Path)]


def invoke(command: list[str]) -> Result:
    return CliRunner().invoke(app, command, prog_name="tailrace")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder beside the repository's `shared`, where the commands are typed."""
    (tmp_path / "shared").symlink_to(ROOT / "shared")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    return tmp_path


def write_files(document: str) -> None:
    """The files and folders that a document has its reader make."""
    for name in re.findall(r"^mkdir (\S+)$", document, re.MULTILINE):
        Path(name).mkdir()
    for block in blocks(document):
        if block.file:
            Path(block.file).write_text(block.text, encoding="utf-8")


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_command_is_understood_and_finds_its_files(name: str, folder: Path) -> None:
    write_files(DOCUMENTS[name])
    for command in (each for block in blocks(DOCUMENTS[name]) for each in commands(block)):
        values = understood(command)
        for parameter, file in files_of(values):
            if command[0] == "new":
                file.write_text(starter(), encoding="utf-8")
            elif parameter == "out":  # made with all above it
                file.parent.mkdir(parents=True, exist_ok=True)
            elif parameter in WRITTEN:
                file.touch()
            else:
                assert file.is_file(), (command, parameter)
        scenarios = [file for parameter, file in files_of(values) if parameter in ("file", "files")]
        if "settings" in values:
            for scenario in (load(file, values["settings"] or ()) for file in scenarios):
                for each in values.get("vary") or ():
                    assert Axis.of(each).settings(Variants(scenario), lambda _: 1.0)
                if "grow" in values:
                    assert Dial(Variants(scenario), values["grow"]).number > 0
        if command[0] in ("lesson", "guide") and values["name"]:
            assert values["name"] in (LESSONS if command[0] == "lesson" else PAGES)


@pytest.mark.parametrize(
    ("command", "wrong"),
    [("run a.toml --sett load=2", "--sett"), ("sweep a.toml", "vary"), ("run a.toml --engine x", "'x'")],
)
def test_a_command_that_does_not_exist_is_found(command: str, wrong: str) -> None:
    with pytest.raises(Exception, match=wrong):
        understood(command.split())


def test_the_manual_shows_every_verb_and_names_no_other() -> None:
    named = re.findall(r"(?:^|`)tailrace ([a-z]+)", "\n".join(DOCUMENTS.values()), re.MULTILINE)
    assert set(named) == set(VERBS)


# What comes out


def shown_by(command: list[str], document: str) -> str | None:
    """The output that stands right behind a command that is a block by itself."""
    for block, behind in pairwise(blocks(document)):
        is_next = not document[block.end : behind.begin].strip()
        if is_next and list(commands(block)) == [command] and behind.language == "text":
            return behind.text
    return None


def carry_out(command: list[str], document: str) -> None:
    """With short runs in this process, unless the document shows what comes out: then that is what must."""
    known = {option for parameter in VERBS[command[0]].params for option in parameter.opts}
    shown = shown_by(command, document)
    wanted = {option: values for option, values in SHORT.items() if option in known and shown is None}
    done = invoke(
        [*command, *(word for option, values in wanted.items() for each in values for word in (option, each))]
    )
    # A verdict may be any, but the command was understood and carried out.
    assert done.exit_code in EXIT_CODES.values(), (command, done.stderr)
    if shown is not None:
        assert_shows(done.stdout, shown)


def assert_shows(output: str, shown: str) -> None:
    """What is shown stands in the output, in order, without gaps other than [...]."""
    pattern = re.escape(shown.strip()).replace(re.escape("[...]"), "(.|\n)*").replace(r"\ ", " ")
    assert re.fullmatch(pattern, output.strip()), f"shown:\n{shown}\ncame out:\n{output}"


@pytest.mark.parametrize(
    "name",
    shortened(
        PAGES,
        kept={
            "answer",
            "cluster",
            "examples",
            "model",
            "python",
            "scenario",
            "servers",
            "studies",
            "tutorial",
        },
    ),
)
def test_the_first_command_of_a_page_is_carried_out_and_all_whose_outputs_are_shown(
    name: str, folder: Path
) -> None:
    page = PAGES[name]
    write_files(page)
    every = [command for block in blocks(page) for command in commands(block) if command[0] not in LONG]
    for place, command in enumerate(every):
        if place == 0 or command[0] == "new" or shown_by(command, page) is not None:
            carry_out(command, page)


@pytest.mark.whole
def test_the_tutorial_shows_what_its_run_says(folder: Path) -> None:
    Path("booking.toml").write_text(starter(), encoding="utf-8")
    shown = [each.text for each in blocks(PAGES["tutorial"]) if each.language == "text"]
    (answer,) = (each for each in shown if "Every target is met." in each)
    assert_shows(invoke(["run", "booking.toml"]).stdout, answer)


def test_the_programs_of_the_manual_run(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for page in PAGES.values():
        names: dict[str, Any] = {}
        for block in blocks(page):
            if block.language == "python":
                exec(compile(block.text, "a page", "exec"), names)
    first, exact = capsys.readouterr().out.splitlines()
    assert re.fullmatch(r"booking: \d\.\d\d ms, \d\.\d\d to \d\.\d\d", first)
    assert float(exact) == pytest.approx(1.746e-3, rel=1e-3)
    assert {each.name for each in folder.glob("*.*")} == {
        "deviations.csv",
        "latency.svg",
        "time_per_stage.png",
    }


# Scenarios in parts


def complete(fragment: dict[str, Any]) -> dict[str, Any]:
    """The scenario to begin with, and a fragment in place of what it has there."""
    whole = tomllib.loads(starter())
    server = fragment.get("server", {})
    if "pool" in server:
        for name in ("lanes", "media", "layout"):
            del whole["server"][name]
    whole["server"] |= server
    workload = fragment.get("workload", [])
    if isinstance(workload, dict):  # tables of the class before them
        whole["workload"][0] |= workload
    elif workload:
        whole["workload"] = workload
    return {**whole, **{name: each for name, each in fragment.items() if name not in ("server", "workload")}}


@pytest.mark.parametrize("name", PAGES)
def test_the_parts_of_scenarios_that_a_page_shows_are_accepted(name: str, folder: Path) -> None:
    (folder / "booking-monday.csv.gz").symlink_to(ROOT / "shared" / "traces" / "booking-monday.csv.gz")
    for block in blocks(PAGES[name]):
        if block.language == "toml":
            fragment = tomllib.loads(block.text)
            whole = complete(fragment)
            if "pool" in fragment.get("server", {}):
                whole["workload"][0]["pool"] = fragment["server"]["pool"][0]["name"]
                whole["workload"][0].pop("span")
            Path("part.toml").write_text(toml_text(whole, "A part, completed."), encoding="utf-8")
            load("part.toml")


# The verb


def test_guide_lists_the_pages_by_the_questions_that_they_answer() -> None:
    listed = invoke(["guide"])
    assert listed.exit_code == 0
    lines = listed.stdout.splitlines()
    assert [line.split()[0] for line in lines[: len(PAGES)]] == list(PAGES)
    assert lines[list(PAGES).index("traces")].endswith("  How do I use a recorded trace?")
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize("name", PAGES)
def test_a_page_fits_into_80_columns_with_tables_whole(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    page = PAGES[name]
    done = invoke(["guide", name])
    assert done.exit_code == 0
    lines = done.stdout.splitlines()
    assert question(page) == lines[0].strip()
    assert max(map(len, lines)) <= 80
    assert "…" not in done.stdout
    assert "<!--" not in done.stdout
    assert all(len(line) <= 78 for block in blocks(page) for line in block.text.splitlines())
    for cell in re.findall(r"`([^`\s]+)`", "".join(re.findall(r"^\|.*\n", page, re.MULTILINE))):
        assert cell in done.stdout


def test_what_follows_from_the_program_is_made_when_it_is_shown() -> None:
    keys, parts, verbs = (invoke(["guide", name]).stdout for name in ("keys", "parts", "commands"))
    assert keys.endswith(invoke(["keys"]).stdout)
    assert parts.endswith(invoke(["parts"]).stdout)
    help_of_relief = invoke(["relief", "--help"]).stdout.strip()
    assert help_of_relief in verbs
    assert "130 interrupted" in " ".join(verbs.split())


def test_an_unknown_page_is_an_error_that_names_those_there_are() -> None:
    done = invoke(["guide", "nothing"])
    assert done.exit_code == 2
    assert done.stdout == ""
    assert done.stderr == f"tailrace: page is 'nothing'; accepted: {', '.join(PAGES)}\n"


# How the pages hang together


def test_every_page_asks_one_question_and_links_lead_to_pages() -> None:
    for name, page in PAGES.items():
        assert page.startswith("# "), name
        assert question(page).endswith("?"), name
        assert page.count("\n# ") == page.count("\n# Four servers"), name  # a comment of a program
        for target in re.findall(r"\]\(([^)]*)\)", page):
            is_picture = target.endswith(".png") and (ROOT / "src/tailrace/guide" / target).is_file()
            assert is_picture or target.removesuffix(".md") in PAGES, (name, target)


def test_the_readme_is_short_and_leads_to_every_page() -> None:
    readme = DOCUMENTS["README"]
    assert len(readme.splitlines()) <= 250
    targets = re.findall(r"\]\(([^)]*)\)", readme)
    assert all((ROOT / target).is_file() for target in targets)
    assert {Path(target).stem for target in targets if "/guide/" in target} == set(PAGES)


def test_the_manual_describes_every_ready_scenario() -> None:
    for path in (ROOT / "shared" / "scenarios").glob("*.toml"):
        assert f"| `{path.name}` |" in PAGES["examples"]
