"""The verb that writes a page to hand over."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tailrace.cli.failures import BAD_INPUT, EXIT_CODES, Debug, Engine, failures, make_directory, put, stop
from tailrace.cli.studies import EngineChoice, Quiet, Seed, Settings, WorkerCount


def add_to(app: typer.Typer) -> None:
    """Give the command line this verb."""
    app.command()(report)


def report(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="The scenario, or several to compare.")
    ],
    out: Annotated[
        Path, typer.Option(metavar="FILE.html", help="The page to write; replaced if it is there.")
    ],
    extras: Annotated[
        str | None,
        typer.Option(
            "--with",
            metavar="LIST",
            help="Studies to add: headroom, relief, or headroom,relief. Takes longer.",
        ),
    ] = None,
    settings: Settings = None,
    seed: Seed = None,
    engine: EngineChoice = Engine.AUTO,
    workers: WorkerCount = None,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Write the answer as one page to hand over.

    Verdict, pictures, every input with its unit, method and cautions, without script or network; several scenarios
    give a comparison.
    """
    with failures(debug):
        from tailrace.crew.executors import available_cores
        from tailrace.measure.verdict import combined
        from tailrace.report.files.answer import write_whole
        from tailrace.report.page.page import report_page
        from tailrace.report.terminal.watch import Watch
        from tailrace.scenario.reading.read import load
        from tailrace.study.account import EXTRAS, Account, account, with_studies

        asked = [each.strip() for each in extras.split(",")] if extras else []
        if strange := [each for each in asked if each not in EXTRAS]:
            stop(BAD_INPUT, f"with is {strange[0]!r}; accepted: {', '.join(EXTRAS)}")
        scenarios = [(file, load(file, settings or ())) for file in files]
        if out.suffix.lower() not in (".html", ".htm") or out.is_dir():
            stop(
                BAD_INPUT,
                f"out is {str(out)!r}; accepted: a file whose name ends in .html, since a page is written",
            )
        make_directory(out.parent)
        told: list[Account] = []
        with Watch(not quiet) as watch:
            for file, scenario in scenarios:
                chosen = seed if seed is not None or not told else told[0].result.seed
                found = account(
                    file.stem,
                    scenario,
                    file.read_text(encoding="utf-8-sig"),
                    tuple(settings or ()),
                    seed=chosen,
                    engine=engine.value,
                    workers=workers or available_cores(),
                    progress=watch,
                )
                told.append(found)
        if asked:
            crew = workers or available_cores()
            with Watch(not quiet) as display:
                told = [
                    with_studies(each, asked, engine=engine.value, workers=crew, progress=display)
                    for each in told
                ]
        page = report_page(told, [str(file) for file in files], asked)
        put(f"Wrote {write_whole(out, page)}.\n")
        raise typer.Exit(EXIT_CODES[combined(each.result.verdict for each in told)])
