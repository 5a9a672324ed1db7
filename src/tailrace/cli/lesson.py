"""The verb that gives a lesson."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tailrace.cli.failures import BAD_INPUT, Engine, make_directory, picture_kinds, put, stop
from tailrace.cli.studies import EngineChoice, Settings


def lesson(
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="Which one; without it they are listed.")
    ] = None,
    out: Annotated[Path | None, typer.Option(metavar="DIR", help="Where to write page and pictures.")] = None,
    pictures: Annotated[
        str, typer.Option(metavar="LIST", help="Kinds of pictures beside the page: png, svg, pdf, or none.")
    ] = "png,svg",
    seed: Annotated[int, typer.Option(min=0, max=2**63 - 1, metavar="N", help="Seed of all runs.")] = 7,
    engine: EngineChoice = Engine.AUTO,
    settings: Settings = None,
    scenarios: Annotated[
        bool, typer.Option("--scenarios", help="Also write the scenarios of its runs, to go on from.")
    ] = False,
) -> None:
    """Give a lesson: a page and pictures from runs."""
    from tailrace.lessons import LESSONS

    if name is None:
        longest = max(len(each) for each in LESSONS)
        put("".join(f"{each:<{longest}}  {title}\n" for each, title in LESSONS.items()))
        return
    if name not in LESSONS:
        stop(BAD_INPUT, f"lesson is {name!r}; accepted: {', '.join(LESSONS)}")
    if out is None:
        stop(BAD_INPUT, "--out is missing; accepted: a directory for page and pictures")
    kinds = picture_kinds(pictures)
    make_directory(out)
    from tailrace.lessons.give import give
    from tailrace.lessons.trials import Trials
    from tailrace.report.files.answer import write_whole

    trials = Trials(seed, engine.value, settings=tuple(settings or ()))
    files = give(name, trials, kinds)
    if strange := [each for each in trials.settings if each not in trials.taken]:
        stop(
            BAD_INPUT,
            f"set is {strange[0]!r}: no scenario of this lesson has that key; accepted: a key of one, see "
            "--scenarios",
        )
    if scenarios:
        files |= {f"{name}-{place:02}.toml": text for place, text in enumerate(trials.scenarios, 1)}
    for file, content in files.items():
        put(f"Wrote {write_whole(out / file, content)}.\n")
