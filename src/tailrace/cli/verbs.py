"""The command line: verbs, and nothing but the way from what was typed to the parts that do the work."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tailrace.cli import data as cli_data
from tailrace.cli.failures import (
    BAD_INPUT,
    EXIT_CODES,
    INTERRUPTED,
    Debug,
    Engine,
    failures,
    make_directory,
    picture_kinds,
    put,
    reason,
    stop,
)
from tailrace.cli.guide import add_to as add_guide_to
from tailrace.cli.lesson import add_to as add_lesson_to
from tailrace.cli.live import add_to as add_live_to
from tailrace.cli.report import add_to as add_report_to
from tailrace.cli.studies import (
    Condition,
    EngineChoice,
    Json,
    Quiet,
    ScenarioFile,
    Seed,
    Settings,
    WorkerCount,
    add_to,
    shown,
)

if TYPE_CHECKING:
    from tailrace.answer.result import Result
    from tailrace.scenario.tables.scenario import Scenario
    from tailrace.study.conditions import Conditions

app = typer.Typer(
    help="Predict what a storage server will do to the latency of the requests sent to it.",
    epilog="Exit codes: 0 every target met, or none set; 1 a target missed, or the server overloaded; 2 bad input; "
    "3 undecided; 4 internal failure; 130 interrupted.",
    # Without markup typer leaves rich alone, whose import would make --help half as slow again.
    rich_markup_mode=None,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)


def _print_version(wanted: bool) -> None:
    if wanted:
        from tailrace import __version__

        put(f"tailrace {__version__}\n")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    del version


@app.command()
def run(
    file: ScenarioFile,
    settings: Settings = None,
    condition: Condition = None,
    json: Json = False,
    seed: Seed = None,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Also write the answer as files into this directory.")
    ] = None,
    pictures: Annotated[
        str,
        typer.Option(metavar="LIST", help="Kinds of pictures beside them: png, svg, pdf, several, or none."),
    ] = "png,svg,pdf",
    engine: EngineChoice = Engine.AUTO,
    workers: WorkerCount = None,
    until_decided: Annotated[
        bool,
        typer.Option(
            "--until-decided",
            help="Go on while a target is undecided: up to three times as many replications.",
        ),
    ] = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Simulate a scenario and print what each class will see."""
    with failures(debug):
        from tailrace.scenario.reading.read import load

        scenario = load(file, settings or (), condition)
        kinds = picture_kinds(pictures)
        if out is not None:
            text = file.read_text(encoding="utf-8-sig")
            make_directory(out, "answer.json")
        stopped = ""
        try:
            result = _simulate(scenario, seed, engine, workers, not quiet, until_decided)
        except KeyboardInterrupt as interrupt:
            stopped = str(interrupt) or "Interrupted: no replication was finished."
            partial: Result | Conditions | None = getattr(interrupt, "result", None)
            if partial is None:
                stop(INTERRUPTED, stopped)
            result = partial
        put(shown(result, json))
        if out is not None:
            from tailrace.answer.result import Result
            from tailrace.report.files.answer import scenario_copy, write_result
            from tailrace.report.files.conditions import write_conditions
            from tailrace.scenario.reading.read import parts_of
            from tailrace.scenario.reading.variant import file_settings

            chosen = [] if condition is None else ["--condition", condition]
            copy = scenario_copy(text, result.seed, [*(settings or ()), *file_settings(scenario)], chosen)
            taken = parts_of(file, settings or ())
            if isinstance(result, Result):
                write_result(result, out, copy, taken, kinds)
            else:
                write_conditions(result, out, copy, taken, kinds)
        if stopped:
            stop(INTERRUPTED, stopped)
        raise typer.Exit(EXIT_CODES[result.verdict])


