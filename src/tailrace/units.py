"""What "25 Gbit/s" means: text with a unit in, a number in SI out, and back.

The units are those of `units.txt` and no others: information (bit, byte) and rotation (turn) are dimensions
of their own and requests are counted, so that a rate never passes for a size. Arithmetic is in exact
fractions, with one rounding to float at the end. pint is imported at the first conversion.
"""

from __future__ import annotations

import re
from fractions import Fraction
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from tailrace.errors import UnitError

if TYPE_CHECKING:
    import pint

Dimension = Literal["time", "size", "request rate", "data rate", "line rate", "rotation rate", "power"]

ACCEPTED: dict[str, str] = {
    "time": 'a time, such as "80 us" (ns, us, ms, s, min, h, day)',
    "size": 'a size, such as "8 KiB" (B; kB, MB, GB, TB, PB by 1000; KiB, MiB, GiB, TiB, PiB by 1024)',
    "request rate": 'requests per time, such as "50 /s" or "50 requests/s"',
    "data rate": 'data per time, such as "25 Gbit/s" or "190 MB/s"',
    "rotation rate": 'a speed of rotation, such as "7200 rpm"',
    "power": 'a power, such as "12 W" (mW, W, kW)',
}
"""What may be written for each dimension, in words."""

EXAMPLE: dict[str, str] = {
    "time": "80 us",
    "size": "8 KiB",
    "request rate": "50 /s",
    "data rate": "190 MB/s",
    "line rate": "25 Gbit/s",
    "rotation rate": "7200 rpm",
    "power": "12 W",
}
"""One quantity of each dimension."""

SI_UNIT: dict[str, str] = {
    "time": "s",
    "size": "B",
    "request rate": "/s",
    "data rate": "B/s",
    "rotation rate": "turn/s",
    "power": "W",
}
"""The unit of the number that `parse` returns."""

_SIGNATURES: dict[str, tuple[dict[str, int], ...]] = {
    "time": ({"[time]": 1},),
    "size": ({"[information]": 1},),
    "request rate": ({"[time]": -1}, {"[request]": 1, "[time]": -1}),
    "data rate": ({"[information]": 1, "[time]": -1},),
    "rotation rate": ({"[rotation]": 1, "[time]": -1},),
    "power": ({"[power]": 1},),
}

# A line rate is a data rate, but people tell it in bits.
ACCEPTED["line rate"] = ACCEPTED["data rate"]
SI_UNIT["line rate"] = SI_UNIT["data rate"]
_SIGNATURES["line rate"] = _SIGNATURES["data rate"]

# Units to write a number with: the one that takes the fewest digits, and of such the first.
_WRITTEN: dict[str, tuple[str, ...]] = {
    "time": ("s", "ms", "us", "ns"),
    "size": ("PiB", "TiB", "GiB", "MiB", "KiB", "PB", "TB", "GB", "MB", "kB", "B"),
    "request rate": ("/s",),
    "data rate": ("PB/s", "TB/s", "GB/s", "MB/s", "kB/s", "B/s"),
    "line rate": ("Tbit/s", "Gbit/s", "Mbit/s", "kbit/s", "bit/s", "B/s"),
    "rotation rate": ("rpm",),
    "power": ("W", "kW", "mW"),
}

_QUANTITY = re.compile(
    r"(?P<number>[+-]?[0-9]+(?:_[0-9]+)*(?:\.[0-9]+(?:_[0-9]+)*)?(?:[eE][+-]?(?P<exponent>[0-9]+))?)"
    r"\s*(?P<unit>.*)",
    re.DOTALL,
)
_UNIT = re.compile(r"(?P<above>[^\W\d_]*)\s*(?:/\s*(?P<below>[^\W\d_]+))?")
_LONGEST_TEXT = 100


def parse(text: str, dimension: Dimension) -> float:
    """Read a quantity such as "80 us" as a float, correctly rounded, in the SI unit of its dimension.

    Raises:
        UnitError: no number, no unit, an unknown unit or one of another dimension, or too large a number.
    """
    exact = parse_exact(text, dimension)
    try:
        return float(exact)
    except OverflowError:
        raise UnitError("the number is too large", ACCEPTED[dimension]) from None


def parse_bytes(text: str) -> int:
    """Read a size such as "8 KiB" as a whole number of bytes.

    Raises:
        UnitError: as `parse`, or not a whole number of bytes.
    """
    exact = parse_exact(text, "size")
    if exact.denominator != 1:
        raise UnitError("not a whole number of bytes", ACCEPTED["size"])
    return exact.numerator


@lru_cache(maxsize=4096)
def parse_exact(text: str, dimension: Dimension) -> Fraction:
    """Read a quantity as an exact fraction in the SI unit of its dimension. Raises UnitError as `parse`."""
    accepted = ACCEPTED[dimension]
    number, unit = _split(text, accepted)
    if not unit:
        raise UnitError("a number without a unit", accepted)
    factor, found = _factor(_checked_unit(unit, dimension))
    if found not in _SIGNATURES[dimension]:
        raise UnitError(f"{_named(found)}, but a {dimension} is due", accepted)
    return number * factor


@lru_cache(maxsize=4096, typed=True)
def write(value: float, dimension: Dimension) -> str:
    """Write a finite SI number as text that `parse` reads back to the same number, in the best unit.

    >>> write(8192, "size"), write(6e-05, "time"), write(3.125e9, "line rate")
    ('8 KiB', '60 us', '25 Gbit/s')
    """
    exact = Fraction(value)
    texts = []
    for unit in _WRITTEN[dimension]:
        scaled = float(exact / parse_exact(f"1 {unit}", dimension))
        digits = str(int(scaled)) if scaled.is_integer() and abs(scaled) < 1e15 else repr(scaled)
        text = f"{digits} {unit}"
        read_back = parse_exact(text, dimension) if dimension == "size" else parse(text, dimension)
        if read_back == value:
            ugly = "e" in digits or 0 < abs(scaled) < 1
            ugly |= unit != SI_UNIT[dimension] and (value == 0 or len(digits) > 8)
            texts.append((ugly, len(digits), text))
    if not texts:  # no other unit gives back the last digit
        return f"{exact} B" if dimension == "size" else f"{value!r} {SI_UNIT[dimension]}"
    return min(texts, key=lambda candidate: candidate[:2])[2]


