"""Which keys can be turned on a page, by what, and what comes of it?

Only these: single values of server, workload and `run.seed`, and parts of the catalogue by name. Files, names, lists
and lengths of runs are not among them, so nothing of the machine can be reached by a page.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Any

from tailrace import units
from tailrace.errors import Problem, ScenarioError
from tailrace.live.starts import Start
from tailrace.scenario.reading.conditions import setting_too
from tailrace.scenario.reading.dial import Dial
from tailrace.scenario.reading.keys import Shape, field_shape, range_of
from tailrace.scenario.reading.parts import Part, catalogue
from tailrace.scenario.reading.path import quoted
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.model import Model
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.step import SizeShare

Choices = tuple[tuple[str, str], ...]
"""Values among which to choose, each with what is said of it."""

LABELS = {
    "load": "Load",
    "request_size": "Request size",
    "read_share": "Read share",
    "count": "Drives",
    "part": "Kind of drive",
    "queue_depth": "Queue depth",
    "rate": "Rate",
    "clients": "Clients",
    "cores": "Cores",
}
"""What useful keys are called by the last of their names; others go by that name."""

FIRST = tuple(f"media.{name}" if name in ("count", "part") else name for name in LABELS)
"""The ends of the keys that stand in front, as many as there is room for."""
ROOM = 6

LOADS = (0.05, *(place / 10 for place in range(1, 16)), 1.75, 2, 2.5, 3, 4, 5, 7, 10)
SHARES = tuple(place / 20 for place in range(21))
COUNTS = (1, 2, 3, 4, 6, 8, 10, 12, 16, 20, 24, 32, 40, 48, 64, 80, 96, 128, 192, 256, 384, 512, 768, 1024)
SIZES = tuple(2**power for power in range(9, 25))
FACTORS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1, 1.1, 1.2, 1.3, 1.5, 1.75, 2, 2.5, 3, 4, 5, 7, 10)
"""Values of a slider: of the load, a share, a number, the size of requests, and factors of anything else."""
REFUSED = ("run", "condition", "choice", "title", "price", "power", "height", "columns")
"""Tables and keys with nothing to turn on a page."""
SETTLED = ("run.seed",)
"""Keys of refused tables that can be turned all the same."""


@dataclass(frozen=True)
class Control:
    """One key: its ``value`` as text ("" where none is set), and what may stand there, in words.

    ``stops`` are the values of its slider and ``choices`` those of its list, if it has one. ``is_text`` tells a value
    that is written in quotation marks.
    """

    key: str
    label: str
    explanation: str
    accepted: str
    value: str
    stops: tuple[str, ...] = ()
    choices: Choices = ()
    is_text: bool = True

    def setting(self, value: str) -> str:
        """KEY=VALUE, as `Variants` takes it."""
        return f"{self.key}={json.dumps(value, ensure_ascii=False) if self.is_text else value}"

    @property
    def place(self) -> int:
        """Where on its slider the value stands."""
        return self.stops.index(self.value) if self.value in self.stops else 0


def scenario_at(start: Start, settings: Mapping[str, str]) -> Scenario:
    """The scenario of a start with keys set by their controls.

    Raises ScenarioError: a key that has no control, a value that it does not accept, or what does not go together.
    """
    if not settings:
        return start.scenario
    variants = Variants(start.scenario, start.beside)
    shelf = _shelf(start)
    parts = _parts(settings, shelf)
    there = variants.with_keys(parts) if parts else start.scenario
    known = {each.key: each for each in _controls(there, shelf, set(settings))}
    asked = []
    for key, value in settings.items():
        control = known.get(key)
        if control is None:
            raise _refused(key, value, "not a key that this page can set; accepted: those of its controls")
        if control.choices and value not in [choice for choice, _ in control.choices]:
            names = ", ".join(choice for choice, _ in control.choices if choice)
            raise _refused(key, value, f"none of the choices; accepted: {names}")
        if not control.is_text:
            _check_number(control, value)
        if not key.endswith(".part"):
            asked.append(control.setting(value))
    return _in_conditions(variants.with_keys([*parts, *asked]), start, settings)


def _in_conditions(scenario: Scenario, start: Start, settings: Mapping[str, str]) -> Scenario:
    """The scenario with numbers that conditions set for themselves multiplied as those of the scenario are."""
    for key in settings if scenario.condition else ():
        if not key.endswith(".part") and setting_too(scenario, key):
            was, now = (Variants(each, start.beside).value(key) for each in (start.scenario, scenario))
            if isinstance(was, int | float) and isinstance(now, int | float) and was:
                turned = Dial(Variants(start.scenario, start.beside), key).at(now)
                if turned is None:
                    raise _refused(key, settings[key], "does not go with what conditions set for themselves")
                scenario = scenario.model_copy(update={"condition": turned.condition})
    return scenario


def controls_at(start: Start, settings: Mapping[str, str]) -> tuple[Control, ...]:
    """Every control of a start with keys set. Raises as `scenario_at`."""
    return tuple(
        replace(each, value=settings[each.key]) if each.key in settings and each.choices else each
        for each in _controls(scenario_at(start, settings), _shelf(start))
    )


def _shelf(start: Start) -> list[Part]:
    """The parts that are drives."""
    return [part for part in catalogue(start.beside) if "media" in part.tables]


def _refused(key: str, value: str, message: str) -> ScenarioError:
    return ScenarioError([Problem("address", key, json.dumps(value, ensure_ascii=False), message)])


def _check_number(control: Control, value: str) -> None:
    """Whether it is one plain value, and no table or list that would be read as such."""
    if value in ("true", "false"):
        return
    try:
        float(value)
    except ValueError:
        raise _refused(control.key, value, f"not a number; accepted: {control.accepted}") from None


def _parts(settings: Mapping[str, str], shelf: Sequence[Part]) -> list[str]:
    """The settings that choose drives, each with the link that its part has."""
    known = {part.name: part for part in shelf}
    found = []
    for key, name in settings.items():
        if not key.endswith(".media.part"):
            continue
        if name not in known:
            raise _refused(key, name, f"no such drive; accepted: {', '.join(known)}")
        found.append(f'{key}="{name}"')
        if "lanes" in known[name].tables:
            found.append(f'{key.removesuffix("media.part")}lanes.part="{name}"')
    return found


def in_front(controls: Sequence[Control], wanted: Sequence[str] = ()) -> tuple[Control, ...]:
    """The controls that stand in front: those wanted by their keys, or the most useful ones."""
    known = {each.key: each for each in controls}
    if wanted:
        return tuple(known[key] for key in wanted if key in known)
    found: list[Control] = []
    for end in FIRST:
        mine = next(
            (each for each in controls if each.value + str(each.choices) and _ends(each.key, end)), None
        )
        if mine is not None and len(found) < ROOM and (mine.value or mine.choices):
            found.append(mine)
    return tuple(found)


def _ends(key: str, end: str) -> bool:
    if end in ("request_size", "read_share", "queue_depth", "rate", "clients") and not key.startswith(
        "workload."
    ):
        return False
    return key == end or key.endswith(f".{end}")


def _controls(
    scenario: Scenario, shelf: Sequence[Part], keys: Container[str] | None = None
) -> Iterator[Control]:
    """Every control that a scenario has, or those of some keys, in the order of its keys."""
    for key, make in _of(scenario, "", shelf):
        if keys is None or key in keys:
            control = make()
            if control is not None:
                yield control


def _of(
    model: Model, prefix: str, shelf: Sequence[Part]
) -> Iterator[tuple[str, Callable[[], Control | None]]]:
    """Every key, and what makes its control, if it has one."""
    for name, field in model.fields().items():
        value, shape, key = getattr(model, name), field_shape(field), f"{prefix}{quoted(name)}"
        if isinstance(value, Model):
            if name in REFUSED:
                yield from (each for each in _of(value, f"{key}.", shelf) if each[0] in SETTLED)
                continue
            if name == "media" and key.startswith("server."):
                yield f"{key}.part", partial(_drive, f"{key}.part", value, shelf)
            yield from _of(value, f"{key}.", shelf)
        elif name in REFUSED:
            continue
        elif isinstance(value, tuple) and value and all(hasattr(each, "name") for each in value):
            for each in value:
                yield from _of(each, f"{key}.{quoted(each.name)}.", shelf)
        else:
            yield key, partial(_control, key, value, shape, field.description or "")


def _drive(key: str, media: Any, shelf: Sequence[Part]) -> Control:
    """The kind of drive: that of the start, or one of the catalogue."""
    choices = (
        ("", f"as it starts ({media.kind})"),
        *((part.name, part.title or part.name) for part in shelf),
    )
    meaning = "A drive of the catalogue, with its link if it has one, in place of the one that is there."
    return Control(key, _label(key), meaning, "one of the list", "", (), choices)


def _control(key: str, value: Any, shape: Shape, meaning: str) -> Control | None:
    """The control of a single value; None where tables, lists, files or names stand."""
    if shape.alone is not None:
        if isinstance(value, tuple) and len(value) == 1 and isinstance(value[0], SizeShare):
            value = value[0].size
        elif value is not None:
            return None
        shape = shape.alone
    if isinstance(value, tuple) or shape.model is not None or shape.choices:
        return None
    label, accepted = _label(key), range_of(shape)
    if shape.literals:
        if len(shape.literals) < 2:
            return None
        is_text = not all(type(each) is int for each in shape.literals)
        texts = [
            units.write(each, shape.quantity) if shape.quantity else str(each) for each in shape.literals
        ]
        unset = [("", "not set")] if value is None else []
        shown = "" if value is None else units.write(value, shape.quantity) if shape.quantity else str(value)
        choices = (*unset, *((each, each) for each in texts))
        return Control(key, label, meaning, accepted, shown, (), choices, is_text)
    if shape.type is bool:
        shown = "" if value is None else str(value).lower()
        return Control(key, label, meaning, accepted, shown, (), (("true", "yes"), ("false", "no")), False)
    if shape.quantity is None and shape.type not in (int, float):
        return None
    write = _writer(shape)
    stops = [] if value is None else _stops(key.rpartition(".")[2], value, shape)
    shown = "" if value is None else write(value)
    return Control(
        key,
        label,
        meaning,
        accepted,
        shown,
        tuple(dict.fromkeys(map(write, stops))),
        (),
        bool(shape.quantity),
    )


def _writer(shape: Shape) -> Any:
    if shape.quantity:
        return partial(_text_of, dimension=shape.quantity)
    return lambda value: str(value) if isinstance(value, int) else f"{value:.6g}"


@lru_cache(maxsize=10_000)
def _text_of(value: float, dimension: units.Dimension) -> str:
    return units.write(value, dimension)


def _stops(name: str, value: float, shape: Shape) -> list[float]:
    """The values of a slider, the present one among them, all within the bounds of the key."""
    if name == "load":
        found: Sequence[float] = LOADS
    elif name == "request_size":
        found = SIZES
    elif shape.quantity == "size":
        found = [int(value) << power for power in range(7)] + [int(value) >> power for power in range(7)]
    elif shape.quantity:
        found = [float(f"{value * factor:.6g}") for factor in FACTORS]
    elif shape.type is int:
        found = [each for each in COUNTS if each <= max(64, 8 * value)]
    elif shape.bound("le") == 1:
        found = SHARES
    else:
        found = [float(f"{value * factor:.6g}") for factor in FACTORS]
    return sorted({each for each in (*found, value) if _fits(each, shape)})


def _fits(value: float, shape: Shape) -> bool:
    above, least, most, below = (shape.bound(name) for name in ("gt", "ge", "le", "lt"))
    return (
        (above is None or value > above)
        and (least is None or value >= least)
        and (most is None or value <= most)
        and (below is None or value < below)
    )


def _label(key: str) -> str:
    """What a key is called, with the class or the pool that it is of."""
    steps = key.split(".")
    name = LABELS.get(steps[-1], steps[-1].replace("_", " ").capitalize())
    if steps[-1] == "count" and steps[-2] != "media":
        name = "Count"
    owner = steps[1] if steps[0] == "workload" and len(steps) > 2 else ""
    if steps[:2] == ["server", "pool"] and len(steps) > 3:
        owner = f"pool {steps[2]}"
    return f"{name} ({owner})" if owner else name
