"""Length of a run: the pilot decides, the answer's own width never does."""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from lindley import mm1_responses
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.length import (
    ANSWER_START,
    PILOT_START,
    answer_length,
    answer_replications,
    interval_shrinkage,
    longer_helps,
    next_pilot_length,
    pilot_done,
    planned_excursions,
    stopped_by,
)
from tailrace.measure.section import MINIMUM_EXCURSIONS, PLANNED_EXCURSIONS, sectioned_quantiles

PUBLISHED = tomllib.loads(
    (Path(__file__).parent.parent / "shared/published/measurement.toml").read_text("utf-8")
)


def about(relative_half_width: float) -> IntervalEstimate:
    return IntervalEstimate(2.0, 2 - 2 * relative_half_width, 2 + 2 * relative_half_width, 100, "")


def test_pilots_double_from_the_first() -> None:
    lengths = [next_pilot_length()]
    for _ in range(3):
        lengths.append(next_pilot_length(lengths[-1]))
    assert lengths == [PILOT_START, 2 * PILOT_START, 4 * PILOT_START, 8 * PILOT_START]
    with pytest.raises(ValueError, match="pilot"):
        next_pilot_length(0)


def test_a_pilot_is_done_when_every_target_is_supported_and_narrow() -> None:
    assert pilot_done(about(0.05), about(0.09))
    assert not pilot_done(about(0.05), about(0.11))
    assert not pilot_done(about(0.05), IntervalEstimate.unknown(50, "too few"))
    assert not pilot_done(IntervalEstimate(2.0, None, None, 50, "one replication"))
    with pytest.raises(ValueError, match="at least one"):
        pilot_done()


def test_a_quantile_that_the_pilot_supported_is_not_judged_by_the_answer_again() -> None:
    pilot = {0.9: about(0.05), 0.99: IntervalEstimate.unknown(50, "too few")}
    assert planned_excursions(pilot) == {0.9: PLANNED_EXCURSIONS, 0.99: MINIMUM_EXCURSIONS}


def test_sixteen_replications_need_two_fifths_of_the_length_of_eight() -> None:
    expected = (stats.t.ppf(0.975, 15) / 4) ** 2 / (stats.t.ppf(0.975, 7) / math.sqrt(8)) ** 2
    assert interval_shrinkage() == pytest.approx(expected)
    assert round(interval_shrinkage(), 2) == 0.41


def test_the_length_of_an_answer_by_hand() -> None:
    # a tenth wanted and a fifth had, hence four times 2.2 * 0.41 of the pilot, derived
    wanted = 4 * 2.2 * 0.406 * 100_000
    assert answer_length(100_000, 2.0, 10**9, ANSWER_START) == pytest.approx(wanted, rel=2e-3)
    assert answer_length(100_000, 2.0, 150_000) == 150_000
    assert answer_length(100, 0.0, 10**9, ANSWER_START) == ANSWER_START
    assert answer_length(100, math.inf, 5_000, ANSWER_START) == 5_000
    # half-widths are as t(R-1) / sqrt(R): 64 replications instead of 16 may be as short as the pilot has it
    fewer = interval_shrinkage(after=64) / interval_shrinkage()
    assert answer_length(100_000, 4.0, 10**9, replications=64) == pytest.approx(4 * wanted * fewer, rel=2e-3)
    for arguments in ((0, 1.0, 10), (10, -1.0, 10), (10, math.nan, 10), (10, 1.0, 0), (10, 1.0, 10, 0)):
        with pytest.raises(ValueError, match="positive"):
            answer_length(*arguments)


@given(st.integers(1, 10**6), st.floats(0, 2000), st.integers(1, 10**8))
def test_an_answer_is_never_shorter_than_its_pilot_nor_longer_than_the_budget(
    pilot: int, ratio: float, budget: int
) -> None:
    length = answer_length(pilot, ratio, budget)
    assert min(pilot, budget) <= length <= budget
    assert answer_length(pilot, 2 * ratio, budget) >= length


def test_what_ended_a_run_is_told_by_the_width_that_was_reached() -> None:
    assert stopped_by(about(0.05), 0.1) == "precision"
    assert stopped_by(about(0.15), 0.1) == "budget"
    assert stopped_by(IntervalEstimate.unknown(9, "too few"), 0.1) == "budget"
    assert stopped_by(about(0.15), None) == "fixed"


@pytest.mark.whole
def test_the_whole_rule_reaches_precision_and_coverage_as_often_as_it_should() -> None:
    # M/M/1: the response time is exponential with rate 1 - rho (Kleinrock, Queueing Systems I, 1975, from memory)
    rho, runs, precision = 0.5, 24, 0.015
    rng = np.random.default_rng(31)
    held, widths = 0, []
    for _ in range(runs):
        length, pilot = 0, IntervalEstimate.unknown(0, "not begun")
        while not pilot_done(pilot):
            length = next_pilot_length(length or None)
            samples = [r[length // 10 :] for r in mm1_responses(rho, 8, length, rng)]
            estimates = sectioned_quantiles(samples, (0.99,))
            pilot = estimates[0.99]
        requests = answer_length(length, pilot.relative_half_width / precision, 10**7, ANSWER_START)
        samples = [r[requests // 10 :] for r in mm1_responses(rho, 16, requests, rng)]
        answer = sectioned_quantiles(samples, (0.99,), minimum_excursions=planned_excursions(estimates))[0.99]
        held += answer.low <= math.log(100) / (1 - rho) <= answer.high
        widths.append(answer.relative_half_width)
    low, _ = stats.binom.interval(0.999, runs, 0.95)
    assert held >= low
    # the squared widths of answer and pilot are as F(15, 7): 85 % of the answers are narrow enough (derived)
    reached = np.array(widths) <= precision
    low, high = stats.binom.interval(0.999, runs, stats.f.cdf(2.2, 15, 7))
    assert low <= reached.sum() <= high
    # power: without the extra length half of them would not be
    assert np.sum(np.array(widths) * math.sqrt(2.2) <= precision) < low


def test_longer_pilots_help_as_long_as_their_intervals_narrow() -> None:
    # a half-width falls as the root of the length: by 2.83 over three doublings
    assert longer_helps([0.8, 0.8 / 2**0.5, 0.4, 0.8 / 2**1.5])
    assert not longer_helps([0.2, 0.19, 0.21, 0.18])


def test_nothing_is_said_of_length_before_three_doublings() -> None:
    assert longer_helps([0.2, 0.2, 0.2])


def test_a_half_width_that_was_infinite_and_is_not_any_more_has_been_helped() -> None:
    assert longer_helps([math.inf, math.inf, 0.3, 0.2])


def test_more_replications_are_asked_for_as_the_square_of_the_width() -> None:
    # derived: 8 to 16 replications alone take a half-width to 0.64 of it; 2.2 is the margin for a pilot's noise
    few = answer_replications(0.2, 0.1, least=16, most=1000)
    many = answer_replications(0.4, 0.1, least=16, most=1000)
    assert few == math.ceil(2.2 * interval_shrinkage() * 16 * 4)
    assert many == pytest.approx(4 * few, abs=4)
    assert answer_replications(0.01, 0.1, least=16, most=1000) == 16
    assert answer_replications(math.inf, 0.1, least=16, most=100) == 100
    assert answer_replications(0.4, 0.1, least=16, most=8) == 16


def test_answer_replications_refuses_what_is_not_positive() -> None:
    with pytest.raises(ValueError, match="positive"):
        answer_replications(0.2, 0.0, least=16, most=100)
