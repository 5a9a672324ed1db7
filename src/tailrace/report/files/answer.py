"""The answer as files: one to read, one for programs, and two tables for whoever goes on from there."""

from __future__ import annotations

import os
import shlex
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tailrace.answer.result import Figures, Result, StageTimes, StepResult
from tailrace.measure.interval import IntervalEstimate
from tailrace.quantity import Quantity
from tailrace.report.columns.answer import station_columns, statistics
from tailrace.report.files.documents import Documented, as_json
from tailrace.report.terminal.results import as_text
from tailrace.scenario.reading.toml import comment

if TYPE_CHECKING:
    import pandas as pd

    from tailrace.report.pictures.save import PictureKind


def write_result(
    result: Result,
    directory: str | Path,
    scenario_text: str,
    parts: Mapping[str, str] | None = None,
    pictures: Sequence[PictureKind] = (),
) -> tuple[Path, ...]:
    """Write answer.json, answer.txt, classes.csv, stations.csv and scenario.toml, and return their paths.

    `pictures` are the kinds of files in which latency and time per stage are drawn besides.

    `parts` is the text of each part of the catalogue that the scenario takes up, by name; they are laid into
    `hardware`, where the copy of the scenario finds them. The directory is made if it is not there; files of these
    names in it are replaced. Each file appears whole or not at all.

    Raises:
        OSError: the directory cannot be made, or a file cannot be written.
    """
    tables = {"classes": classes_table(result), "stations": stations_table(result)}
    drawn = _pictures(result, pictures) if pictures else {}
    return write_answer(Path(directory), result, scenario_text, parts or {}, tables, drawn)


def write_answer(
    directory: Path,
    found: Documented,
    scenario_text: str,
    parts: Mapping[str, str],
    tables: Mapping[str, pd.DataFrame],
    pictures: Mapping[str, bytes],
) -> tuple[Path, ...]:
    """An answer, its tables by name, its pictures by file and its scenario with the parts, in files of a directory."""
    directory.mkdir(parents=True, exist_ok=True)
    contents: dict[str, str | bytes] = {"answer.json": as_json(found), "answer.txt": as_text(found)}
    contents |= {
        f"{name}.csv": each.to_csv(index=False, lineterminator="\n") for name, each in tables.items()
    }
    contents["scenario.toml"] = scenario_text
    if parts:
        (directory / "hardware").mkdir(exist_ok=True)
        contents |= {f"hardware/{name}.toml": text for name, text in parts.items()}
    return tuple(write_whole(directory / name, text) for name, text in (contents | dict(pictures)).items())


def _pictures(result: Result, kinds: Sequence[PictureKind]) -> dict[str, bytes]:
    # Here, and not at the top: matplotlib is slow to import.
    from tailrace.report.pictures.distribution import latency_distribution
    from tailrace.report.pictures.save import picture_bytes
    from tailrace.report.pictures.stages import time_per_stage

    drawn = {"latency": latency_distribution(result), "time_per_stage": time_per_stage(result)}
    return {f"{name}.{kind}": picture_bytes(figure, kind) for name, figure in drawn.items() for kind in kinds}


def scenario_copy(text: str, seed: int, overrides: Sequence[str], chosen: Sequence[str] = ()) -> str:
    """The scenario's text, headed by a comment that says how to repeat the answer from this copy.

    ``chosen`` are further options, such as those that choose a condition.
    """
    settings = [part for each in overrides for part in ("--set", each)]
    command = shlex.join(["tailrace", "run", "scenario.toml", *chosen, "--seed", str(seed), *settings])
    return comment(command) + text


def classes_table(result: Result) -> pd.DataFrame:
    """One row a figure of a class, or of a step of its transactions.

    Columns: class, step (empty for all of a request or transaction), kind (all, read, write), sample (all; slowest:
    the slowest 1 %; median: the tenth around the median), stage (empty for the whole request), quantity (with its SI
    unit), statistic, value, low, high, n, method, seed, version, digest.
    A figure that is not known has no value, low and high, and its method says why.
    """
    import pandas as pd

    columns = ["class", "step", "kind", "sample", "stage", "quantity", "statistic", *_ESTIMATE]
    rows = []
    for each in result.classes:
        for kind, figures in (("all", each.all), *each.kinds.items()):
            rows += [{"class": each.name, "kind": kind, **row} for row in _figure_rows(figures)]
        for step in each.steps:
            of_step = {"class": each.name, "step": step.name, "kind": "all"}
            rows += [{**of_step, **row} for row in _step_rows(step)]
    return _identified(pd.DataFrame(rows, columns=columns), result)


def _identified(frame: pd.DataFrame, result: Result) -> pd.DataFrame:
    """A table with seed, version and digest in each row, so that rows of several answers can be put together."""
    return frame.assign(seed=result.seed, version=result.version, digest=result.digest)


def stations_table(result: Result) -> pd.DataFrame:
    """One row a bank of stations, in the order of the answer; shares are of 1, and empty where not known."""
    import pandas as pd

    fields = [each.field for each in station_columns()]
    rows = [[getattr(station, name) for name in fields] for station in result.stations]
    return _identified(pd.DataFrame(rows, columns=fields), result)


_ESTIMATE = ("value", "low", "high", "n", "method")


def _figure_rows(figures: Figures) -> Iterator[dict[str, Any]]:
    yield from _statistic_rows(statistics(figures))
    yield from _stage_rows("all", figures.stages)
    yield from _stage_rows("slowest", figures.slowest_stages)
    yield from _stage_rows("median", figures.median_stages)


def _step_rows(step: StepResult) -> Iterator[dict[str, Any]]:
    yield from _statistic_rows((Quantity(name), each) for name, each in step.latency_s.items())
    slowest = {"sample": "slowest", "quantity": "latency_s", "statistic": "mean"}
    yield {**slowest, **step.slowest_s.as_dict()}
    yield from _stage_rows("all", step.stages)


def _statistic_rows(found: Iterable[tuple[Quantity, IntervalEstimate]]) -> Iterator[dict[str, Any]]:
    for quantity, estimate in found:
        of_latency = {"quantity": "latency_s", "statistic": quantity.statistic}
        row = of_latency if quantity.is_latency else {"quantity": quantity.column, "statistic": "mean"}
        yield {"sample": "all", **row, **estimate.as_dict()}


def _stage_rows(sample: str, stages: Mapping[str, StageTimes]) -> Iterator[dict[str, Any]]:
    for stage, times in stages.items():
        for quantity, estimate in (("wait_s", times.wait_s), ("service_s", times.service_s)):
            row = {"sample": sample, "stage": stage, "quantity": quantity, "statistic": "mean"}
            yield {**row, **estimate.as_dict()}


def write_whole(path: Path, content: str | bytes) -> Path:
    """Write beside the file and move into its place, so that nobody ever sees half of it; returns the path."""
    handle, name = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content.encode() if isinstance(content, str) else content)
            file.flush()
            os.fsync(file.fileno())
        temporary.chmod(0o666 & ~_umask())
        temporary.replace(path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return path


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
