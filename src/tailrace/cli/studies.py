"""The verbs that make many runs: sweep, headroom and relief, and studies for what they kept."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Protocol

import typer

from tailrace.cli.data import measured_latencies
from tailrace.cli.failures import (
    EXIT_CODES,
    FAILURE,
    Engine,
    console,
    make_directory,
    put,
    stop,
    with_options,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from pandas import DataFrame

    from tailrace.measure.verdict import Verdict
    from tailrace.report.files.documents import Documented
    from tailrace.study.choose import Choice
    from tailrace.study.session import How
    from tailrace.study.sweep import Sweep

Settings = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="KEY=VALUE", help="Set a key over the file's; may be given several times."),
]
Condition = Annotated[
    str | None,
    typer.Option("--condition", metavar="NAME", help="One of the scenario's conditions alone."),
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of tables.")]
Seed = Annotated[
    int | None, typer.Option(min=0, max=2**63 - 1, metavar="N", help="Seed, over the scenario's.")
]
StoreFile = Annotated[
    Path | None,
    typer.Option("--store", metavar="FILE", help="Keep every finished run here, and go on from it."),
]
WorkerCount = Annotated[
    int | None,
    typer.Option("--workers", min=1, metavar="N", help="Number of processes; by default one for each core."),
]
Scheduler = Annotated[
    str | None,
    typer.Option(metavar="ADDRESS", help="Address of a running Dask scheduler, instead of processes."),
]
Out = Annotated[
    Path | None,
    typer.Option(metavar="DIR", help="Also write tables and pictures as files into this directory."),
]
EngineChoice = Annotated[Engine, typer.Option(help="Who simulates.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="Show no progress.")]
ScenarioFile = Annotated[Path, typer.Argument(metavar="FILE", help="The scenario, in TOML.")]


class Rule(StrEnum):
    """How far a key can grow: by simulation, or by plain division."""

    SIMULATED = "simulated"
    PLAIN = "plain"


def shown(found: Documented, json: bool) -> str:
    """A result as it is put on the terminal."""
    from tailrace.report.files.documents import as_json
    from tailrace.report.terminal.results import as_text

    return as_json(found) if json else as_text(found, console())


class _Found(Protocol):
    """What a study finds."""

    @property
    def verdict(self) -> Verdict: ...

    @property
    def table(self) -> DataFrame: ...

    def as_dict(self) -> dict[str, Any]: ...


@dataclass(frozen=True)
class _Options:
    """What the options of all studies say: keys to set, a condition alone, and how to carry a study out.

    ``began`` is when the command did, by `time.perf_counter`.
    """

    settings: Sequence[str]
    condition: str | None
    began: float
    how: How


def _study(
    verb: Callable[..., _Found], pictures: Callable[..., dict[str, Figure]] | None = None
) -> Callable[..., None]:
    """The command of a verb that makes a study: with the options of all studies behind its own.

    What it finds is shown, and kept in ``--out`` where that is given, with ``pictures`` of it; its verdict is the exit
    code.
    """

    def carry_out(
        settings: Settings = None,
        condition: Condition = None,
        store: StoreFile = None,
        json: Json = False,
        seed: Seed = None,
        out: Out = None,
        engine: EngineChoice = Engine.AUTO,
        workers: WorkerCount = None,
        scheduler: Scheduler = None,
        quiet: Quiet = False,
        **own: Any,
    ) -> None:
        began = time.perf_counter()  # before all that is slow to import
        from tailrace.crew.executors import available_cores
        from tailrace.report.files.study import write_study
        from tailrace.report.terminal.watch import Watch

        if out is not None:
            make_directory(out)
        with Watch(not quiet) as watch:
            how: How = {
                "seed": seed,
                "store": store,
                "workers": workers or available_cores(),
                "scheduler": scheduler,
                "engine": engine.value,
                "progress": watch,
            }
            found = verb(**own, options=_Options(settings or (), condition, began, how))
        put(shown(found, json))
        if out is not None:
            from tailrace.report.terminal.results import as_text

            document = shown(found, json=True)
            drawn = pictures(found) if pictures else None
            write_study(out, verb.__name__, as_text(found), found.table, document, drawn)
        raise typer.Exit(EXIT_CODES[found.verdict])

    return with_options(carry_out, verb)


def sweep(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="The scenario, or several to compare.")
    ],
    vary: Annotated[
        list[str],
        typer.Option(
            "--vary",
            metavar="KEY=LIST",
            help="Values of a key: 1,2,4,8 or 1..512 by *2 or 10..100 by 10 or 10%..105% of saturation; the first "
            "key is the x axis of the picture, the others make its lines.",
        ),
    ],
    together: Annotated[
        bool, typer.Option("--together", help="Take the lists in step instead of all combinations.")
    ] = False,
    budget: Annotated[
        str | None,
        typer.Option(metavar="TIME", help='Shorten the runs so that all take about so long: "2 min".'),
    ] = None,
    *,
    options: _Options,
) -> _Found:
    """Vary keys, and show throughput and latency over them."""
    from tailrace.scenario.reading.read import load
    from tailrace.study.sweep import sweep as swept

    scenarios = [load(file, options.settings, options.condition) for file in files]
    names = [file.stem for file in files]
    return swept(
        scenarios, vary, together=together, budget=budget, began=options.began, names=names, **options.how
    )


def _sweep_pictures(found: Sweep) -> dict[str, Figure]:
    from tailrace.report.pictures.sweep import sweep_picture

    return {name: sweep_picture(found, name) for name in found.class_names}


def headroom(
    file: ScenarioFile,
    grow: Annotated[str, typer.Option(metavar="KEY", help="The key to grow; what is a resource is shrunk.")],
    rule: Annotated[
        Rule, typer.Option(help="Simulated under the targets, or the plain division of the drives' rate.")
    ] = Rule.SIMULATED,
    *,
    options: _Options,
) -> _Found:
    """Find how far a key can grow before a target is missed."""
    from tailrace.scenario.reading.read import load
    from tailrace.study.headroom import headroom as found

    return found(load(file, options.settings, options.condition), grow, rule=rule.value, **options.how)


def relief(file: ScenarioFile, *, options: _Options) -> _Found:
    """Show what would mend a target, and what could be saved."""
    from tailrace.scenario.reading.read import load
    from tailrace.study.relief import relief as found

    return found(load(file, options.settings, options.condition), **options.how)


def choose(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="The scenario, or several families of designs.")
    ],
    vary: Annotated[
        list[str] | None,
        typer.Option(
            "--vary",
            metavar="KEY=LIST",
            help="Values of a key, as for sweep; every combination is a design. Without any, those of the file's "
            "choice table.",
        ),
    ] = None,
    least: Annotated[
        str | None,
        typer.Option(
            metavar="WHAT",
            help='What shall be least: price, power, height, a key, or "price + 4 years at 0.25 per kWh".',
        ),
    ] = None,
    capacity: Annotated[
        str | None, typer.Option(metavar="SIZE", help="What the drives must hold at least, redundancy apart.")
    ] = None,
    *,
    options: _Options,
) -> _Found:
    """Find the least design that keeps every promise."""
    from tailrace.scenario.reading.read import load
    from tailrace.study.choose import choose as found

    scenarios = [load(file, options.settings) for file in files]
    names = [file.stem for file in files]
    return found(scenarios, vary or (), least=least, capacity=capacity, names=names, **options.how)


def _choice_pictures(found: Choice) -> dict[str, Figure]:
    from tailrace.report.pictures.choice import choice_picture

    return {"front": choice_picture(found)}


def compare(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE FILE...", help="Two scenarios or more; the first is the measure."),
    ],
    settings: Settings = None,
    condition: Condition = None,
    json: Json = False,
    seed: Seed = None,
    engine: EngineChoice = Engine.AUTO,
    workers: WorkerCount = None,
    measured: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Measured latencies (CSV): how far each design's lie from them."),
    ] = None,
    unit: Annotated[
        str,
        typer.Option(metavar="UNIT", help="Unit of what was measured, or COLUMN=UNIT of several columns."),
    ] = "s",
    quiet: Quiet = False,
) -> None:
    """Compare designs on the same requests."""
    from tailrace.crew.executors import available_cores
    from tailrace.report.terminal.watch import Watch
    from tailrace.scenario.reading.read import load
    from tailrace.study.compare import compare
    from tailrace.study.compare_conditions import compare_conditions

    scenarios = [load(file, settings or (), condition) for file in files]
    compared = compare_conditions if any(each.condition for each in scenarios) else compare
    values = None if measured is None else measured_latencies(measured, unit)
    with Watch(not quiet) as watch:
        found = compared(
            *scenarios,
            names=[file.stem for file in files],
            seed=seed,
            engine=engine.value,
            workers=workers or available_cores(),
            progress=None if quiet else watch,
        )
    put(shown(found, json))
    if values is not None:
        from tailrace.fit.latencies import distances
        from tailrace.report.terminal.calibration import distances_text

        apart = distances(scenarios, [file.stem for file in files], values, seed)
        text = distances_text(apart, console())
        print(text, end="", file=sys.stderr if json else sys.stdout)
    raise typer.Exit(EXIT_CODES[found.verdict])


def studies(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The store, as --store wrote it.")],
    show: Annotated[
        str | None, typer.Option(metavar="NAME", help="Show what a study asked, and its table.")
    ] = None,
    export: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Print the rows of a study as CSV, those of an unfinished sweep as far as they are.",
        ),
    ] = None,
    delete: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Delete a study, and the runs that no other study uses."),
    ] = None,
) -> None:
    """List the studies in a store; show, export or delete one."""
    from tailrace.crew.store import Store
    from tailrace.report.terminal.studies import exported, studies_text, study_text
    from tailrace.study.unfinished import unfinished_rows

    with Store(file, must_exist=True) as store:
        if delete is not None:
            name = store.study(delete).name
            put(f"Deleted {name} and {store.delete(name)} runs.\n")
        elif export is not None:
            study = store.study(export)
            rows = study.rows or unfinished_rows(store, study)
            if not rows:
                said = "not finished yet, and nothing of it can be shown; the command that began it goes on"
                stop(FAILURE, f"{export}: {said}")
            if study.rows is None:
                count = f"{len(rows)} row{'s' * (len(rows) > 1)}"
                said = f"{export}: not finished yet: {count} as far as its runs are, without verdicts"
                print(f"tailrace: {said}", file=sys.stderr)
            put(exported(rows))
        elif show is not None:
            put(study_text(store.study(show), console()))
        else:
            put(studies_text(store.studies(), store.task_count(), console()))


STUDIES = (_study(sweep, _sweep_pictures), _study(headroom), _study(relief), _study(choose, _choice_pictures))
"""The verbs that keep what they found in ``--store`` and ``--out``."""
