"""Which values shall a key take? Lists, ranges, and shares of what saturates the server, as written on one line."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from tailrace import units
from tailrace.errors import SettingError, UnitError
from tailrace.scenario.reading.dial import Dial, Value
from tailrace.scenario.reading.keys import Shape
from tailrace.scenario.reading.variant import Variants

MOST_VALUES = 10_000
PARTS = 10
"""Values in a range of quantities without a step, both ends included."""

ACCEPTED = (
    "a list (1,2,4,8), a range (1..512 by *2, 10..100 by 10, 50 us..1 ms by 50 us) or shares of what saturates the "
    "server (10%..105% of saturation)"
)

Saturating = Callable[[Dial], float | None]
"""The value of a key at which the closed form says that a server saturates; None where none does."""


@dataclass(frozen=True)
class Setting:
    """One value of a key: in SI (or a text), and ``override``, the text KEY=VALUE that sets it."""

    key: str
    value: Value
    override: str

    @property
    def text(self) -> str:
        """The value as it is written."""
        return self.override.partition("=")[2].strip('"')


@dataclass(frozen=True)
class Axis:
    """What one ``--vary KEY=LIST`` asks for, not yet resolved against a scenario."""

    key: str
    written: str

    @classmethod
    def of(cls, text: str) -> Axis:
        """From KEY=LIST. Raises SettingError."""
        key, equals, values = text.partition("=")
        if not equals or not key.strip() or not values.strip():
            raise SettingError(f"vary is {text!r}; accepted: KEY=LIST, where LIST is {ACCEPTED}")
        return cls(key.strip(), values.strip())

    def settings(self, variants: Variants, saturating: Saturating) -> tuple[Setting, ...]:
        """The values for one scenario. Raises SettingError or ScenarioError."""
        dial = Dial(variants, self.key)
        values = self._values(dial, saturating)
        if len(values) > MOST_VALUES:
            raise SettingError(
                f"vary {self.key} asks for {len(values)} values; accepted: at most {MOST_VALUES}"
            )
        return tuple(Setting(self.key, value, dial.setting(value)) for value in values)

    def _values(self, dial: Dial, saturating: Saturating) -> list[Value]:
        shares = re.fullmatch(r"(.*)\bof saturation\b(.*)", self.written)
        if shares is None:
            return _listed(self.key, self.written, dial.shape, dial.takes_numbers)
        edge = saturating(dial)
        if edge is None:
            raise SettingError(
                f"vary {self.key} asks for shares of saturation, but nothing saturates by it; accepted: other values"
            )
        percents = _listed(self.key, f"{shares[1]}{shares[2]}".replace("%", ""), Shape(float, ()), True)
        values: list[Value] = []
        for percent in percents:
            value = float(percent) / 100 * edge
            values.append(max(round(value), 1) if dial.shape.type is int else float(f"{value:.6g}"))
        return list(dict.fromkeys(values))


def _listed(key: str, text: str, shape: Shape, is_number: bool) -> list[Value]:
    spread = re.fullmatch(r"(?P<first>.+?)\.\.(?P<last>.+?)(?:\s+by\s+(?P<step>.+))?", text.strip())
    if spread and is_number:
        return _spread(key, spread["first"], spread["last"], spread["step"], shape)
    parts = [part for part in _split(text) if part]
    if not parts:
        raise SettingError(f"vary {key} has no value; accepted: {ACCEPTED}")
    return [_value(key, part, shape) if is_number else part.strip("\"'") for part in parts]


def _split(text: str) -> list[str]:
    """At commas outside of quotes."""
    return [part.strip() for part in re.findall(r"""((?:"[^"]*"|'[^']*'|[^,])+)""", text)]


def _spread(key: str, first: str, last: str, step: str | None, shape: Shape) -> list[Value]:
    unit = re.sub(r"^[^A-Za-z/µμ]*", "", last.strip().strip("\"'"))
    if shape.quantity and re.fullmatch(r"[0-9._eE+-]+", first.strip()):
        first = f"{first.strip()} {unit}"
    low, high = (_exact(key, each, shape) for each in (first, last))
    if step is None:
        whole = (
            shape.quantity is None and low.denominator == high.denominator == 1 and shape.type is not float
        )
        if whole:
            if abs(high - low) > MOST_VALUES:
                raise SettingError(
                    f"vary {key} asks for {abs(high - low) + 1} values; accepted: at most {MOST_VALUES}"
                )
            direction = 1 if high >= low else -1
            return [int(low) + direction * place for place in range(abs(int(high - low)) + 1)]
        steps: Iterable[Fraction] = (low + (high - low) * Fraction(i, PARTS - 1) for i in range(PARTS))
        return [_of(shape, each) for each in steps]
    return [_of(shape, each) for each in _steps(key, low, high, step.strip(), unit, shape)]


