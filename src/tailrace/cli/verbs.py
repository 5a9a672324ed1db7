"""The command line: verbs, and nothing but the way from what was typed to the parts that do the work."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tailrace.cli.data import calibrate, profile
from tailrace.cli.failures import (
    EXIT_CODES,
    INTERRUPTED,
    Engine,
    console,
    guarded,
    make_directory,
    picture_kinds,
    put,
    stop,
    write_new,
)
from tailrace.cli.guide import guide
from tailrace.cli.lesson import lesson
from tailrace.cli.live import live
from tailrace.cli.report import report
from tailrace.cli.studies import (
    STUDIES,
    Condition,
    EngineChoice,
    Json,
    Quiet,
    ScenarioFile,
    Seed,
    Settings,
    WorkerCount,
    compare,
    shown,
    studies,
)

if TYPE_CHECKING:
    from tailrace.answer.result import Result
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
) -> None:
    """Simulate a scenario and print what each class will see."""
    from tailrace.answer.run import simulate
    from tailrace.crew.executors import available_cores
    from tailrace.report.terminal.watch import Watch
    from tailrace.scenario.reading.read import load
    from tailrace.study.conditions import conditions

    scenario = load(file, settings or (), condition)
    kinds = picture_kinds(pictures)
    if out is not None:
        text = file.read_text(encoding="utf-8-sig")
        make_directory(out, "answer.json")
    result: Result | Conditions
    stopped = ""
    try:
        answer = conditions if scenario.condition else simulate
        with Watch(not quiet) as watch:
            seen, crew = None if quiet else watch, workers or available_cores()
            result = answer(scenario, seed, engine.value, crew, seen, until_decided)
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


def estimate(
    file: ScenarioFile,
    settings: Settings = None,
    condition: Condition = None,
    json: Json = False,
) -> None:
    """Say what closed forms make of a scenario."""
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
        from tailrace.report.terminal.theory import estimate_text

        put(estimate_text(scenario.title, theory, console()))
    saturation = theory.saturation
    if saturation is not None and saturation.is_exceeded:
        raise typer.Exit(EXIT_CODES["overloaded"])


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
) -> None:
    """Follow the slowest requests from station to station."""
    from tailrace.scenario.reading.read import load
    from tailrace.study.journey import journey as followed

    put(shown(followed(load(file, settings or (), condition), slowest, seed, workload), json))


def new(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="The file to write; it must not be there yet.")
    ],
) -> None:
    """Write a commented scenario to begin with."""
    from tailrace.scenario.reading.starter import starter

    write_new(file, starter())
    put(f"Wrote {file}. Next: tailrace run {file}\n")


def keys(
    table: Annotated[
        str | None,
        typer.Argument(metavar="[TABLE]", help="One table alone: server.media, flash, workload.target."),
    ] = None,
) -> None:
    """List every key of a scenario with its unit, default and range."""
    from tailrace.report.terminal.key_list import key_list
    from tailrace.scenario.reading.keys import rows

    put(key_list(rows(), table))


def parts(
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="A scenario, to list the parts beside it as well.")
    ] = None,
) -> None:
    """List the parts that a scenario can take up by name."""
    from tailrace.report.terminal.part_list import part_list
    from tailrace.scenario.reading.parts import catalogue

    put(part_list(catalogue(None if file is None else file.absolute().parent)))


def schema() -> None:
    """Print the JSON Schema of a scenario file."""
    import json

    from tailrace.scenario.reading.schema import schema as scenario_schema

    put(json.dumps(scenario_schema(), indent=2) + "\n")


_FIRST = (run, estimate, journey, new, keys, parts, schema, profile, calibrate)
for _verb in (*_FIRST, *STUDIES, studies, compare, report, lesson, live, guide):
    app.command()(guarded(_verb))


def main() -> None:
    """Run the command line; ends the process with an exit code. To be told to end is to be interrupted."""

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, interrupted)
    app(prog_name="tailrace")
