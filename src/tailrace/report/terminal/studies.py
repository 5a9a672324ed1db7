"""What is in a store: its studies, one in full, or its rows."""

from __future__ import annotations

import json

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from tailrace.crew.store import Study
from tailrace.report.terminal.layout import Footnotes, as_text, fitted, hanging, heading, plain_table


def studies_text(studies: list[Study], tasks: int, console: Console | None = None) -> str:
    """A row a study."""

    def build(_: int) -> tuple[Table, Footnotes]:
        table = plain_table("scenario", "study", "begun (UTC)", "state", "runs", "requests")
        for each in studies:
            table.add_row(
                Text(each.title),
                each.name,
                each.begun[:16],
                "finished" if each.finished else "begun",
                f"{each.tasks:,}",
                f"{each.requests:,}",
            )
        for place in (1, 2, 3):
            table.columns[place].justify = "left"
        return table, Footnotes()

    none = [Text("No study is in it.")]
    count = Text(f"{tasks:,} finished runs in all.")
    return as_text(lambda width: [*(fitted(build, width) if studies else none), Text(), count], console)


def study_text(study: Study, console: Console | None = None) -> str:
    """What a study asked for, and its rows once it was finished."""
    parts: list[RenderableType] = [Text(f"{study.name}: {study.title}", style="bold"), Text()]
    state = (
        f"finished {study.finished}" if study.finished else "not finished: the command that began it goes on"
    )
    parts.append(
        Text(f"Begun {study.begun} UTC, {state}. {study.tasks:,} runs, {study.requests:,} requests.")
    )
    parts += heading("Asked for")
    for key, value in study.asked.items():
        if key not in ("digests", "decided"):
            parts.append(hanging("-", f"{key}: {value if isinstance(value, str) else json.dumps(value)}"))

    def show(width: int) -> list[RenderableType]:
        return [*parts, *heading("Rows"), *_rows(study.rows, width)] if study.rows else parts

    return as_text(show, console)


def exported(study: Study) -> str | None:
    """The rows of a study as CSV; None if it is not finished."""
    import pandas as pd

    if study.rows is None:
        return None
    return pd.DataFrame(study.rows).to_csv(index=False, lineterminator="\n")


def _rows(rows: list[dict[str, object]], width: int) -> list[RenderableType]:
    """As many columns as fit; all of them are in the export."""
    wanted = [name for name in rows[0] if not name.endswith(("_low", "_high")) and name != "unknown"]
    room, chosen = width - 2, list[str]()
    for name in wanted:
        size = max([len(name.rpartition(".")[2]), *(len(_cell(row.get(name))) for row in rows)]) + 2
        if size <= room:
            chosen.append(name)
            room -= size
    table = plain_table(*(name.rpartition(".")[2] for name in chosen))
    for row in rows:
        table.add_row(*(Text(_cell(row.get(name))) for name in chosen))
    return [table]


def _cell(value: object) -> str:
    return "–" if value is None else f"{value:.5g}" if isinstance(value, float) else str(value)
