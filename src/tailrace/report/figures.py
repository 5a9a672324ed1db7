"""How is a number written? With as many digits as its interval bears, and in a unit that keeps it short."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tailrace.measure.interval import IntervalEstimate

if TYPE_CHECKING:
    from tailrace import quantity, units

TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
"""Seconds in each unit of time, the largest first."""

MOST_DIGITS = 5
"""Significant digits of a figure, however narrow its interval."""
FEW_DIGITS = 3
"""Significant digits where room is short."""

_WRITTEN_OUT = 9.5e6  # from here on, rounding could make it eight digits
_SMALLEST = 10.0**-4


def time_unit(seconds: Iterable[float]) -> str:
    """The largest unit in which the least of the times is at least 1; larger where the others would be too long.

    Times that are 0 do not count; "s" if there are no others.
    """
    times = [time for time in seconds if time > 0]
    if not times:
        return "s"
    for unit, length in TIME_UNITS.items():
        # A hair of room: 1 ms as a binary number must not fall below 1 ms.
        if min(times) >= length * (1 - 1e-9) or max(times) >= 1e5 * TIME_UNITS[_next_below(unit)]:
            return unit
    return "ns"


@dataclass(frozen=True)
class Unit:
    """A unit in which figures are told, and its size in SI."""

    name: str
    size: float = 1.0

    def of(self, estimate: IntervalEstimate) -> IntervalEstimate:
        """An estimate in SI in this unit."""
        return estimate.scaled(1 / self.size)

    def number(self, value: float, digits: int = FEW_DIGITS) -> str:
        """A value in SI as a number of this unit."""
        return number(value / self.size, digits)

    def text(self, value: float, digits: int = FEW_DIGITS) -> str:
        """The same with the name of the unit."""
        return f"{self.number(value, digits)} {self.name}"


MEGABYTES = Unit("MB/s", 1e6)


DURATIONS = {"h": 3600.0, "min": 60.0}
"""Seconds in what durations are told in, where they take several of them."""


def unit_of(
    dimension: quantity.Dimension | units.Dimension | None, values: Iterable[float | None] = ()
) -> Unit:
    """The unit in which figures are told: of times and durations that which suits the values in SI."""
    if dimension == "share":
        return Unit("%", 0.01)
    if dimension == "duration":
        longest = max((value for value in values if value is not None), default=0.0)
        return next((Unit(name, size) for name, size in DURATIONS.items() if longest >= 2 * size), Unit("s"))
    if dimension != "time":
        return MEGABYTES if dimension == "data rate" else Unit("/s")
    name = time_unit(value for value in values if value is not None)
    return Unit(name, TIME_UNITS[name])


def time_text(seconds: float, digits: int = FEW_DIGITS) -> str:
    """A time in the unit that suits it."""
    return unit_of("time", [seconds]).text(seconds, digits)


def duration_text(seconds: float, digits: int = FEW_DIGITS) -> str:
    """How long something lasts: in hours or minutes where it takes several of them."""
    if seconds >= 2 * DURATIONS["min"]:
        return unit_of("duration", [seconds]).text(seconds, digits)
    return time_text(seconds, digits) if seconds else "0 s"


def key_unit(unit: str, values: Sequence[float]) -> Unit:
    """The unit in which values of a key are told that is in this SI unit: times and bytes in one that suits them.

    Or in "bit/s": the values are bytes a second then, too, and told in bits.
    """
    if unit == "s":
        return unit_of("time", values)
    if unit == "bit/s":
        power = min(max(int(math.log10(8 * max(values)) + 1e-9) // 3, 0), 4) if min(values) > 0 else 0
        return Unit(("", "k", "M", "G", "T")[power] + unit, 1000.0**power / 8)
    if unit in ("B", "B/s") and min(values) >= 1000:
        power = min(int(math.log10(max(values)) + 1e-9) // 3, 4)
        return Unit(("", "k", "M", "G", "T")[power] + unit, 1000.0**power)
    return Unit(unit)


def key_text(value: float | str, unit: str) -> str:
    """A value of a key of the scenario with its unit; bytes that are whole multiples of 1,024 by these."""
    if isinstance(value, str):
        return value
    if unit in ("B", "B/s") and value >= 1024 and float(value).is_integer() and value % 1024 == 0:
        power = min(int(math.log2(value)) // 10, 4)
        return f"{number(value / 1024**power, 4)} {('', 'Ki', 'Mi', 'Gi', 'Ti')[power]}{unit}"
    best = key_unit(unit, [value])
    return best.text(value, 4 if unit == "s" or best.size > 1 else 6).rstrip()


def cut(text: str, most: int) -> str:
    """A text that ends in "…" where it is longer than that."""
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"


def cut_apart(texts: Sequence[str], most: int) -> list[str]:
    """Texts cut to a length: at their ends or, where different ones would read alike, in their middle."""
    short = [cut(text, most) for text in texts]
    if len(set(short)) == len(set(texts)):
        return short
    ahead = max((most - 1) // 3, 1)
    return [
        text
        if len(text) <= most
        else f"{text[:ahead].rstrip()}…{text[len(text) - most + 1 + ahead :].lstrip()}"
        for text in texts
    ]


def byte_size(size: float) -> str:
    """A size in binary units, short: "512 B", "8 KiB", "1 MiB"."""
    for unit in ("B", "KiB", "MiB"):
        if size < 1024:
            return f"{number(size)} {unit}"
        size /= 1024
    return f"{number(size)} GiB"


def change_text(change: float, places: int = 1) -> str:
    """A change as a share, in percent with its sign."""
    return f"{100 * change:+.{places}f}".replace("-", "−")


def _next_below(unit: str) -> str:
    units = list(TIME_UNITS)
    return units[min(units.index(unit) + 1, len(units) - 1)]


def interval_figure(
    estimate: IntervalEstimate, digits: int = MOST_DIGITS, resolution: float = 0.0
) -> tuple[str, str]:
    """Value and half-width, such as ("0.171", "±0.002").

    The half-width has one significant digit, two if the first is 1, and the value ends where it does; but a value has
    at most ``digits`` of them, and more than two only down to ``resolution``; then the half-width is rounded up to
    the value's last place.
    Where an interval is not symmetric its wider side is given. The second text is empty where there is no interval,
    the first "–" where there is no value.
    """
    value = estimate.value
    if value is None:
        return "–", ""
    if estimate.low is None or estimate.high is None:
        return number(value), ""
    half = max(estimate.high - value, value - estimate.low)
    digits = digits if _is_written_out(value) else FEW_DIGITS
    bearable = digits - 1 - _exponent(value) if value else math.inf
    if resolution:
        bearable = min(bearable, max(-_exponent(resolution), 1 - _exponent(value) if value else -math.inf))
    if half <= 1e-9 * abs(value):  # a constant, but for rounding
        return ("0", "") if value == 0 else (_written(value, int(bearable), digits), "±0")
    places = _interval_places(half)
    if places > bearable:
        places = int(bearable)
        half = math.ceil(half * 10.0**places) / 10.0**places
    first = (
        max(places, -_exponent(value)) if value else places
    )  # a value wider than itself keeps its first digit
    # Beside a value with few zeros a half-width is written out, too, however small it is.
    width = (
        f"{half:.{places}f}"
        if half < 1 and 0.001 <= abs(value) < _WRITTEN_OUT
        else _written(half, places, digits)
    )
    return _written(value, first, digits), f"±{width}"


def number(value: float, digits: int = FEW_DIGITS) -> str:
    """A number with that many significant digits, trailing zeros left out."""
    if value == 0:
        return "0"
    text = _written(value, digits - 1 - _exponent(value), digits)
    return text.rstrip("0").rstrip(".") if "." in text and "e" not in text else text


def rounded_down(factor: float) -> str:
    """A factor that must not be promised too high: two significant digits, three below 2, always rounded down."""
    places = (2 if factor < 2 else 1) - _exponent(factor)
    # A hair of room again: 1.1 is not to become 1.09.
    return number(math.floor(factor * 10.0**places * (1 + 1e-12)) / 10.0**places, 3)


def percent(share: float) -> str:
    """A share in percent, to a tenth."""
    if 0 < share < 0.0005:
        return "<0.1"
    return f"{100 * share:,.1f}"


def small_number(value: float) -> str:
    """A mean number, to three digits, and nothing finer than a thousandth."""
    return "<0.001" if 0 < value < 0.001 else number(value)


def aligned(figures: Sequence[tuple[str, str]]) -> list[str]:
    """Each value with what follows it, such that both line up under one another."""
    left = max((len(value) for value, _ in figures), default=0)
    right = max((len(rest) for _, rest in figures), default=0)
    return [f"{value:>{left}} {rest:<{right}}" if right else f"{value:>{left}}" for value, rest in figures]


def _exponent(value: float) -> int:
    return math.floor(math.log10(abs(value)))


def _is_written_out(value: float) -> bool:
    """Whether a number is short enough without a power of ten."""
    return value == 0 or _SMALLEST <= abs(value) < _WRITTEN_OUT


def _interval_places(half: float) -> int:
    """Decimal places (negative: places before the point) to which a half-width is given."""
    places = -_exponent(half)
    return places + 1 if round(half * 10.0**places, 1) < 2 else places


def _written(value: float, places: int, digits: int) -> str:
    if not _is_written_out(value):
        return f"{value:.{max(min(_exponent(value) + places, digits - 1, FEW_DIGITS - 1), 0)}e}"
    if places > 0:
        return f"{value:,.{places}f}"
    return f"{round(value, places):,.0f}"
