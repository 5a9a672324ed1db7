"""The verb that opens a page which answers while one changes a number."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from tailrace.cli.failures import BAD_INPUT, put, stop
from tailrace.cli.studies import Condition, Settings

NEEDED = ("starlette", "uvicorn")


def live(
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="The scenario; without it only the lessons.")
    ] = None,
    settings: Settings = None,
    condition: Condition = None,
    host: Annotated[
        str,
        typer.Option(metavar="HOST", help="Where to listen; another than this machine needs --allow-others."),
    ] = "127.0.0.1",
    port: Annotated[
        int, typer.Option(min=0, max=65535, metavar="N", help="Which port; 0 takes one that is free.")
    ] = 0,
    at: Annotated[
        str,
        typer.Option("--at", metavar="STATE", help="Begin where an address stood: its part behind the ?."),
    ] = "",
    allow_others: Annotated[
        bool, typer.Option("--allow-others", help="Let in others who have the address, as in a lecture hall.")
    ] = False,
    open_it: Annotated[bool, typer.Option("--open", help="Open it in the browser.")] = False,
) -> None:
    """Open a page that answers while you change a number.

    Closed forms first, then the simulation, its intervals narrowing; Ctrl-C ends it.
    """
    if lacking := [each for each in NEEDED if find_spec(each) is None]:
        stop(
            BAD_INPUT,
            f"a live page needs {' and '.join(lacking)}, which is not installed; install tailrace with its extra "
            "'live'",
        )
    from tailrace.live.serve import serve

    opened = typer.launch if open_it else None
    serve(file, settings or (), condition, host, port, at, allow_others, put, opened)
