"""An answer with conditions as files: the whole, and a table of every class in every condition."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from tailrace.answer.result import Result
from tailrace.answer.together import OVER_ALL
from tailrace.report.files.answer import classes_table, stations_table, write_answer
from tailrace.study.conditions import Conditions

if TYPE_CHECKING:
    import pandas as pd

    from tailrace.report.pictures.save import PictureKind


def write_conditions(
    found: Conditions,
    directory: str | Path,
    scenario_text: str,
    parts: Mapping[str, str] | None = None,
    pictures: Sequence[PictureKind] = (),
) -> tuple[Path, ...]:
    """Write answer.json, answer.txt, classes.csv, stations.csv and scenario.toml as of a single answer; returns paths.

    The tables have a column ``condition``, which says "all conditions" for figures over all. `pictures` are the kinds
    of files in which the conditions are drawn. Otherwise as `write_result`.

    Raises:
        OSError: the directory cannot be made, or a file cannot be written.
    """
    drawn = {}
    if pictures:
        # Here, and not at the top: matplotlib is slow to import.
        from tailrace.report.pictures.conditions import conditions_picture
        from tailrace.report.pictures.save import picture_bytes

        figure = conditions_picture(found)
        drawn = {f"conditions.{kind}": picture_bytes(figure, kind) for kind in pictures}
    tables = {"classes": conditions_table(found), "stations": _stations(found)}
    return write_answer(Path(directory), found, scenario_text, parts or {}, tables, drawn)


def conditions_table(found: Conditions) -> pd.DataFrame:
    """One row a figure of a class in a condition, or over all of them: `classes_table` with a column ``condition``."""
    first = found.conditions[0].result
    answers = [(each.name, each.result) for each in found.conditions]
    answers += [(OVER_ALL, _over_all(found, first))] if found.classes else []
    return _joined({name: classes_table(result) for name, result in answers})


def _over_all(found: Conditions, first: Result) -> Result:
    return replace(first, classes=found.classes, digest=found.digest, overload=None)


def _stations(found: Conditions) -> pd.DataFrame:
    return _joined({each.name: stations_table(each.result) for each in found.conditions})


def _joined(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Tables by condition as one, the condition in front."""
    import pandas as pd

    frames = [each.assign(condition=name) for name, each in tables.items()]
    table = pd.concat([each for each in frames if len(each)] or frames[:1], ignore_index=True)
    return table[["condition", *(name for name in table.columns if name != "condition")]]
