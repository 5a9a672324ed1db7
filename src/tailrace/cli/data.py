"""Verbs about what was recorded or measured: describe a trace, fit a drive to measurements."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tailrace.cli.failures import BAD_INPUT, console, put, reason, stop, write_new

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from tailrace.arrays import FloatArray
    from tailrace.trace.segments import Segment

COLUMN = typer.Option(
    "--column",
    metavar="KEY=VALUE",
    help="What a column holds: time=when, time.unit=us, kind.read='[\"get\"]', address=3; may be given several times.",
)
COLUMNS = typer.Option(
    "--columns", metavar="TOML", help="A file with the keys of [workload.columns] instead."
)
POINT_COLUMN = typer.Option(
    "--column",
    metavar="KEY=VALUE",
    help="What a column holds where its heading does not say it: mean='time taken', kind.read='[\"get\"]', size=3.",
)
POINT_COLUMNS = typer.Option("--columns", metavar="TOML", help="A file with such keys instead.")


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
    conditions: Annotated[
        int | None,
        typer.Option(
            min=1,
            max=100,
            metavar="N",
            help="Divide the trace into so many spells, and write a condition for each.",
        ),
    ] = None,
    on: Annotated[
        Path | None,
        typer.Option(
            metavar="SCENARIO", help="Simulate trace and resembling class on this scenario's server."
        ),
    ] = None,
    pool: Annotated[
        str | None, typer.Option(metavar="NAME", help="Pool of that server to use, where it has several.")
    ] = None,
    seed: Annotated[
        int, typer.Option(min=0, max=2**63 - 1, metavar="N", help="Seed of these simulations.")
    ] = 1,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document instead of tables.")] = False,
) -> None:
    """Describe a recorded trace, and write a class that resembles it."""
    from tailrace.scenario.reading.trace_alone import trace_class
    from tailrace.trace.profile import profile as described

    reach = _size(span) if span is not None else None
    workload, table = trace_class(file, columns, column or (), bad_rows)
    found = described(workload.recording, reach)
    resembling = None
    spells: tuple[Segment, ...] = ()
    if conditions is not None:
        from tailrace.fit.resemblance import resembling_day
        from tailrace.trace.segments import segments

        try:
            spells = segments(workload.recording, conditions)
        except ValueError as error:
            stop(BAD_INPUT, f"{file}: {error}")
    if write is not None or on is not None:
        from tailrace.fit.resemblance import resembling as resembles

        try:
            resembling = resembles(found, "trace")
        except ValueError as error:
            stop(BAD_INPUT, f"{file}: {error}; accepted: --column for times and sizes")
    if write is not None and resembling is not None:
        from tailrace.scenario.reading.toml import toml_text

        comment = f"Resembles {file.name}: {found.facts.rows} requests."
        written = {"workload": [resembling]}
        if spells:
            written = resembling_day(found, spells, "trace")
        write_new(write, toml_text(written, comment))
    likeness = None
    if on is not None and resembling is not None:
        from tailrace.fit.resemblance import likeness as simulated
        from tailrace.scenario.reading.read import load

        likeness = simulated(load(on), table, resembling, seed, pool=pool)
    if json:
        from tailrace.report.files.documents import as_json, profile_document

        put(as_json(profile_document(file.name, found, likeness, spells)))
    else:
        from tailrace.report.terminal.profile import profile_text

        put(profile_text(file.name, found, likeness, console(), spells))
    if write is not None:
        _wrote(write)


def _size(text: str) -> int:
    from tailrace.errors import UnitError
    from tailrace.units import parse_bytes

    try:
        return parse_bytes(text)
    except UnitError as error:
        stop(BAD_INPUT, f"--span {text}: {error}")


def calibrate(
    file: Annotated[
        Path, typer.Argument(metavar="MEASURED", help="Measured points, or latencies: CSV, plain or gzip.")
    ],
    media: Annotated[
        str | None,
        typer.Option(
            metavar="KIND",
            help="measured, flash or spinning for points, the best of them if left out; generic for raw latencies.",
        ),
    ] = None,
    start: Annotated[
        Path | None,
        typer.Option(metavar="PART", help="A part with a [media] table to begin at: what is not fitted."),
    ] = None,
    fit: Annotated[
        str | None, typer.Option(metavar="KEY,KEY", help="Parameters to fit, instead of the usual.")
    ] = None,
    column: Annotated[list[str] | None, POINT_COLUMN] = None,
    columns: Annotated[Path | None, POINT_COLUMNS] = None,
    unit: Annotated[
        list[str] | None,
        typer.Option(
            "--unit", metavar="COLUMN=UNIT", help="Unit of a column, such as mean=us; SI if left out."
        ),
    ] = None,
    closed_form: Annotated[
        bool, typer.Option("--closed-form", help="Closed forms only, without simulation.")
    ] = False,
    write: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a part for the catalogue.")
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw measured against fitted (.png, .svg or .pdf).")
    ] = None,
    seed: Annotated[
        int, typer.Option(min=0, max=2**63 - 1, metavar="N", help="Seed of the simulations.")
    ] = 1,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document instead of tables.")] = False,
) -> None:
    """Fit a drive, or a service law, to measurements."""
    units_of = dict(each.split("=", 1) for each in unit or () if "=" in each)
    if len(units_of) < len(unit or ()):
        stop(BAD_INPUT, "--unit: not COLUMN=UNIT; accepted: mean=us and the like")
    _check_outputs(write, picture)
    if media == "generic":
        if column or columns is not None or len(units_of) > 1:
            stop(BAD_INPUT, "--media generic: one column; accepted: --unit COLUMN=UNIT names it")
        _fit_laws(file, units_of, write, picture, json)
    elif media in (None, "measured", "flash", "spinning"):
        settings = [*(column or ()), *(f"{name}.unit={text}" for name, text in units_of.items())]
        _fit_drive(file, media, start, fit, columns, settings, closed_form, write, picture, seed, json)
    else:
        stop(BAD_INPUT, f"--media {media}: unknown; accepted: measured, flash, spinning or generic")


def _fit_drive(
    file: Path,
    kind: str | None,
    start: Path | None,
    fit: str | None,
    columns: Path | None,
    settings: list[str],
    closed_form: bool,
    write: Path | None,
    picture: Path | None,
    seed: int,
    json: bool,
) -> None:
    from tailrace.engine.choice import choose_engine
    from tailrace.fit.by_depth import calibrate_measured
    from tailrace.fit.calibration import FLASH, SPINNING
    from tailrace.fit.calibration import calibrate as fitted_to
    from tailrace.fit.measured import STARTS, media_of, read_points, start_table
    from tailrace.fit.ranking import ranked
    from tailrace.report.files.documents import as_json, calibration_document, ranking_document
    from tailrace.report.terminal import calibration as shown

    for option, given in (("--fit", fit), ("--start", start)):
        if given is not None and kind not in STARTS:
            stop(BAD_INPUT, f"{option}: for drives with parts; accepted: with --media {' or '.join(STARTS)}")
    read = read_points(file, columns, settings)
    names = [each.strip() for each in fit.split(",")] if fit else None
    usual = SPINNING if kind == "spinning" else FLASH
    for name in names or ():
        if name not in usual:
            stop(BAD_INPUT, f"--fit {name}: cannot be fitted; accepted: {', '.join(usual)}")
    engine = None if closed_form else choose_engine("auto", 10**7)
    candidates = None
    try:
        if kind is None:
            starts = {each: media_of(table, each) for each, table in STARTS.items()}
            candidates = ranked(read.points, starts, seed, engine)
            best = candidates[0].fitted
            if best is None:
                raise ValueError(candidates[0].reason)
            found = best
        elif kind == "measured":
            found = calibrate_measured(read.points, seed, engine)
        else:
            drive = media_of(start_table(kind, start), str(start or kind))
            found = fitted_to(drive, read.points, names, seed, engine)
    except ValueError as error:
        accepted = "points with a mean, or with a throughput and a queue_depth"
        if kind in STARTS:
            accepted = "more points, or --fit with fewer parameters"
        stop(BAD_INPUT, f"{file}: {error}; accepted: {accepted}")
    if json and candidates is not None:
        put(as_json(ranking_document(file.name, candidates)))
    elif json:
        put(as_json(calibration_document(file.name, found)))
    else:
        if candidates is not None:
            put(shown.ranking_text(file.name, candidates, console()))
        put(shown.calibration_text(file.name, found, read.unused, console()))
    if write is not None:
        write_new(write, shown.fitted_part(file.name, found))
        _wrote(write)
    if picture is not None:
        from tailrace.report.pictures.fitted import fitted_drive

        _drawn(picture, fitted_drive(found))


def _fit_laws(
    file: Path, units_of: dict[str, str], write: Path | None, picture: Path | None, json: bool
) -> None:
    from tailrace.fit.law_fit import fit_laws
    from tailrace.report.files.documents import as_json, laws_document
    from tailrace.report.terminal import calibration as shown
    from tailrace.scenario.reading.toml import toml_text

    name, unit = next(iter(units_of.items()), (None, "s"))
    values = measured_latencies(file, unit, name)
    try:
        laws = fit_laws(values)
    except ValueError as error:
        stop(BAD_INPUT, f"{file}: {error}; accepted: a column of latencies")
    if json:
        put(as_json(laws_document(file.name, laws)))
    else:
        put(shown.laws_text(file.name, laws, values.size, console()))
    if write is not None:
        best = next(law for law in laws if law.service is not None)
        media = {"kind": "generic", "service": best.service}
        write_new(write, toml_text({"title": f"drives with the latencies of {file.name}", "media": media}))
        _wrote(write)
    if picture is not None:
        from tailrace.report.pictures.fitted import fitted_laws

        _drawn(picture, fitted_laws(laws, values))


def measured_latencies(file: Path, unit: str, column: str | None = None) -> FloatArray:
    """Measured latencies in seconds: a column of a file, by its heading or in ``unit`` before an =, or the only one."""
    from tailrace.errors import TraceError, UnitError
    from tailrace.scenario.reading.point_columns import wrong_for_latencies
    from tailrace.trace.mapping import FileColumn
    from tailrace.trace.values import measured_values
    from tailrace.units import parse

    if column is None and "=" in unit:
        column, unit = unit.split("=", 1)
    try:
        scale = parse(f"1 {unit}", "time")
    except UnitError as error:
        stop(BAD_INPUT, f"--unit {unit}: {error}")
    wrong = wrong_for_latencies(file, column)
    if wrong is not None:
        raise TraceError(str(file), [wrong])
    return measured_values(file, FileColumn(column, None if column else 1, scale))


def _check_outputs(write: Path | None, picture: Path | None) -> None:
    """What would stop the writing is said before the work."""
    from tailrace.report.pictures.save import KINDS

    if write is not None and write.exists():
        stop(BAD_INPUT, f"{write}: is there already; nothing was written")
    if picture is not None and picture.suffix.lower() not in (f".{kind}" for kind in KINDS):
        accepted = " or ".join(f".{kind}" for kind in KINDS)
        stop(
            BAD_INPUT,
            f"--picture {picture}: no such kind of picture; accepted: a name that ends in {accepted}",
        )


def _drawn(path: Path, figure: Figure) -> None:
    from tailrace.report.pictures.save import save

    try:
        save(figure, path)
    except ValueError as error:
        stop(BAD_INPUT, f"--picture: {error}")
    except OSError as error:
        stop(BAD_INPUT, f"{path}: cannot be written: {reason(error)}")
    _wrote(path)


def _wrote(path: Path) -> None:
    print(f"tailrace: wrote {path}", file=sys.stderr)