def _steps(key: str, low: Fraction, high: Fraction, step: str, unit: str, shape: Shape) -> list[Fraction]:
    if step.startswith("*"):
        factor = _exact(key, step[1:], Shape(float, ()))
        if factor <= 0 or factor == 1 or low <= 0 or (high > low) != (factor > 1):
            raise SettingError(
                f"vary {key} steps by *{float(factor):g} and never arrives; accepted: {ACCEPTED}"
            )
        advance: Callable[[Fraction], Fraction] = lambda value: value * factor  # noqa: E731
    else:
        if shape.quantity and re.fullmatch(r"[0-9._eE+-]+", step):
            step = f"{step} {unit}"
        size = _exact(key, step, shape)
        if size == 0 or (high > low) != (size > 0):
            raise SettingError(f"vary {key} steps by {step} and never arrives; accepted: {ACCEPTED}")
        advance = lambda value: value + size  # noqa: E731
    found, value, rises = [], low, high > low
    while (value <= high) if rises else (value >= high):
        found.append(value)
        if len(found) > MOST_VALUES:
            raise SettingError(f"vary {key} asks for more than {MOST_VALUES} values")
        value = advance(value)
    return found


def _exact(key: str, text: str, shape: Shape) -> Fraction:
    text = text.strip().strip("\"'")
    try:
        return units.parse_exact(text, shape.quantity) if shape.quantity else Fraction(text)
    except (UnitError, ValueError, ZeroDivisionError) as error:
        said = str(error) if isinstance(error, UnitError) else f"not a number; accepted: {ACCEPTED}"
        raise SettingError(f"vary {key}: {text!r}: {said}") from None


def _value(key: str, text: str, shape: Shape) -> Value:
    return _of(shape, _exact(key, text, shape))


def _of(shape: Shape, exact: Fraction) -> Value:
    is_whole = exact.denominator == 1 and all(type(each) is int for each in shape.literals)
    return int(exact) if shape.type is int or (shape.literals and is_whole) else float(exact)


def combinations(
    axes: Sequence[Axis], variants: Variants, together: bool, saturating: Saturating
) -> list[tuple[Setting, ...]]:
    """Every point: the product of all axes, the first varying slowest, or the axes in step.

    Raises SettingError where axes in step have different lengths.
    """
    lists = [axis.settings(variants, saturating) for axis in axes]
    if not together:
        return list(itertools.product(*lists))
    lengths = {axis.key: len(values) for axis, values in zip(axes, lists, strict=True)}
    if len(set(lengths.values())) > 1:
        said = ", ".join(f"{key} {length}" for key, length in lengths.items())
        raise SettingError(f"together needs lists of one length, not {said}")
    return list(zip(*lists, strict=True))


def axes_of(vary: Mapping[str, object] | Iterable[str]) -> list[Axis]:
    """Axes from KEY=LIST texts, or from a mapping of keys to a LIST text or to a sequence of values.

    Raises SettingError.
    """
    if isinstance(vary, Mapping):
        axes = [
            Axis(key, values if isinstance(values, str) else ",".join(map(str, _iterated(key, values))))
            for key, values in vary.items()
        ]
    else:
        axes = [Axis.of(text) for text in vary]
    keys = [axis.key for axis in axes]
    if "run.seed" in keys:
        raise SettingError(
            "vary run.seed: all points see the same random numbers, so that they can be compared; accepted: another "
            "seed for all of them, by --seed"
        )
    twice = next((key for key in keys if keys.count(key) > 1), None)
    if twice is not None:
        raise SettingError(f"vary {twice} is given twice; accepted: each key once")
    return axes


def _iterated(key: str, values: object) -> Iterable[object]:
    if not isinstance(values, Iterable):
        raise SettingError(f"vary {key} is {values!r}; accepted: a sequence of values, or a text: {ACCEPTED}")
    return values
