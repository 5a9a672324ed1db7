"""Verdicts: met, missed, undecided where the interval straddles the limit."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.verdict import PRECEDENCE, bonferroni_level, combined, verdict


@pytest.mark.parametrize(
    ("limit", "at_most", "at_least"),
    [
        (5.1, "met", "missed"),
        (5.0, "met", "undecided"),
        (4.0, "undecided", "undecided"),
        (3.0, "undecided", "met"),
        (2.9, "missed", "met"),
    ],
)
def test_an_interval_is_held_against_a_limit(limit: float, at_most: str, at_least: str) -> None:
    estimate = IntervalEstimate(4.0, 3.0, 5.0, 100, "")
    assert verdict(estimate, limit) == at_most
    assert verdict(estimate, limit, upper=False) == at_least


def test_what_has_no_interval_is_undecided_wherever_the_limit_lies() -> None:
    for estimate in (
        IntervalEstimate.unknown(3, "too few"),
        IntervalEstimate(4.0, None, None, 3, "one replication"),
    ):
        assert verdict(estimate, 1e9) == "undecided"
        assert verdict(estimate, 0.0, upper=False) == "undecided"


@given(st.floats(0, 100), st.floats(0, 50), st.floats(0, 200))
def test_a_wider_interval_never_turns_one_verdict_into_its_opposite(
    value: float, width: float, limit: float
) -> None:
    narrow = verdict(IntervalEstimate(value, value - width, value + width, 2, ""), limit)
    wide = verdict(IntervalEstimate(value, value - 2 * width, value + 2 * width, 2, ""), limit)
    assert wide in (narrow, "undecided")


def test_the_error_rate_is_shared_by_all_statements() -> None:
    assert bonferroni_level(0.95, 1) == 0.95
    assert bonferroni_level(0.95, 5) == pytest.approx(0.99)
    assert bonferroni_level(0.95, 3) == pytest.approx(1 - 0.05 / 3)
    for level, statements in ((0.95, 0), (1.0, 2)):
        with pytest.raises(ValueError, match="level"):
            bonferroni_level(level, statements)


def test_the_gravest_verdict_is_that_of_the_whole() -> None:
    assert combined([]) == "none"
    assert combined(["met", "met"]) == "met"
    assert combined(["none", "met"]) == "met"
    assert combined(["met", "undecided"]) == "undecided"
    assert combined(["undecided", "missed", "met"]) == "missed"
    assert combined(["missed", "overloaded", "undecided"]) == "overloaded"


@given(st.lists(st.sampled_from(PRECEDENCE)), st.lists(st.sampled_from(PRECEDENCE)))
def test_parts_may_be_combined_in_any_order_and_grouping(one: list, other: list) -> None:
    assert combined([combined(one), combined(other)]) == combined(other + one)