def short_size(size: int, upwards: bool = False) -> str:
    """A size as text: exact where that is short, else six digits of it, rounded down, or up, so that a bound holds.

    >>> short_size(8192), short_size(11_999_999_950_848), short_size(11_999_999_950_848, upwards=True)
    ('8 KiB', '11.9999 TB', '12 TB')
    """
    text = write(size, "size")
    if len(text.partition(" ")[0]) <= 8:
        return text
    step = 10 ** (len(str(size)) - 6)
    return write(-(-size // step) * step if upwards else size // step * step, "size")


@cache
def pattern(dimension: Dimension) -> str:
    """A regular expression in the form of JSON Schema for the text that `parse` takes."""
    number = r"\+?[0-9]+(_[0-9]+)*(\.[0-9]+(_[0-9]+)*)?([eE][+-]?[0-9]{1,3})?"
    time, size, power = (f"({'|'.join(_names_of(one))})" for one in ("[time]", "[information]", "[power]"))
    data_rate = f"{size} */ *{time}"
    unit = {
        "time": time,
        "size": size,
        "request rate": f"(requests?)? */ *{time}",
        "data rate": data_rate,
        "line rate": data_rate,
        "rotation rate": f"(rpm|turns? */ *{time})",
        "power": power,
    }[dimension]
    return f"^ *{number} *{unit} *$"


def _split(text: str, accepted: str) -> tuple[Fraction, str]:
    stripped = text.strip()
    if len(stripped) > _LONGEST_TEXT:
        raise UnitError("too long for a quantity", accepted)
    if re.match(r"[+-]?(nan|inf|infinity)\b", stripped, re.IGNORECASE):
        raise UnitError("not a finite number", accepted)
    match = _QUANTITY.fullmatch(stripped)
    if match is None:
        raise UnitError("not a number with a unit", accepted)
    if match["unit"].startswith(","):
        raise UnitError("a comma in the number", accepted)
    if len(match["exponent"] or "") > 3:
        raise UnitError("an exponent of more than three digits", accepted)
    return Fraction(match["number"].replace("_", "")), match["unit"].strip()


def _checked_unit(unit: str, dimension: Dimension) -> str:
    """The unit as pint reads it, each name looked up first: pint alone takes "MBs" for a plural of MB."""
    accepted = ACCEPTED[dimension]
    if "%" in unit or unit.lower() in ("percent", "per cent"):
        raise UnitError("a percentage", accepted)
    match = _UNIT.fullmatch(unit)
    if match is None or not (match["above"] or match["below"]):
        raise UnitError(f"'{unit}' is not a unit", accepted)
    for name in (match["above"], match["below"]):
        if name and name not in _names():
            raise UnitError(_unknown(name), accepted)
    if match["below"] and match["below"] not in _names_of("[time]"):
        raise UnitError(f"'{unit}' is not a unit", accepted)
    return (match["above"] or "1") + (f"/{match['below']}" if match["below"] else "")


def _unknown(name: str) -> str:
    """Why a unit's name is refused, with the spellings that may have been meant."""
    meant = sorted(known for known in _names() if known.lower() == name.lower())
    per_second = re.fullmatch(r"([kKMGTP]?)([bB])(it|its|yte|ytes)?ps", name)
    size = re.fullmatch(r"([kKMGTP])(i?)(b|B|bit|byte)s?", name)
    if per_second:
        letter = per_second[1].replace("K", "k")
        tail = per_second[3] or ""
        units = [f"{letter}bit/s" if per_second[2] == "b" and not tail.startswith("y") else f"{letter}B/s"]
        if per_second[2] == "b" and not tail:
            units.append(f"{letter}B/s")
        meant = units
    elif size:
        letter = size[1].replace("K", "k")
        binary = f"{size[1].upper()}iB"
        if size[2]:
            meant = [binary]
        elif size[3] == "B":
            meant = [f"{letter}B", binary]
        else:
            meant = [f"{letter}bit", f"{letter}B", binary]
    hint = f" (write {' or '.join(meant)})" if meant else ""
    return f"unknown unit '{name}'{hint}"


@cache
def _factor(unit: str) -> tuple[Fraction, dict[str, int]]:
    """What one of the unit is in SI, and its powers of pint's base dimensions."""
    registry = _registry()
    quantity: Any = registry.Quantity(Fraction(1), registry.parse_units(unit)).to_base_units()
    powers = {name: int(power) for name, power in quantity.dimensionality.items()}
    return Fraction(quantity.magnitude), powers


def _named(found: dict[str, int]) -> str:
    for dimension, signatures in _SIGNATURES.items():
        if found in signatures:
            return f"a {dimension}"
    return "a unit of another kind"


@cache
def _names_of(dimension: str) -> tuple[str, ...]:
    """The units of one of pint's base dimensions."""
    return tuple(sorted(name for name in _names() if _factor(name)[1] == {dimension: 1}))


@cache
def _names() -> frozenset[str]:
    return frozenset(_registry())


@cache
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    definitions = Path(__file__).with_name("units.txt")
    return pint.UnitRegistry(
        str(definitions), on_redefinition="raise", cache_folder=None, non_int_type=Fraction
    )
