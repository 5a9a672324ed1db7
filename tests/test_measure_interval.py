"""An estimate never separates a figure from its interval, and never holds a NaN."""

import math

import pytest
from scipy import stats

from tailrace.measure.interval import IntervalEstimate, student_quantile


def test_an_estimate_gives_its_five_fields_as_a_mapping() -> None:
    estimate = IntervalEstimate(2.0, 1.5, 2.5, 40, "batch means")
    assert estimate.as_dict() == {"value": 2.0, "low": 1.5, "high": 2.5, "n": 40, "method": "batch means"}
    assert (estimate.half_width, estimate.relative_half_width) == (0.5, 0.25)


def test_what_is_not_known_is_none_with_the_reason() -> None:
    unknown = IntervalEstimate.unknown(7, "too few")
    assert (unknown.value, unknown.low, unknown.high, unknown.method) == (None, None, None, "too few")
    assert unknown.half_width is None
    assert unknown.relative_half_width is None
    assert not unknown.has_interval


@pytest.mark.parametrize(
    "figures",
    [(math.nan, None, None), (1.0, 0.5, None), (None, 0.5, 1.5), (1.0, 1.1, 1.5), (1.0, 0.5, 0.9)],
)
def test_an_estimate_that_contradicts_itself_is_refused(figures: tuple[float | None, ...]) -> None:
    value, low, high = figures
    with pytest.raises(ValueError, match=r"interval|None"):
        IntervalEstimate(value, low, high, 1, "")


def test_a_relative_width_about_zero_is_infinite_unless_the_interval_is_a_point() -> None:
    assert IntervalEstimate(0.0, -1.0, 1.0, 5, "").relative_half_width == math.inf
    assert IntervalEstimate(0.0, 0.0, 0.0, 5, "").relative_half_width == 0


def test_a_change_of_unit_scales_value_and_interval_alike() -> None:
    estimate = IntervalEstimate(2.0, 1.5, 2.5, 40, "m").scaled(1e3)
    assert estimate == IntervalEstimate(2000.0, 1500.0, 2500.0, 40, "m")
    with pytest.raises(ValueError, match="positive"):
        estimate.scaled(0)


def test_students_factor_agrees_with_the_reference_library_and_the_printed_tables() -> None:
    assert student_quantile(0.95, 15) == pytest.approx(stats.t.ppf(0.975, 15), rel=1e-9)
    # t(7) and t(15) at 97.5 % and t(10) at 99.5 % in any table of Student's distribution (from memory)
    assert student_quantile(0.95, 7) == pytest.approx(2.365, abs=5e-4)
    assert student_quantile(0.95, 15) == pytest.approx(2.131, abs=5e-4)
    assert student_quantile(0.99, 10) == pytest.approx(3.169, abs=5e-4)
    for level, degrees in ((1.0, 5), (0.0, 5), (0.95, 0)):
        with pytest.raises(ValueError, match=r"level|degree"):
            student_quantile(level, degrees)
