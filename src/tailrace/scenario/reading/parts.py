"""A catalogue of parts: files of tables that a scenario takes up by name, as in `media = "spinning-7200"`.

A part is a TOML file NAME.toml with a `title` and a table for each place that it can fill: `[media]`, `[lanes]`,
`[controller]`, `[network]`. The keys beside `part` in a scenario's own table hold over those of the part. Parts
are taken up before validation, so a `Scenario` holds resolved values only.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tailrace.errors import Problem
from tailrace.scenario.reading.path import shown_path
from tailrace.scenario.tables.model import KeyPath

PLACES = ("network", "controller", "lanes", "media")
"""Tables of `[server]`, and of each of its pools, that a part can fill."""

MEANING = "Name of a part of the catalogue, whose keys hold unless they are given beside it."
"""What the key `part` is for."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
_SHIPPED = (Path(__file__).parents[1] / "catalogue", Path(__file__).parents[4] / "shared" / "hardware")
"""Where the parts lie that come with the package: in an installed one, and in a checkout."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part: its name, file, text of the file, title, and a table of keys for each place that it fills."""

    name: str
    file: Path
    text: str
    title: str
    tables: dict[str, dict[str, Any]]


@dataclass
class Inclusion:
    """What was taken up: the parts, and the file from which each key came; or the places that could not be filled."""

    parts: dict[str, Part] = field(default_factory=dict)
    origins: dict[KeyPath, str] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    unfilled: list[KeyPath] = field(default_factory=list)


def is_place(path: KeyPath) -> bool:
    """Whether a part may stand at this path, as written in the tables or in the list of keys."""
    return len(path) > 1 and path[0] == "server" and path[-1] in PLACES


def shelves(beside: Path | None) -> list[Path]:
    """The directories in which parts are looked for, in this order: `hardware` beside the scenario file or one
    level up, then what comes with the package.
    """
    own = [] if beside is None else [beside / "hardware", beside.parent / "hardware"]
    shipped = next((directory for directory in _SHIPPED if directory.is_dir()), None)
    return [directory for directory in (*own, shipped) if directory is not None and directory.is_dir()]


def catalogue(beside: Path | None = None) -> list[Part]:
    """All parts that can be read, by name; of two of one name the one that is found first."""
    found: dict[str, Part] = {}
    for directory in shelves(beside):
        for file in sorted(directory.glob("*.toml")):
            if file.stem not in found and _NAME.fullmatch(file.stem):
                part = _read(file)
                if isinstance(part, Part):
                    found[file.stem] = part
    return [found[name] for name in sorted(found)]


def name_alone(data: dict[str, Any]) -> None:
    """Write every `media = "NAME"` as the table `{part = "NAME"}`, so that further keys can be set in it."""
    for table, place, _ in _places(data):
        if isinstance(table[place], str):
            table[place] = {"part": table[place]}


def include(data: dict[str, Any], source: str, beside: Path | None) -> Inclusion:
    """Put the keys of each named part into its table, beside the keys that are there, and take `part` out."""
    name_alone(data)
    done = Inclusion()
    for table, place, path in _places(data):
        own = table[place]
        if not isinstance(own, dict) or "part" not in own:
            continue
        name = own.pop("part")
        part = _find(name, place, beside)
        if isinstance(part, str):
            key, value = (
                shown_path((*path, "part"), data),
                f'"{name}"' if isinstance(name, str) else str(name),
            )
            done.problems.append(Problem(source, key, value, part))
            done.unfilled.append(path)
            continue
        done.parts[part.name] = part
        table[place] = {**part.tables[place], **own}
        done.origins |= {(*path, key): str(part.file) for key in part.tables[place] if key not in own}
    return done


def _places(data: dict[str, Any]) -> Iterator[tuple[dict[str, Any], str, KeyPath]]:
    """Every place that is filled, as the table above it, its key and its path."""
    server = data.get("server")
    if not isinstance(server, dict):
        return
    pools = server.get("pool")
    tables: list[tuple[Any, KeyPath]] = [(server, ("server",))]
    tables += [
        (pool, ("server", "pool", i)) for i, pool in enumerate(pools if isinstance(pools, list) else ())
    ]
    for table, path in tables:
        for place in PLACES:
            if isinstance(table, dict) and place in table:
                yield table, place, (*path, place)


def _find(name: object, place: str, beside: Path | None) -> Part | str:
    """The part of that name, or what is wrong."""
    if not isinstance(name, str):
        return f"not the name of a part; accepted: {_known('', place, beside)}"
    file = next((one for at in shelves(beside) if (one := at / f"{name}.toml").is_file()), None)
    if not _NAME.fullmatch(name) or file is None:
        return f"no such part; accepted: {_known(name, place, beside)}"
    part = _read(file)
    if isinstance(part, str):
        return f"{file} is no part: {part}; accepted: a part in TOML, with a table {_headings()}"
    if place not in part.tables:
        filled = " and ".join(part.tables)
        return f"a part for {filled}, not for {place}; accepted: {_known(name, place, beside)}"
    return part


def _known(name: str, place: str, beside: Path | None) -> str:
    names = [part.name for part in catalogue(beside) if place in part.tables]
    near = difflib.get_close_matches(name.lower(), names, n=1)
    return (", ".join(names) or "no part at all") + (f' (nearest: "{near[0]}")' if near else "")


def _read(file: Path) -> Part | str:
    """A part from its file, or what is wrong with the file."""
    try:
        text = file.read_text(encoding="utf-8-sig")
        tables = tomllib.loads(text)
    except OSError as error:
        return f"cannot be read: {(error.strerror or str(error)).lower()}"
    except (ValueError, RecursionError) as error:
        return f"not TOML: {error}"
    title = tables.pop("title", "")
    for key, table in tables.items():
        if key not in PLACES:
            return f"unknown key {key}"
        if not isinstance(table, dict) or "part" in table:
            return f"{key} is not a table of keys"
    if not tables:
        return "it fills no place"
    return Part(file.stem, file, text, str(title), tables)


def _headings() -> str:
    return ", ".join(f"[{place}]" for place in PLACES[:-1]) + f" or [{PLACES[-1]}]"
