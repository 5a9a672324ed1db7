"""Text with a unit in, SI out, and back."""

import math
import re
import subprocess
import sys
from contextlib import suppress
from fractions import Fraction

import pytest
import scipy.constants as reference
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tailrace import units
from tailrace.errors import TailraceError, UnitError

# Decimal and binary prefixes from scipy.constants (SI brochure, IEC 80000-13); 1 byte = 8 bit (IEC 80000-13).
SIZES = {
    "B": 1,
    "kB": reference.kilo,
    "MB": reference.mega,
    "GB": reference.giga,
    "TB": reference.tera,
    "PB": reference.peta,
    "KiB": reference.kibi,
    "MiB": reference.mebi,
    "GiB": reference.gibi,
    "TiB": reference.tebi,
    "PiB": reference.pebi,
    "bit": 1 / 8,
    "kbit": reference.kilo / 8,
    "Mbit": reference.mega / 8,
    "Gbit": reference.giga / 8,
    "Tbit": reference.tera / 8,
}
TIMES = {
    "ns": reference.nano,
    "us": reference.micro,
    "µs": reference.micro,  # U+00B5, the micro sign
    "μs": reference.micro,  # U+03BC, the Greek letter
    "ms": reference.milli,
    "s": 1.0,
    "min": reference.minute,
    "h": reference.hour,
    "day": reference.day,
}
DIMENSIONS = tuple(units.ACCEPTED)


@pytest.mark.parametrize(("unit", "factor"), SIZES.items())
def test_sizes_have_the_factors_of_the_standards(unit, factor):
    assert units.parse(f"16 {unit}", "size") == 16 * factor
    assert units.parse_bytes(f"16 {unit}") == 16 * factor


@pytest.mark.parametrize(("unit", "factor"), SIZES.items())
def test_a_data_rate_is_a_size_per_time_in_bytes(unit, factor):
    assert units.parse(f"3 {unit}/s", "data rate") == 3 * factor
    assert units.parse(f"3 {unit} / min", "data rate") == pytest.approx(
        3 * factor / reference.minute, rel=1e-15
    )


@pytest.mark.parametrize(("unit", "factor"), TIMES.items())
def test_times_have_the_factors_of_the_standards(unit, factor):
    assert units.parse(f"7 {unit}", "time") == pytest.approx(7 * factor, rel=1e-15)


def test_seven_thousand_two_hundred_rpm_are_one_hundred_and_twenty_turns_a_second():
    assert units.parse("7200 rpm", "rotation rate") == 7200 / reference.minute
    assert units.parse("120 turns/s", "rotation rate") == 120


@pytest.mark.parametrize("text", ["50 /s", "50/s", "50 requests/s", "50 request / s", "3000 requests/min"])
def test_requests_may_be_named_or_left_out_of_a_rate(text):
    assert units.parse(text, "request rate") == 50


@pytest.mark.parametrize(
    "text", ["1_500 B", "1.5 kB", "1500B", "+1500 B", " 1500 B ", "15e2 B", "0.0015e6 B", "12 kbit"]
)
def test_a_number_may_be_written_in_every_usual_way(text):
    assert units.parse_bytes(text) == 1500


def test_a_decimal_fraction_loses_nothing():
    # in floats 3.84e12 is exact, yet 0.1 + 0.2 is not: the fraction is kept until the end
    assert units.parse_bytes("3.84 TB") == 3_840_000_000_000
    assert units.parse_exact("0.3 us", "time") == Fraction(3, 10_000_000)
    assert units.parse("0.3 us", "time") == 0.3e-6


