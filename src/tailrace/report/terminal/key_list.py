"""Every key that a scenario may have, as a list to read."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from tailrace.scenario.reading.keys import Key

WIDTH = 80
_INTRODUCTION = """\
Each table of a scenario with its keys: kind of value (with a unit, where that
is a time, size or rate), default, meaning, and what is accepted. NAME stands
for the name of a class of [[workload]] or of a [[server.pool]], STAGE for
network, controller or lanes. A pool has lanes, media and layout of its own, in
tables such as [server.pool.lanes] with the keys of [server.lanes].
"""


def key_list(keys: Iterable[Key]) -> str:
    """The keys under the tables to which they belong, each with its kind, default, meaning and range."""
    tables: dict[str, list[str]] = {}
    for key in keys:
        table, _, name = key.path.rpartition(".")
        title = f"[{table}]  {key.when}".rstrip() if table else "Outside of all tables"
        tables.setdefault(title, [title]).extend(_lines(name, key))
    return "\n".join([_INTRODUCTION, *("\n".join([*lines, ""]) for lines in tables.values())])


def _lines(name: str, key: Key) -> list[str]:
    default = (
        "required" if key.default == "required" else f"default {key.default}" if key.default else "optional"
    )
    first = f"  {name:<20} {key.kind:<14} {default}"
    accepted = f"Accepted: {key.range}." if key.range else ""
    meaning = " ".join(part for part in (key.description, accepted) if part)
    return [first, *textwrap.wrap(meaning, WIDTH, initial_indent=" " * 6, subsequent_indent=" " * 6)]
