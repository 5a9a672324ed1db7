"""From a file to a Scenario."""

from __future__ import annotations

import os
import stat
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, TypeAlias

from tailrace.errors import Problem, ScenarioError, SettingError
from tailrace.scenario.reading import conditions, override, parts
from tailrace.scenario.reading.complaint import Complaint, examine
from tailrace.scenario.tables.model import KeyPath
from tailrace.scenario.tables.scenario import Scenario

LARGEST_FILE_BYTES = 10_000_000

Given: TypeAlias = Scenario | str | os.PathLike[str]
"""A scenario, or the file that holds one."""


def given(scenario: Given) -> Scenario:
    """The scenario itself, or the one that a file holds. Raises ScenarioError as `load`."""
    return scenario if isinstance(scenario, Scenario) else load(scenario)


def named(scenarios: Given | Sequence[Given], names: Sequence[str] | None = None) -> dict[str, Scenario]:
    """Scenarios by name: those given or, without any, titles and names of files; numbered where two are alike.

    Raises:
        SettingError: a ValueError: not as many names as scenarios.
        ScenarioError: as `load`.
    """
    every = [scenarios] if isinstance(scenarios, Scenario | str | os.PathLike) else list(scenarios)
    if names is None:
        names = [each.title if isinstance(each, Scenario) else Path(each).stem for each in every]
    if len(names) != len(every):
        raise SettingError(f"{len(names)} names for {len(every)} scenarios; accepted: one each")
    told = [
        name if names.count(name) == 1 else f"{name} ({place})" for place, name in enumerate(names, start=1)
    ]
    return dict(zip(told, map(given, every), strict=True))


def load(
    path: str | os.PathLike[str], overrides: Sequence[str] = (), condition: str | None = None
) -> Scenario:
    """Read a scenario file.

    Parts that it names are looked for in `hardware` beside the file, in `hardware` one level up, and in the catalogue
    that comes with the package, in this order.

    Args:
        path: a TOML file in UTF-8.
        overrides: KEY=VALUE texts that set keys over the file's, such as `workload.booking.rate="300 /s"`. Those that
            choose a part come first, the others then in their order.
        condition: the name of one of its conditions: the scenario in that one alone.

    Raises:
        ScenarioError: the file cannot be read, or with everything that is wrong in it.
        SettingError: a ValueError: no condition of that name.
    """
    scenario = parse(
        _text(Path(path)), source=str(path), overrides=overrides, beside=Path(path).absolute().parent
    )
    return scenario if condition is None else conditions.only(scenario, condition)


def parse(
    text: str, source: str = "<text>", overrides: Sequence[str] = (), beside: Path | None = None
) -> Scenario:
    """Read a scenario from TOML text; `source` names it in errors. Otherwise as `load`.

    `beside` is the directory in which the text lies; without it parts come from the package alone, and files
    that it names are looked for in the working directory.
    """
    try:
        return _parse(text, source, overrides, beside)
    except RecursionError:
        raise _unreadable(source, "nested too deep") from None


def parts_of(path: str | os.PathLike[str], overrides: Sequence[str] = ()) -> dict[str, str]:
    """The text of every part that a scenario file takes up, by name. Raises as `load`, but for invalid values."""
    data = _tables(_text(Path(path)), str(path))
    _settle(data, [one for one in overrides if override.chooses_part(one)])
    taken = parts.include(data, str(path), Path(path).absolute().parent)
    return {part.name: part.text for part in taken.parts.values()}


def _parse(text: str, source: str, overrides: Sequence[str], beside: Path | None) -> Scenario:
    data = _tables(text, source)
    parts.name_alone(data)
    # Parts before their keys, or a part that is chosen late would not hold under keys that were set early.
    problems, overridden = _settle(data, [one for one in overrides if override.chooses_part(one)])
    taken = parts.include(data, source, beside)
    more, set_later = _settle(data, [one for one in overrides if not override.chooses_part(one)])
    problems += taken.problems + more
    overridden += set_later
    scenario, faults = examine(conditions.switched_on(data), beside)
    for fault in faults:
        if any(fault.path[: len(path)] == path for path in taken.unfilled):
            continue
        problems.append(fault.problem(_origin(fault, source, overridden, taken), data))
    problems += conditions.problems(data, faults, source)
    if scenario is None or problems:
        raise ScenarioError(problems)
    return scenario


def _settle(data: dict[str, Any], overrides: Sequence[str]) -> tuple[list[Problem], list[KeyPath]]:
    """Set keys: what was wrong with that, and the paths that were set."""
    problems: list[Problem] = []
    paths: list[KeyPath] = []
    for one in overrides:
        path, problem = override.apply(data, one)
        problems += [problem] if problem else []
        paths += [path] if path else []
    return problems, paths


def _origin(fault: Complaint, source: str, overridden: Sequence[KeyPath], taken: parts.Inclusion) -> str:
    """The file from which a faulty key came: that of the longest path which leads to it."""
    origins = {**taken.origins, **dict.fromkeys(overridden, override.SOURCE)}
    leading = [fault.path[:depth] for depth in range(len(fault.path), 0, -1)]
    return next((origins[path] for path in leading if path in origins), source)


def _text(path: Path) -> str:
    """The text of a file, without a byte order mark."""
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise _unreadable(path, "a directory")
        if not stat.S_ISREG(mode):
            raise _unreadable(path, "not a regular file")
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise _unreadable(path, f"larger than {LARGEST_FILE_BYTES // 1_000_000} MB")
        content = path.read_bytes()
    except FileNotFoundError:
        raise _unreadable(path, "no such file") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise _unreadable(path, f"cannot be read: {reason.lower()}") from None
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        wrong = f"not UTF-8 text: byte 0x{content[error.start]:02x} at position {error.start}"
        raise _unreadable(path, wrong) from None


def _tables(text: str, source: str) -> dict[str, Any]:
    if not text.strip():
        raise _unreadable(source, "an empty file")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _unreadable(source, f"not TOML: {_lowered(str(error))}") from None
    except ValueError:  # of int(), which tomllib lets through
        raise _unreadable(source, "not TOML: a whole number with thousands of digits") from None


def _lowered(text: str) -> str:
    return text[:1].lower() + text[1:]


def _unreadable(source: object, wrong: str) -> ScenarioError:
    return ScenarioError(
        [Problem(str(source), "", None, f"{wrong}; accepted: a scenario in TOML, as UTF-8 text")]
    )