@pytest.mark.parametrize(
    ("text", "dimension", "wrong"),
    [
        ("8 Gb", "size", "unknown unit 'Gb' (write Gbit or GB or GiB)"),
        ("8 KB", "size", "unknown unit 'KB' (write kB or KiB)"),
        ("8 Kb", "size", "unknown unit 'Kb' (write kbit or kB or KiB)"),
        ("8 kb", "size", "unknown unit 'kb' (write kbit or kB or KiB)"),
        ("8 mb", "size", "unknown unit 'mb' (write MB)"),
        ("8 kib", "size", "unknown unit 'kib' (write KiB)"),
        ("8 MBs", "size", "unknown unit 'MBs' (write MB or MiB)"),
        ("4 k", "size", "unknown unit 'k'"),
        ("25 Gb/s", "data rate", "unknown unit 'Gb' (write Gbit or GB or GiB)"),
        ("25 Gbps", "data rate", "unknown unit 'Gbps' (write Gbit/s or GB/s)"),
        ("25 MBps", "data rate", "unknown unit 'MBps' (write MB/s)"),
        ("80 US", "time", "unknown unit 'US' (write us)"),
        ("1 week", "time", "unknown unit 'week'"),
        ("7200", "rotation rate", "a number without a unit"),
        ("8192", "size", "a number without a unit"),
        ("70 %", "size", "a percentage"),
        ("70 percent", "size", "a percentage"),
        ("8 KiB/s", "size", "a data rate, but a size is due"),
        ("8 s", "size", "a time, but a size is due"),
        ("8 KiB", "data rate", "a size, but a data rate is due"),
        ("50 /s", "data rate", "a request rate, but a data rate is due"),
        ("50 MB/s", "request rate", "a data rate, but a request rate is due"),
        ("120 /s", "rotation rate", "a request rate, but a rotation rate is due"),
        ("7200 rpm", "request rate", "a rotation rate, but a request rate is due"),
        ("50 requests", "size", "a unit of another kind, but a size is due"),
        ("50 requests", "request rate", "a unit of another kind, but a request rate is due"),
        ("nan s", "time", "not a finite number"),
        ("NaN", "time", "not a finite number"),
        ("inf s", "time", "not a finite number"),
        ("-Infinity s", "time", "not a finite number"),
        ("1e400 s", "time", "the number is too large"),
        ("1e9999 s", "time", "an exponent of more than three digits"),
        ("0,5 ms", "time", "a comma in the number"),
        ("1 ms ms", "time", "'ms ms' is not a unit"),
        ("1 s*s/s", "time", "'s*s/s' is not a unit"),
        ("1 s**2", "time", "'s**2' is not a unit"),
        ("1 rpm/turn", "request rate", "'rpm/turn' is not a unit"),
        ("1 s/s", "request rate", "a unit of another kind, but a request rate is due"),
        ("2 * 3 s", "time", "'* 3 s' is not a unit"),
        ("ms", "time", "not a number with a unit"),
        ("", "time", "not a number with a unit"),
        ("٣ s", "time", "not a number with a unit"),
        ("1" * 200 + " s", "time", "too long for a quantity"),
        ("1.5 B", "size", "not a whole number of bytes"),
        ("1 bit", "size", "not a whole number of bytes"),
    ],
)
def test_what_is_no_quantity_of_the_dimension_is_refused_with_what_is_accepted(text, dimension, wrong):
    with pytest.raises(UnitError) as caught:
        units.parse_bytes(text) if dimension == "size" else units.parse(text, dimension)
    assert caught.value.wrong == wrong
    assert caught.value.accepted == units.ACCEPTED[dimension]
    assert str(caught.value) == f"{wrong}; accepted: {units.ACCEPTED[dimension]}"
    assert isinstance(caught.value, TailraceError)


@pytest.mark.parametrize("dimension", DIMENSIONS)
def test_the_example_of_each_dimension_is_one(dimension):
    assert units.parse(units.EXAMPLE[dimension], dimension) > 0


@pytest.mark.parametrize("dimension", DIMENSIONS)
def test_the_si_unit_of_each_dimension_has_the_factor_one(dimension):
    assert units.parse(f"1 {units.SI_UNIT[dimension]}", dimension) == 1


@pytest.mark.parametrize(
    ("value", "dimension", "text"),
    [
        (0, "size", "0 B"),
        (0.0, "time", "0 s"),
        (8192, "size", "8 KiB"),
        (16 * 2**20, "size", "16 MiB"),
        (1448, "size", "1448 B"),
        (3_840_000_000_000, "size", "3.84 TB"),
        (60e-6, "time", "60 us"),
        (2.0, "time", "2 s"),
        (120.0, "rotation rate", "7200 rpm"),
        (50.0, "request rate", "50 /s"),
        (3.125e9, "data rate", "3125 MB/s"),
        (2**60 - 1, "size", "1152921504606846975 B"),
    ],
)
def test_a_number_is_written_as_a_person_would(value, dimension, text):
    assert units.write(value, dimension) == text


@given(st.sampled_from([name for name in DIMENSIONS if name != "size"]), st.floats(0, 1e15))
@example("time", 5e-324)
@example("request rate", 1 / 3)
@settings(deadline=None)
def test_what_is_written_is_read_back_to_the_same_float(dimension, value):
    assert units.parse(units.write(value, dimension), dimension) == value


@given(st.integers(0, 2**63))
@settings(deadline=None)
def test_a_size_that_is_written_is_read_back_to_the_same_byte(size):
    assert units.parse_bytes(units.write(size, "size")) == size


NUMBERS = st.one_of(
    st.integers(0, 10**6).map(str),
    st.floats(0, 1e6, allow_subnormal=False).map(repr),
    st.sampled_from(["", "1_000", "1__0", "_1", "1_", ".5", "5.", "1,5", "+3", "1e3", "1e1234", "x"]),
)
NAMES = st.sampled_from(
    [*SIZES, *TIMES, "rpm", "turn", "turns", "request", "requests", "KB", "Gb", "%", "x", ""]
)


@given(NUMBERS, st.sampled_from(["", " "]), NAMES, st.sampled_from(["", "/", " / "]), NAMES)
@settings(deadline=None)
def test_the_pattern_for_other_tools_admits_exactly_what_is_read(number, blank, above, slash, below):
    text = f"{number}{blank}{above}{slash}{below}"
    for dimension in DIMENSIONS:
        try:
            units.parse_exact(text, dimension)
            reads = True
        except UnitError:
            reads = False
        assert bool(re.search(units.pattern(dimension), text)) == reads, (text, dimension)


@given(st.text(max_size=30))
@settings(deadline=None)
def test_no_text_does_more_than_be_refused(text):
    for dimension in DIMENSIONS:
        with suppress(UnitError):
            assert math.isfinite(units.parse(text, dimension))


def test_pint_is_not_imported_before_the_first_conversion():
    before = "assert not {'pint', 'pydantic', 'numpy'} & set(sys.modules)"
    after = "tailrace.units.parse('1 s', 'time'); assert 'pint' in sys.modules"
    code = f"import sys, tailrace.errors, tailrace.units; {before}; {after}"
    subprocess.run([sys.executable, "-c", code], check=True)
