"""What is in a store: its studies, one in full, or its rows."""

from __future__ import annotations

import json
from typing import Any

from rich.console import Console, RenderableType
from rich.text import Text

from tailrace.crew.store import Study
from tailrace.report.table import Column, Head, Table, table_of
from tailrace.report.terminal.layout import heading, listed, shown, text_of

STUDIES: tuple[Column[Study], ...] = (
    Column(Head("scenario", "name"), lambda each: each.title),
    Column(Head("study", "text"), lambda each: each.name),
    Column(Head("begun (UTC)", "text"), lambda each: each.begun[:16]),
    Column(Head("state", "text"), lambda each: "finished" if each.finished else "begun"),
    Column(Head("runs"), lambda each: f"{each.tasks:,}"),
    Column(Head("requests"), lambda each: f"{each.requests:,}"),
)
"""What is known of a study in a store."""


def studies_text(studies: list[Study], tasks: int, console: Console | None = None) -> str:
    """A row a study."""

    def show(width: int) -> list[RenderableType]:
        none = [Text("No study is in it.")]
        every = shown(table_of(STUDIES, studies), width) if studies else none
        return [*every, Text(), Text(f"{tasks:,} finished runs in all.")]

    return text_of(show, console)


def study_text(study: Study, console: Console | None = None) -> str:
    """What a study asked for, and its rows once it was finished."""
    parts: list[RenderableType] = [Text(f"{study.name}: {study.title}", style="bold"), Text()]
    state = (
        f"finished {study.finished}" if study.finished else "not finished: the command that began it goes on"
    )
    parts.append(
        Text(f"Begun {study.begun} UTC, {state}. {study.tasks:,} runs, {study.requests:,} requests.")
    )
    asked = {key: value for key, value in study.asked.items() if key not in ("digests", "decided")}
    parts += listed(
        "Asked for",
        [f"{key}: {value if isinstance(value, str) else json.dumps(value)}" for key, value in asked.items()],
    )

    def show(width: int) -> list[RenderableType]:
        return [*parts, *heading("Rows"), *_rows(study.rows, width)] if study.rows else parts

    return text_of(show, console)


def exported(rows: list[dict[str, Any]]) -> str:
    """The rows of a study as CSV."""
    import pandas as pd

    return pd.DataFrame(rows).to_csv(index=False, lineterminator="\n")


def _rows(rows: list[dict[str, object]], width: int) -> list[RenderableType]:
    """As many columns as fit; all of them are in the export."""
    wanted = [name for name in rows[0] if not name.endswith(("_low", "_high")) and name != "unknown"]
    room, chosen = width - 2, list[str]()
    for name in wanted:
        size = max([len(name.rpartition(".")[2]), *(len(_cell(row.get(name))) for row in rows)]) + 2
        if size <= room:
            chosen.append(name)
            room -= size
    heads = [name.rpartition(".")[2] for name in chosen]
    return shown(Table.of(heads, [[_cell(row.get(name)) for name in chosen] for row in rows]), width)


def _cell(value: object) -> str:
    return "–" if value is None else f"{value:.5g}" if isinstance(value, float) else str(value)
