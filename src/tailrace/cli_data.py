"""Verbs about what was recorded or measured: describe a trace, fit a drive to measurements."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from tailrace.terminal import BAD_INPUT, Debug, failures, put, reason, stop

COLUMN = typer.Option(
    "--column",
    metavar="KEY=VALUE",
    help="What a column holds: time=when, time.unit=us, kind.read='[\"get\"]', address=3; may be given several times.",
)
COLUMNS = typer.Option(
    "--columns", metavar="TOML", help="A file with the keys of [workload.columns] instead."
)


def add_to(app: typer.Typer) -> None:
    """Give the command line these verbs."""
    app.command()(profile)


def profile(
    file: Annotated[Path, typer.Argument(metavar="TRACE", help="The recorded file: CSV, plain or gzip.")],
    column: Annotated[list[str] | None, COLUMN] = None,
    columns: Annotated[Path | None, COLUMNS] = None,
    bad_rows: Annotated[
        float,
        typer.Option(min=0.0, max=1.0, metavar="SHARE", help="Largest share of rows that may be left out."),
    ] = 0.0,
    span: Annotated[
        str | None,
        typer.Option(metavar="SIZE", help="What the addresses could reach over, such as '400 GiB'."),
    ] = None,
    write: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a class that resembles the trace, as TOML.")
    ] = None,
    on: Annotated[
        Path | None,
        typer.Option(
            metavar="SCENARIO", help="Simulate trace and resembling class on this scenario's server."
        ),
    ] = None,
    seed: Annotated[
        int, typer.Option(min=0, max=2**63 - 1, metavar="N", help="Seed of these simulations.")
    ] = 1,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document instead of tables.")] = False,
    debug: Debug = False,
) -> None:
    """Describe a recorded trace, and write a class that resembles it."""
    with failures(debug):
        from tailrace.scenario.recorded import recording_of
        from tailrace.scenario.trace_alone import trace_class
        from tailrace.trace.profile import profile as described

        reach = _size(span) if span is not None else None
        workload, table = trace_class(file, columns, column or (), bad_rows)
        found = described(recording_of(workload), reach)
        resembling = None
        if write is not None or on is not None:
            from tailrace.study.resemblance import as_toml
            from tailrace.study.resemblance import resembling as resembles

            try:
                resembling = resembles(found, "trace")
            except ValueError as error:
                stop(BAD_INPUT, f"{file}: {error}; accepted: --column for times and sizes")
        if write is not None and resembling is not None:
            comment = f"Resembles {file.name}: {found.facts.rows} requests."
            try:
                with write.open("x", encoding="utf-8") as opened:
                    opened.write(as_toml(resembling, comment))
            except FileExistsError:
                stop(BAD_INPUT, f"{write}: is there already; nothing was written")
            except OSError as error:
                stop(BAD_INPUT, f"{write}: cannot be written: {reason(error)}")
        likeness = None
        if on is not None and resembling is not None:
            from tailrace.scenario.read import load
            from tailrace.study.resemblance import likeness as simulated

            likeness = simulated(load(on), table, resembling, seed)
        if json:
            from tailrace.report.profile import profile_json

            put(profile_json(file.name, found, likeness))
        else:
            from rich.console import Console

            from tailrace.report.profile import profile_text

            put(profile_text(file.name, found, likeness, Console(highlight=False)))
        if write is not None:
            print(f"tailrace: wrote {write}", file=sys.stderr)


def _size(text: str) -> int:
    from tailrace.errors import UnitError
    from tailrace.units import parse_bytes

    try:
        return parse_bytes(text)
    except UnitError as error:
        stop(BAD_INPUT, f"--span {text}: {error}")
