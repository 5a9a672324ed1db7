"""The answer as tables and files: what stands there, and that it fits."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from io import StringIO
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from tailrace.answer.result import (
    ClassResult,
    Figures,
    Overload,
    Result,
    StageTimes,
    TargetResult,
)
from tailrace.answer.stations import StationResult
from tailrace.forecast.result import ClassTheory, Saturation, Theory
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.verdict import Verdict
from tailrace.quantity import Quantity
from tailrace.report.figures import (
    TIME_UNITS,
    aligned,
    cut_apart,
    interval_figure,
    number,
    percent,
    rounded_down,
    time_unit,
)
from tailrace.report.files.answer import classes_table, scenario_copy, stations_table, write_result
from tailrace.report.files.documents import as_json
from tailrace.report.sentences import binding_sentence, verdict_sentence
from tailrace.report.terminal.key_list import key_list
from tailrace.report.terminal.results import as_text
from tailrace.scenario.reading.keys import rows

METHOD = "mean by sectioning, 16 replications, level 0.95"
STAGES = ("network", "controller", "lane", "media")


def estimate(value: float, half_width: float, n: int = 480_000) -> IntervalEstimate:
    return IntervalEstimate(value, value - half_width, value + half_width, n, METHOD)


def stage_times(wait_s: IntervalEstimate, service_s: IntervalEstimate) -> dict[str, StageTimes]:
    return {stage: StageTimes(wait_s, service_s) for stage in STAGES}


def figures(scale: float = 1.0, p999: IntervalEstimate | None = None) -> Figures:
    mean = 0.1e-3 * scale
    quantiles = {"p50": 0.95, "p90": 1.2, "p95": 1.3, "p99": 1.7}
    latency = {"mean": estimate(mean, mean / 1000)}
    latency |= {name: estimate(mean * factor, mean * factor / 100) for name, factor in quantiles.items()}
    latency["p999"] = estimate(3 * mean, 0.1 * mean) if p999 is None else p999
    return Figures(
        480_000,
        estimate(2000, 3),
        estimate(16.39e6, 20e3),
        latency,
        stage_times(estimate(0.1 * mean, 0.01 * mean), estimate(0.15 * mean, 1e-4 * mean)),
        stage_times(estimate(2 * mean, 0.01 * mean), estimate(0.15 * mean, 1e-4 * mean)),
        stage_times(estimate(0.1 * mean, 0.01 * mean), estimate(0.15 * mean, 1e-4 * mean)),
    )


def promise(quantity: str, limit: float, found: IntervalEstimate, verdict: Verdict) -> TargetResult:
    return TargetResult("booking", Quantity(quantity), limit, found, found, 0.95, verdict)


BOOKING = ClassResult(
    "booking",
    figures(),
    {"read": figures(1.2), "write": figures(0.7)},
    (promise("p99", 1e-3, estimate(0.1712e-3, 0.0021e-3), "met"),),
)

STATIONS = (
    StationResult("network in", "network", 1, 2, "ps", 0.0003, 0.0003, 0.0),
    StationResult("round trip", "network", 1, 1, "delay", None, None, None),
    StationResult("cores", "controller", 1, 16, "fcfs", 0.158, 0.1587, 0.00012),
    StationResult("queue slots", "media", 12, 1024, "token", 0.001, None, 0.0),
    StationResult("die", "media", 768, 1, "token", 0.0106, 0.0106, 0.0021),
)

RESULT = Result(
    version="0.1.0",
    title="Seat booking on twelve flash drives",
    digest="0" * 64,
    seed=7,
    engine="reference",
    replications=16,
    requests=480_000,
    stopped_by="precision",
    classes=(BOOKING,),
    stations=STATIONS,
    theory=Theory(Saturation("cores", "controller", 6.349), {"cores": 0.1575}, {}),
    overload=None,
    verdict="met",
    notes=("A note.",),
)


def text_at(result: Result, width: int) -> str:
    return as_text(result, Console(file=StringIO(), width=width, color_system=None))


def flat(text: str) -> str:
    return " ".join(text.split())


# Numbers


@pytest.mark.parametrize(
    ("value", "half", "written"),
    [
        (0.1712, 0.0021, ("0.171", "±0.002")),
        (0.1712, 0.00151, ("0.1712", "±0.0015")),
        (2001.234, 3.4, ("2,001", "±3")),
        (50312, 412, ("50,300", "±400")),
        (9.996, 0.0996, ("10.00", "±0.10")),
        (1.2, 34, ("1", "±30")),
        (0, 0.2, ("0.0", "±0.2")),
        (17.21, 0, ("17.210", "±0")),
        (0, 0, ("0", "")),
        (2001.234, 1e-5, ("2,001.2", "±0.1")),
        (1e9, 1e7, ("1.00e+09", "±1e+07")),
    ],
)
def test_a_value_ends_where_its_interval_does(value: float, half: float, written: tuple[str, str]) -> None:
    assert interval_figure(estimate(value, half)) == written


def test_a_small_half_width_is_written_out_beside_its_value_and_a_small_value_is_not() -> None:
    assert interval_figure(estimate(0.072871, 1e-5)) == ("0.072871", "±0.000010")
    assert interval_figure(estimate(123.4567, 2e-6)) == ("123.46", "±0.01")
    assert interval_figure(estimate(7.2871e-5, 1e-6)) == ("7.29e-05", "±1e-06")


def test_texts_that_are_cut_stay_apart() -> None:
    assert cut_apart(["queue slots", "die"], 6) == ["queue…", "die"]
    lanes = ["regional booking: lane in", "regional booking: lane out", "regional booking: die"]
    short = cut_apart(lanes, 16)
    assert short == ["regio…g: lane in", "regio…: lane out", "regio…oking: die"]
    assert max(map(len, short)) == 16


def test_of_an_interval_that_is_not_symmetric_the_wider_side_is_given() -> None:
    assert interval_figure(IntervalEstimate(1.0, 0.9, 1.4, 10, METHOD)) == ("1.0", "±0.4")


def test_a_value_that_is_not_known_is_a_dash_and_never_0() -> None:
    assert interval_figure(IntervalEstimate.unknown(10, "too few")) == ("–", "")


magnitudes = st.floats(min_value=-30, max_value=30).map(lambda exponent: 10.0**exponent)


@given(value=magnitudes, relative=magnitudes, digits=st.sampled_from([3, 5]))
def test_a_figure_reads_back_to_its_value_within_what_it_says(
    value: float, relative: float, digits: int
) -> None:
    half = value * relative
    written, spread = interval_figure(IntervalEstimate(value, value - half, value + half, 10, METHOD), digits)
    read, read_half = float(written.replace(",", "")), float(spread[1:].replace(",", ""))
    if read_half > 0:
        assert abs(read - value) <= read_half
    else:
        assert abs(read - value) <= 10.0 ** (1 - min(digits, 3)) * value
    # To one digit, two if the first is 1, a half-width is at most a quarter off: 2.5 as 2. A narrower one than the
    # digits of the value show is never made narrower still.
    assert read_half >= half * 0.79 or half <= 1e-9 * value


@given(value=magnitudes, relative=magnitudes)
def test_with_few_digits_no_figure_is_long(value: float, relative: float) -> None:
    half = value * relative
    written, spread = interval_figure(IntervalEstimate(value, value - half, value + half, 10, METHOD), 3)
    assert len(written) <= 9
    assert len(spread) <= 10


def test_the_unit_of_time_suits_the_shortest_unless_the_longest_would_be_too_long() -> None:
    assert time_unit([1e-3]) == "ms"
    assert time_unit([98e-6, 4e-3]) == "us"
    assert time_unit([171e-6, 50e-3]) == "us"
    assert time_unit([8e-6, 2.0]) == "ms"
    assert time_unit([0.0, 3.0]) == "s"
    assert time_unit([2e-9]) == "ns"
    assert time_unit([]) == "s"


@given(st.lists(magnitudes, min_size=1))
def test_in_its_unit_no_time_from_1_ns_to_a_day_is_longer_than_five_digits(seconds: list[float]) -> None:
    inside = [time for time in seconds if 1e-9 <= time <= 86_400]
    unit = TIME_UNITS[time_unit(inside)]
    assert all(time / unit < 1e5 for time in inside)


def test_room_to_grow_is_never_promised_too_high() -> None:
    assert rounded_down(6.349) == "6.3"
    assert rounded_down(1.999) == "1.99"
    assert rounded_down(1.1) == "1.1"
    assert rounded_down(94.36) == "94"
    assert rounded_down(0.6549) == "0.654"


@given(magnitudes)
def test_rounding_down_never_goes_up_and_takes_at_most_a_tenth(factor: float) -> None:
    read = float(rounded_down(factor).replace(",", ""))
    assert 0.9 * factor <= read <= factor * (1 + 1e-9)


def test_a_share_that_is_not_zero_does_not_read_as_zero() -> None:
    assert percent(0.0) == "0.0"
    assert percent(0.0001) == "<0.1"
    assert percent(0.1587) == "15.9"


def test_numbers_lose_trailing_zeros_but_not_their_size() -> None:
    assert [number(x) for x in (1, 100, 0.5, 0.25, 1_234_567)] == ["1", "100", "0.5", "0.25", "1,230,000"]


def test_half_widths_line_up_under_one_another() -> None:
    assert aligned([("2,001", "±3"), ("16.39", "±0.02"), ("1", "")]) == [
        "2,001 ±3   ",
        "16.39 ±0.02",
        "    1      ",
    ]


# The answer on a terminal


def test_the_answer_says_what_was_asked_for() -> None:
    text = flat(text_at(RESULT, 100))
    assert "Seat booking on twelve flash drives" in text
    assert "Every target is met." in text
    assert "booking p99 at most 1 0.171 ±0.002 ms met" in text
    assert "requests 480,000 480,000 480,000" in text
    assert "throughput, MB/s 16.39 ±0.02" in text
    assert "p99.9, us 300 ±10" in text
    assert "cores 1 16 fcfs 15.8 15.9 <0.001" in text
    assert "seed 7, reference engine, 16 replications, 480,000 requests measured" in text
    assert "measure on real hardware" in text
    assert "says nothing about durability" in text
    assert "- A note." in text


def test_the_station_that_binds_is_named_with_its_stage_and_the_room_to_grow() -> None:
    expected = (
        "The cores of the controller bind first: the load can grow to 6.3 times this before they saturate."
    )
    assert binding_sentence(RESULT) == expected


@pytest.mark.parametrize(
    ("name", "stage", "count", "subject"),
    [
        ("die", "media", 768, "The dies of the media bind first"),
        ("bus", "media", 1, "The bus of the media binds first"),
        ("bus", "media", 96, "The buses of the media bind first"),
        ("network out", "network", 1, "The network, outbound, binds first"),
        ("lane in", "lane", 12, "The lanes, inbound, bind first"),
        ("controller", "controller", 1, "The controller binds first"),
        ("limit of booking", "controller", 1, "The limit of booking (controller) binds first"),
        ("limit of manifests", "controller", 1, "The limit of manifests (controller) binds first"),
    ],
)
def test_stations_are_named_as_one_would_say_it(name: str, stage: str, count: int, subject: str) -> None:
    station = StationResult(name, stage, count, 1, "fcfs", 0.5, 0.5, 0.5)
    result = replace(RESULT, stations=(station,), theory=Theory(Saturation(name, stage, 2.0), {}, {}))
    sentence = binding_sentence(result)
    assert sentence is not None
    assert sentence.startswith(subject)


def test_where_no_class_is_open_it_is_said_what_limits_the_closed_ones_and_where_their_tails_wait() -> None:
    short, long = estimate(1e-6, 1e-8), estimate(5e-6, 1e-8)
    usual = stage_times(short, short) | {"network": StageTimes(short, long)}
    slow = stage_times(short, short) | {"network": StageTimes(short, long), "media": StageTimes(long, short)}
    figures_of = replace(BOOKING.all, stages=usual, median_stages=usual, slowest_stages=slow)
    result = replace(
        RESULT, theory=Theory(None, {}, {}), classes=(replace(BOOKING, name="scan", all=figures_of),)
    )
    sentence = binding_sentence(result)
    assert sentence is not None
    assert sentence.startswith(
        "No station is full (the busiest, the cores of the controller: 15.8 % busy): closed"
    )
    # Of 12 us in the mean 5 are on the wire; the slowest wait 4 us longer, all of it at the media.
    assert sentence.endswith(
        "Of the mean latency of scan 42 % is service at the network; of what its slowest 1 % take longer, 100 % is "
        "wait at media."
    )
    full = StationResult("network out", "network", 1, 2, "ps", 0.9996, None, 30.0)
    sentence = binding_sentence(replace(result, stations=(*STATIONS, full)))
    assert sentence is not None
    assert sentence.startswith("The network, outbound, limits the closed classes: 100.0 % busy.")


def test_a_station_that_closed_classes_fill_is_named_beside_the_one_that_binds() -> None:
    full = StationResult("network out", "network", 1, 2, "ps", 0.9996, 0.05, 30.0)
    sentence = binding_sentence(replace(RESULT, stations=(*STATIONS, full)))
    assert sentence is not None
    assert sentence.endswith(
        "Closed classes, which take what is left, keep the network, outbound, 100.0 % busy."
    )
    open_only = replace(full, share_of_saturation=0.9996)
    assert "Closed" not in (binding_sentence(replace(RESULT, stations=(open_only,))) or "")


def test_verdicts_name_the_targets_they_are_about() -> None:
    missed = promise("read_p999", 1e-4, estimate(0.3e-3, 0.01e-3), "missed")
    open_question = promise("rate", 2000.0, estimate(2000, 3), "undecided")
    result = replace(RESULT, classes=(replace(BOOKING, targets=(missed, open_question)),), verdict="missed")
    assert (
        verdict_sentence(result)
        == "Missed: read p99.9 of booking (3 times its limit). Undecided: rate of booking."
    )
    assert "booking rate at least 2,000 2,000 ±3 /s undecided" in flat(text_at(result, 80))
    assert "Bonferroni" not in flat(text_at(result, 80))
    undecided = replace(RESULT, classes=(replace(BOOKING, targets=(open_question,)),), verdict="undecided")
    assert verdict_sentence(undecided).endswith("--until-decided goes on, up to three times as long.")
    assert "--until-decided" not in verdict_sentence(replace(undecided, looks=3))


def test_stations_of_pools_with_long_names_are_told_apart_where_there_is_no_room() -> None:
    names = [
        f"regional-booking-data: {noun}" for noun in ("queue slots", "command processor", "write buffer")
    ]
    stations = tuple(replace(RESULT.stations[-1], name=name, stage="media") for name in names)
    below = text_at(replace(RESULT, stations=stations), 80).partition("Stations")[2].splitlines()
    shown = [line for line in below if "…" in line]
    assert len(shown) == 3
    assert [line.split("…")[1].split()[1:2] for line in shown] == [["slots"], ["processor"], ["buffer"]]


def test_the_interval_that_judges_stands_beside_that_of_95_percent_where_it_is_wider() -> None:
    judged = estimate(0.1712e-3, 0.0029e-3)
    targets = (
        replace(BOOKING.targets[0], judged=judged, level=0.975),
        TargetResult(
            "booking", Quantity("rate"), 2000.0, estimate(2000, 3), estimate(2000, 4), 0.975, "undecided"
        ),
    )
    result = replace(RESULT, classes=(replace(BOOKING, targets=targets),))
    for width in (80, 100):
        text = text_at(result, width)
        assert "±, 97.5 %" in text
        assert "0.171 ±0.002 0.003 ms met" in flat(text)
        assert "2,000 ±3 4 /s undecided" in flat(text)
        assert "judged by the wider one of 97.5 % each" in flat(text)
        assert max(map(len, text.splitlines())) <= width


def test_the_tail_is_explained_against_the_median_request() -> None:
    # every stage alike waits 2 in place of 0.1 means: 1.9 of 7.6 means longer at each of the four
    text = flat(text_at(RESULT, 80))
    assert "The slowest 1 % take 760 us longer than the median request: 25 % wait at" in text
    assert verdict_sentence(replace(RESULT, classes=(), verdict="none")) == "No target is set."


def test_an_overloaded_server_is_answered_with_its_station_and_without_any_latency() -> None:
    overload = Overload("arm", "media", 12, 0.3149, 59.98, "before the run")
    theory = Theory(Saturation("arm", "media", 0.3149), {"arm": 3.175, "cores": 0.4}, {})
    result = replace(
        RESULT, classes=(), stations=(), theory=theory, overload=overload, verdict="overloaded", replications=0,
        requests=0, stopped_by=None,
    )  # fmt: skip
    text = flat(text_at(result, 80))
    assert "The arms of the media cannot keep up (found before the run)" in text
    assert "the largest load that they can carry is 0.314 times this, 59 requests/s" in text
    assert "No latency is quoted" in text
    assert "p99" not in text
    assert "arm 317.5" in text
    assert "cores 40.0" in text
    assert "0 requests" not in text


def test_an_overload_whose_largest_load_is_not_known_does_not_call_it_0() -> None:
    overload = Overload("cores", "controller", 1, 0.0, 0.0, "during the run")
    result = replace(RESULT, classes=(), overload=overload, verdict="overloaded")
    assert "is not known" in flat(text_at(result, 80))


def test_what_is_not_known_is_a_dash_with_its_reason_once_at_the_foot() -> None:
    reason = "3 excursions beyond p99.9 in replication 5, 12 needed"
    without = figures(p999=IntervalEstimate.unknown(480_000, reason))
    result = replace(
        RESULT, classes=(replace(BOOKING, all=without, kinds={"read": without, "write": without}),)
    )
    text = text_at(result, 80)
    assert "p99.9, us –¹ –¹ –¹" in flat(text)
    assert text.count(reason) == 1
    assert f"¹ {reason}" in flat(text)
    assert "needs longer runs" in flat(text)


def test_a_class_without_writes_has_one_column() -> None:
    reads_only = replace(BOOKING, kinds={"read": BOOKING.all})
    lines = text_at(replace(RESULT, classes=(reads_only,)), 80).splitlines()
    assert "all (reads)" in lines[lines.index("Class booking") + 1]


def test_delays_have_no_row_among_the_stations() -> None:
    assert "round trip" not in text_at(RESULT, 80)


def test_small_times_keep_two_digits_beside_large_ones_and_tiny_ones_become_a_bound() -> None:
    stages = stage_times(estimate(1e-9, 1e-10), estimate(10e-3, 1e-5))
    stages["lane"] = StageTimes(estimate(31.2e-6, 1e-8), estimate(0.0, 0.0))
    line = next(
        line
        for line in text_at(
            replace(RESULT, classes=(replace(BOOKING, all=replace(BOOKING.all, stages=stages)),)), 80
        ).splitlines()
        if line.startswith("  lane ")
    )
    assert line.split()[:4] == ["lane", "0.031", "±0.001", "0"]


def test_what_closed_forms_say_of_a_class_stands_beside_it() -> None:
    theory = Theory(None, {}, {"booking": ClassTheory(99.7e-6, None, "product form")})
    text = flat(text_at(replace(RESULT, theory=theory), 80))
    assert "99.7 approximate" in text
    assert "booking: product form." in text


def test_names_are_never_taken_for_markup() -> None:
    named = replace(BOOKING, name="[bold]x[/bold]")
    result = replace(RESULT, title="[red]not red[/red]", classes=(named,), notes=("[link=x]y[/link]",))
    text = text_at(result, 80)
    assert "[red]not red[/red]" in text
    assert "Class [bold]x[/bold]" in text
    assert "[link=x]y[/link]" in text


estimates = st.one_of(
    st.builds(
        lambda value, relative: IntervalEstimate(
            value, value * (1 - relative), value * (1 + relative), 10, METHOD
        ),
        magnitudes,
        st.floats(min_value=0, max_value=10),
    ),
    st.sampled_from(
        [
            IntervalEstimate.unknown(0, "nothing observed"),
            IntervalEstimate(1e-3, None, None, 5, "one replication " * 10),
        ]
    ),
    st.just(IntervalEstimate(0.0, 0.0, 0.0, 10, METHOD)),
)
any_stages = st.fixed_dictionaries({stage: st.builds(StageTimes, estimates, estimates) for stage in STAGES})
any_figures = st.builds(
    Figures,
    st.integers(0, 10**12),
    estimates,
    estimates,
    st.fixed_dictionaries(dict.fromkeys(("mean", "p50", "p90", "p95", "p99", "p999"), estimates)),
    any_stages,
    any_stages,
    any_stages,
)
names = st.text(st.characters(categories=["L", "N", "P", "S"]), min_size=1, max_size=64)
any_target = st.builds(
    TargetResult,
    st.just("booking"),
    st.sampled_from(["p99", "read_p999", "write_mean", "rate", "throughput"]).map(Quantity),
    magnitudes,
    estimates,
    estimates,
    st.sampled_from([0.95, 0.975, 1 - 0.05 / 9]),
    st.sampled_from(["met", "missed", "undecided"]),
)
any_class = st.builds(
    ClassResult,
    names,
    any_figures,
    st.fixed_dictionaries({}, optional={"read": any_figures, "write": any_figures}),
    st.lists(any_target, max_size=2).map(tuple),
)
any_station = st.builds(
    StationResult,
    names.map(lambda name: f"limit of {name}"),
    st.sampled_from(STAGES),
    st.integers(1, 10**6),
    st.integers(1, 10**6),
    st.sampled_from(["fcfs", "ps", "delay", "arm", "token"]),
    st.none() | st.floats(0, 1),
    st.none() | st.floats(0, 1e9),
    st.none() | st.floats(0, 1e9),
)
any_result = st.builds(
    lambda title, classes, stations, load_factor: replace(
        RESULT,
        title=title,
        classes=tuple(classes),
        stations=tuple(stations),
        theory=Theory(Saturation("limit of x", "controller", load_factor), {}, {}),
    ),
    st.text(st.characters(categories=["L", "N", "P", "S", "Zs"]), min_size=1, max_size=200),
    st.lists(any_class, max_size=2),
    st.lists(any_station, max_size=5),
    magnitudes,
)


@settings(max_examples=20, deadline=None)
@given(result=any_result, width=st.sampled_from([80, 100]))
@example(result=RESULT, width=80)
def test_no_line_is_wider_than_the_terminal_and_no_row_is_broken(result: Result, width: int) -> None:
    lines = text_at(result, width).splitlines()
    assert all(cell_len(line) <= width for line in lines)
    firsts = [re.split(r"  +", line.strip())[0] for line in lines if line.startswith("  ")]
    for each in result.classes:
        for label in ("requests", "rate, /s", "throughput, MB/s", *STAGES):
            # Beside figures of 26 letters, as no server has them, a label gives way, but to no less than its beginning.
            cut = {f"{label[:length]}…" for length in range(6, len(label))}
            assert {label, *cut} & set(firsts), each.name


@settings(max_examples=20, deadline=None)
@given(result=any_result, width=st.sampled_from([80, 100]))
def test_names_give_way_before_any_figure_is_cut(result: Result, width: int) -> None:
    text = flat(text_at(result, width))
    for each in result.classes:
        for figure in (each.all.rate_per_s, each.all.throughput_bytes_per_s.scaled(1e-6)):
            written = {" ".join(interval_figure(figure, digits)).strip() for digits in (3, 5)}
            assert any(one in text for one in written)
        for target in each.targets:
            assert f" {target.verdict}" in text
    for station in result.stations:
        if station.discipline != "delay" and station.utilisation is not None:
            assert f" {station.count:,} {station.servers:,} {station.discipline} " in text


def test_in_a_very_wide_terminal_lines_stay_short_enough_to_read() -> None:
    long = replace(RESULT, notes=("word " * 100,))
    assert max(len(line) for line in text_at(long, 300).splitlines()) <= 100


# Files


def test_the_directory_is_made_and_holds_the_answer_in_five_files(tmp_path: Path) -> None:
    directory = tmp_path / "deep" / "answer"
    written = write_result(RESULT, directory, "title = 'x'\n")
    names_found = {path.name for path in directory.iterdir()}
    assert names_found == {"answer.json", "answer.txt", "classes.csv", "stations.csv", "scenario.toml"}
    assert {path.name for path in written} == names_found
    assert json.loads((directory / "answer.json").read_text()) == RESULT.as_dict()
    assert (directory / "answer.txt").read_text(encoding="utf-8") == as_text(RESULT)
    assert (directory / "scenario.toml").read_text() == "title = 'x'\n"


def test_files_from_before_are_replaced_and_none_is_left_half_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_result(RESULT, tmp_path, "old")

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr("os.fsync", full)
        with pytest.raises(OSError, match="No space left"):
            write_result(replace(RESULT, title="new"), tmp_path, "new")
    assert len(list(tmp_path.iterdir())) == 5
    assert json.loads((tmp_path / "answer.json").read_text())["title"] == RESULT.title
    write_result(replace(RESULT, title="new"), tmp_path, "new")
    assert json.loads((tmp_path / "answer.json").read_text())["title"] == "new"
    assert (tmp_path / "scenario.toml").read_text() == "new"


def test_the_table_of_classes_has_one_row_a_figure() -> None:
    table = classes_table(RESULT)
    # a rate, a throughput, six latencies, and wait and service of four stages for all, the slowest and the median
    assert len(table) == 3 * (2 + 6 + 3 * 8)
    keys = ["class", "kind", "sample", "stage", "quantity", "statistic"]
    assert not table.duplicated(keys).any()
    p99 = table[(table["kind"] == "all") & (table["statistic"] == "p99")].iloc[0]
    assert p99["value"] == BOOKING.all.latency_s["p99"].value
    assert p99["low"] <= p99["value"] <= p99["high"]


def test_what_is_not_known_is_empty_in_the_tables(tmp_path: Path) -> None:
    unknown = replace(BOOKING, all=figures(p999=IntervalEstimate.unknown(7, "too few")))
    write_result(replace(RESULT, classes=(unknown,)), tmp_path, "")
    classes = pd.read_csv(tmp_path / "classes.csv")
    row = classes[(classes["kind"] == "all") & (classes["statistic"] == "p999")].iloc[0]
    assert math.isnan(row["value"])
    assert row["method"] == "too few"
    assert row["n"] == 7
    stations = pd.read_csv(tmp_path / "stations.csv")
    assert stations["utilisation"].isna().tolist() == [False, True, False, False, False]


def test_an_overloaded_answer_has_tables_with_headings_and_no_rows() -> None:
    result = replace(RESULT, classes=(), stations=())
    assert classes_table(result).empty
    assert stations_table(result).empty
    assert "value" in classes_table(result).columns


def test_the_copy_of_a_scenario_says_how_to_repeat_the_answer() -> None:
    copy = scenario_copy("title = 'x'\n", 7, ['workload.booking.rate="300 /s"', "a=\n[x]"])
    first, second, *_ = copy.splitlines()
    assert first.startswith("# tailrace run scenario.toml --seed 7 --set 'workload.booking.rate=\"300 /s\"'")
    assert second == "title = 'x'"


def test_json_has_no_number_that_json_does_not_know() -> None:
    assert json.loads(as_json(RESULT), parse_constant=pytest.fail) == RESULT.as_dict()


# The list of keys


def test_the_list_of_keys_names_every_key_once_in_its_table_and_fits_80_columns() -> None:
    text = key_list(rows())
    assert all(len(line) <= 80 for line in text.splitlines())
    keys = list(rows())
    assert keys
    for key in keys:
        table, _, name = key.path.rpartition(".")
        title = f"[{table}]  {key.when}".rstrip() if table else "Outside of all tables"
        block = text.split(f"{title}\n", 1)[1].split("\n\n", 1)[0]
        assert sum(line.startswith(f"  {name} ") for line in block.splitlines()) == 1, key.path
