"""Every key that a scenario may have, as a list to read."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable

from tailrace.errors import SettingError
from tailrace.scenario.reading.keys import Key
from tailrace.scenario.tables.flash import DATASHEET

WIDTH = 80
_INTRODUCTION = """\
Each table of a scenario with its keys: kind of value (with a unit, where that
is a time, size or rate), default, meaning, and what is accepted. NAME stands
for the name of a class of [[workload]] or of a [[server.pool]], STAGE for
network, controller or lanes. A pool has lanes, media and layout of its own, in
tables such as [server.pool.lanes] with the keys of [server.lanes].
"""


def key_list(keys: Iterable[Key], wanted: str | None = None) -> str:
    """The keys under the tables to which they belong, each with its kind, default, meaning and range.

    ``wanted`` is one table alone: its name whole, its last part, or what is chosen in it, such as "flash". Raises
    SettingError if there is none.
    """
    tables: dict[str, list[str]] = {}
    names: dict[str, set[str]] = {}
    for key in keys:
        table, _, name = key.path.rpartition(".")
        title = f"[{table}]  {key.when}".rstrip() if table else "Outside of all tables"
        lines = tables.setdefault(title, [title])
        if name == DATASHEET[0] and key.when:
            lines += [
                f"  The {len(DATASHEET)} figures of a datasheet: all of them, and then none of the drive's parts."
            ]
        lines += _lines(name, key)
        names[title] = {
            table,
            table.rpartition(".")[2],
            table.replace(".NAME", ""),
            *re.findall('"(.*?)"', key.when),
        }
    if wanted is not None:
        tables = {
            title: lines for title, lines in tables.items() if wanted.strip("[]") in names[title] - {""}
        }
        if not tables:
            known = ", ".join(
                dict.fromkeys(
                    title[1:].partition("]")[0] for title in names if title[0] == "[" and "[]" not in title
                )
            )
            raise SettingError(f"table is {wanted!r}; accepted: {known}")
    introduction = [] if wanted is not None else [_INTRODUCTION]
    return "\n".join([*introduction, *("\n".join([*lines, ""]) for lines in tables.values())])


def _lines(name: str, key: Key) -> list[str]:
    default = (
        "required" if key.default == "required" else f"default {key.default}" if key.default else "optional"
    )
    first = f"  {name:<20} {key.kind:<14} {default}"
    accepted = f"Accepted: {key.range}." if key.range else ""
    meaning = " ".join(part for part in (key.description, accepted) if part)
    return [first, *textwrap.wrap(meaning, WIDTH, initial_indent=" " * 6, subsequent_indent=" " * 6)]