@app.command()
def estimate(
    file: ScenarioFile,
    settings: Settings = None,
    condition: Condition = None,
    json: Json = False,
    debug: Debug = False,
) -> None:
    """Say what closed forms make of a scenario."""
    with failures(debug):
        from tailrace.forecast.estimate import estimate as closed_forms
        from tailrace.scenario.reading.read import load

        scenario = load(file, settings or (), condition)
        if scenario.condition:
            from tailrace.forecast.conditions import estimate_conditions

            found = estimate_conditions(scenario)
            put(shown(found, json))
            raise typer.Exit(EXIT_CODES["overloaded" if found.is_overloaded else "none"])
        theory = closed_forms(scenario)
        if json:
            from tailrace.report.files.documents import as_json, theory_document

            put(as_json(theory_document(scenario.title, scenario.digest, theory)))
        else:
            from rich.console import Console

            from tailrace.report.terminal.theory import estimate_text

            put(estimate_text(scenario.title, theory, Console(highlight=False)))
        saturation = theory.saturation
        if saturation is not None and saturation.is_exceeded:
            raise typer.Exit(EXIT_CODES["overloaded"])


@app.command()
def journey(
    file: ScenarioFile,
    slowest: Annotated[
        int, typer.Option(min=1, max=1000, metavar="N", help="How many requests to follow.")
    ] = 5,
    workload: Annotated[
        str | None, typer.Option("--class", metavar="NAME", help="Only requests of this class.")
    ] = None,
    settings: Settings = None,
    condition: Condition = None,
    json: Json = False,
    seed: Seed = None,
    debug: Debug = False,
) -> None:
    """Follow the slowest requests from station to station."""
    with failures(debug):
        from tailrace.scenario.reading.read import load
        from tailrace.study.journey import journey as followed

        put(shown(followed(load(file, settings or (), condition), slowest, seed, workload), json))


@app.command()
def new(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="The file to write; it must not be there yet.")
    ],
    debug: Debug = False,
) -> None:
    """Write a commented scenario to begin with."""
    with failures(debug):
        from tailrace.scenario.reading.starter import starter

        try:
            with file.open("x", encoding="utf-8") as opened:
                opened.write(starter())
        except FileExistsError:
            stop(BAD_INPUT, f"{file}: is there already; nothing was written")
        except OSError as error:
            stop(BAD_INPUT, f"{file}: cannot be written: {reason(error)}")
        put(f"Wrote {file}. Next: tailrace run {file}\n")


@app.command()
def keys(
    table: Annotated[
        str | None,
        typer.Argument(metavar="[TABLE]", help="One table alone: server.media, flash, workload.target."),
    ] = None,
    debug: Debug = False,
) -> None:
    """List every key of a scenario with its unit, default and range."""
    with failures(debug):
        from tailrace.report.terminal.key_list import key_list
        from tailrace.scenario.reading.keys import rows

        put(key_list(rows(), table))


@app.command()
def parts(
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="A scenario, to list the parts beside it as well.")
    ] = None,
    debug: Debug = False,
) -> None:
    """List the parts that a scenario can take up by name."""
    with failures(debug):
        from tailrace.report.terminal.part_list import part_list
        from tailrace.scenario.reading.parts import catalogue

        put(part_list(catalogue(None if file is None else file.absolute().parent)))


@app.command()
def schema(debug: Debug = False) -> None:
    """Print the JSON Schema of a scenario file."""
    with failures(debug):
        import json

        from tailrace.scenario.reading.schema import schema as scenario_schema

        put(json.dumps(scenario_schema(), indent=2) + "\n")


cli_data.add_to(app)
add_to(app)
add_report_to(app)
add_lesson_to(app)
add_live_to(app)
add_guide_to(app)


def main() -> None:
    """Run the command line; ends the process with an exit code. To be told to end is to be interrupted."""

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, interrupted)
    app(prog_name="tailrace")


def _simulate(
    scenario: Scenario,
    seed: int | None,
    engine: Engine,
    workers: int | None,
    watched: bool,
    until_decided: bool = False,
) -> Result | Conditions:
    from tailrace.answer.run import simulate
    from tailrace.crew.executors import available_cores
    from tailrace.report.terminal.watch import Watch
    from tailrace.study.conditions import conditions

    answer = conditions if scenario.condition else simulate
    with Watch(watched) as watch:
        seen = watch if watched else None
        return answer(scenario, seed, engine.value, workers or available_cores(), seen, until_decided)
