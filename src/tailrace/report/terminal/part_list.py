"""The parts of the catalogue, as a list to read."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from tailrace.scenario.reading.parts import PLACES, Part

WIDTH = 80
_INTRODUCTION = """\
Parts that a scenario takes up by name: `media = "NAME"` in [server], or `part =
"NAME"` in [server.media] with further keys that hold over those of the part.
"""


def part_list(parts: Iterable[Part]) -> str:
    """The names of the parts with their titles, under the tables that they fill."""
    rows = {place: [(part.name, part.title) for part in parts_of] for place, parts_of in _by_place(parts)}
    lines = [_INTRODUCTION]
    for place, named in rows.items():
        width = max(len(name) for name, _ in named) + 2
        lines.append(f"[server.{place}]")
        for name, title in named:
            indent = " " * (width + 2)
            lines += textwrap.wrap(f"  {name:<{width}}{title}", WIDTH, subsequent_indent=indent)
        lines.append("")
    return "\n".join(lines)


def _by_place(parts: Iterable[Part]) -> Iterable[tuple[str, list[Part]]]:
    listed = list(parts)
    for place in PLACES:
        filling = [part for part in listed if place in part.tables]
        if filling:
            yield place, filling
