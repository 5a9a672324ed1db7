"""The verb that writes a page to hand over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tailrace.cli.failures import BAD_INPUT, EXIT_CODES, Engine, make_directory, put, stop
from tailrace.cli.studies import Condition, EngineChoice, Quiet, Seed, Settings, WorkerCount

if TYPE_CHECKING:
    from tailrace.measure.verdict import Verdict
    from tailrace.scenario.tables.scenario import Scenario


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
            help="Studies to add: any of headroom, relief, choose, with commas between them. Takes longer.",
        ),
    ] = None,
    settings: Settings = None,
    condition: Condition = None,
    seed: Seed = None,
    engine: EngineChoice = Engine.AUTO,
    workers: WorkerCount = None,
    quiet: Quiet = False,
) -> None:
    """Write the answer as one page to hand over.

    Verdict, pictures, every input with its unit, method and cautions, without script or network; several scenarios
    give a comparison.
    """
    from tailrace.crew.executors import available_cores
    from tailrace.measure.verdict import combined
    from tailrace.report.files.answer import write_whole
    from tailrace.report.page.page import report_page
    from tailrace.report.terminal.watch import Watch
    from tailrace.scenario.reading.read import load
    from tailrace.study.account import Account, account
    from tailrace.study.beside import beside, check_extras
    from tailrace.study.compare import compare

    asked = [each.strip() for each in extras.split(",")] if extras else []
    scenarios = [(file, load(file, settings or (), condition)) for file in files]
    check_extras(asked, [each for _, each in scenarios])
    if out.suffix.lower() not in (".html", ".htm") or out.is_dir():
        stop(
            BAD_INPUT,
            f"out is {str(out)!r}; accepted: a file whose name ends in .html, since a page is written",
        )
    make_directory(out.parent)
    how: dict[str, Any] = {"engine": engine.value, "workers": workers or available_cores()}
    if any(each.condition for _, each in scenarios):
        written, verdict = _in_conditions(scenarios, asked, tuple(settings or ()), seed, quiet, how)
        put(f"Wrote {write_whole(out, written)}.\n")
        raise typer.Exit(EXIT_CODES[verdict])
    told: list[Account] = []
    with Watch(not quiet) as watch:
        how["progress"] = watch
        compared, names = None, [file.stem for file, _ in scenarios]
        if len(scenarios) > 1:
            compared = compare(*(each for _, each in scenarios), names=names, seed=seed, **how)
            names, seed = [each.name for each in compared.designs], compared.designs[0].result.seed
        for place, (file, scenario) in enumerate(scenarios):
            source = file.read_text(encoding="utf-8-sig")
            result = None if compared is None else compared.designs[place].result
            given = tuple(settings or ())
            told.append(account(names[place], scenario, source, given, seed=seed, result=result, **how))
    if asked:
        with Watch(not quiet) as watch:
            how["progress"] = watch
            told = [
                replace(each, beside=beside(each.scenario, asked, seed=each.result.seed, **how))
                for each in told
            ]
    page = report_page(told, [str(file) for file in files], asked, compared)
    put(f"Wrote {write_whole(out, page)}.\n")
    raise typer.Exit(EXIT_CODES[combined(each.result.verdict for each in told)])


def _in_conditions(
    scenarios: Sequence[tuple[Path, Scenario]],
    asked: Sequence[str],
    settings: tuple[str, ...],
    seed: int | None,
    quiet: bool,
    how: dict[str, Any],
) -> tuple[str, Verdict]:
    """The page of scenarios with conditions, and the verdict."""
    from tailrace.measure.verdict import combined
    from tailrace.report.page.conditions import ConditionsAccount, conditions_page
    from tailrace.report.terminal.watch import Watch
    from tailrace.study.beside import beside
    from tailrace.study.compare_conditions import compare_conditions
    from tailrace.study.conditions import conditions

    names = [file.stem for file, _ in scenarios]
    compared = None
    with Watch(not quiet) as watch:
        if len(scenarios) > 1:
            given = [each for _, each in scenarios]
            compared = compare_conditions(*given, names=names, seed=seed, progress=watch, **how)
            answers = compared.answers
        else:
            answers = {names[0]: conditions(scenarios[0][1], seed, progress=watch, **how)}
    told = []
    for (name, answer), (file, scenario) in zip(answers.items(), scenarios, strict=True):
        with Watch(not quiet) as watch:
            studies = beside(scenario, asked, seed=answer.seed, progress=watch, **how)
        source = file.read_text(encoding="utf-8-sig")
        told.append(ConditionsAccount(name, scenario, source, settings, answer, studies))
    page = conditions_page(told, [str(file) for file, _ in scenarios], asked, compared)
    return page, combined(each.verdict for each in answers.values())
