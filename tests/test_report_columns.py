"""One table of columns: whoever shows a figure names, measures and writes it in the same way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from html.parser import HTMLParser
from io import StringIO

import numpy as np
import pytest
from rich.console import Console

from tailrace.answer.result import Figures, Overload, Result
from tailrace.answer.work import Work
from tailrace.forecast.conditions import ConditionEstimates, EstimatedCondition
from tailrace.forecast.result import ClassTheory, Theory
from tailrace.forecast.spells import Spell
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.paired import Paired
from tailrace.measure.section import Sectioned
from tailrace.quantity import Quantity
from tailrace.report import notebook
from tailrace.report.columns.answer import class_figures, station_columns, stations, targets
from tailrace.report.files.answer import classes_table, stations_table
from tailrace.report.page.words import promise_sentences
from tailrace.report.pictures.distribution import latency_distribution
from tailrace.report.table import Head, Table, noted, signed, unknown
from tailrace.report.terminal.results import as_text
from tailrace.scenario.reading.read import parse
from tailrace.scenario.tables.cost import Cost
from tailrace.shown import Shown
from tailrace.study.candidates import Candidate
from tailrace.study.choose import Choice, Offer
from tailrace.study.compare import Comparison, Design, Difference
from tailrace.study.compare_conditions import ConditionsComparison
from tailrace.study.conditions import ConditionResult, Conditions
from tailrace.study.headroom import Headroom
from tailrace.study.journey import Journey, Stop, Trip
from tailrace.study.relief import Relief
from tailrace.study.vary import Setting
from test_report import BOOKING, RESULT, estimate, figures, flat, promise, text_at

THROUGHPUT = promise("throughput", 40e6, estimate(58e6, 3e6), "met")
OVERLOAD = Overload("arm", "media", 12, 0.3149, 59.98, "before the run")
MISSED = promise("read_p999", 0.1e-3, estimate(0.3e-3, 0.01e-3), "missed")


def answer(*promised: object, **changed: object) -> Result:
    return replace(RESULT, classes=(replace(BOOKING, targets=promised),), **changed)


def compared(*results: Result) -> Comparison:
    designs = [
        Design(f"design-{place}", each, Cost(1000.0 * place, 100.0, (), ()), 2.0 * place, "", 1)
        for place, each in enumerate(results, 1)
    ]
    paired = Paired(estimate(-1e-5, 1e-6), estimate(0.9, 0.01))
    return Comparison(tuple(designs), (Difference("design-2", "booking", "read", "p999", paired),))


def at(comparison: Comparison, width: int) -> str:
    return as_text(comparison, Console(file=StringIO(), width=width, color_system=None))


# Targets


@pytest.mark.parametrize("width", [80, 100])
def test_a_comparison_writes_a_throughput_as_a_run_does_with_its_unit_and_direction(width: int) -> None:
    told = flat(at(compared(answer(THROUGHPUT), answer(MISSED)), width))
    assert "design-1 booking throughput at least 40 58 ±3 MB/s met" in told
    assert "design-2 booking read p99.9 at most 100 300 ±10 us missed" in told
    assert "booking throughput at least 40 58 ±3 MB/s met" in flat(text_at(answer(THROUGHPUT), width))
    assert "e+07" not in told


def test_a_comparison_has_a_row_for_what_is_overloaded_and_for_what_promises_nothing() -> None:
    over = replace(RESULT, classes=(), verdict="overloaded", overload=OVERLOAD)
    lines = [line.split() for line in at(replace(compared(answer(), over), differences=()), 80).splitlines()]
    assert ["design-1", "no", "target"] in lines
    assert ["design-2", "overloaded"] in lines


def test_a_comparison_shows_the_wider_interval_by_which_targets_are_judged() -> None:
    judged = replace(THROUGHPUT, judged=estimate(58e6, 5e6), level=0.975)
    told = flat(at(compared(answer(judged, replace(MISSED, level=0.975)), answer(THROUGHPUT)), 80))
    assert "limit found ±, 97.5 % unit verdict" in told
    assert "58 ±3 5 MB/s met" in told
    assert "judged by the wider one" in told


def test_several_levels_of_several_designs_are_not_said_to_be_one() -> None:
    some = [replace(THROUGHPUT, judged=estimate(58e6, 5e6), level=level) for level in (0.975, 1 - 0.05 / 3)]
    table = targets([("a", answer(some[0])), ("b", answer(some[1]))])
    assert "±, judged" in [head.line for head in table.heads]


@pytest.mark.parametrize("width", [80, 100])
def test_a_comparison_with_long_names_fits_and_keeps_its_figures(width: int) -> None:
    found = compared(answer(THROUGHPUT), answer(MISSED))
    long = replace(BOOKING, name="a class of " + "long " * 10 + "names", targets=(THROUGHPUT,))
    designs = (
        replace(found.designs[0], name="design of " + "long " * 12, result=replace(RESULT, classes=(long,))),
        found.designs[1],
    )
    text = at(replace(found, designs=designs, differences=()), width)
    assert max(map(len, text.splitlines())) <= width
    assert "58 ±3" in text
    assert "MB/s" in text


def test_a_design_that_is_bought_more_than_once_says_what_all_of_them_cost() -> None:
    found = compared(answer(THROUGHPUT), answer(THROUGHPUT))
    designs = (found.designs[0], replace(found.designs[1], boxes=3))
    told = flat(at(replace(found, designs=designs), 80))
    assert "price of one, " not in told
    assert "design-2 4 3 2,000 6,000 100 300" in told


# Quantiles that nobody has listed


def with_quantile(name: str, value: float) -> Figures:
    known = figures()
    latency: Mapping[str, IntervalEstimate] = {**known.latency_s, name: estimate(value, value / 100)}
    return replace(known, latency_s=latency, distribution_s={})


@pytest.mark.parametrize(("name", "written"), [("p9999", "p99.99"), ("p995", "p99.5"), ("p99999", "p99.999")])
def test_a_quantile_that_a_result_has_is_shown_wherever_figures_are(name: str, written: str) -> None:
    found = with_quantile(name, 0.4567e-3)
    target = promise(name, 0.5e-3, found.latency_s[name], "met")
    each = replace(BOOKING, all=found, kinds={"read": found, "write": found}, targets=(target,))
    result = replace(RESULT, classes=(each,))
    told = flat(text_at(result, 80))
    assert f"{written}, us 457 ±5 457 ±5 457 ±5" in told
    assert f"booking {written} at most 500 457 ±5 us met" in told
    table = classes_table(result)
    row = table[(table["kind"] == "read") & (table["statistic"] == name)].iloc[0]
    assert row["value"] == found.latency_s[name].value
    picture = latency_distribution(result)
    assert any(f"target: {written} at most 500 us" in str(line.get_label()) for line in picture.axes[0].lines)
    labels = [line.get_label() for line in picture.axes[0].lines]
    marks = picture.axes[0].lines[labels.index("booking: all requests")]
    assert len(marks.get_markevery()) == 6  # five quantiles and this one
    assert Quantity(name).probability in {round(1 - share, 9) for share in marks.get_ydata()}


def test_a_quantile_that_only_reads_have_is_a_dash_elsewhere() -> None:
    each = replace(BOOKING, kinds={"read": with_quantile("p995", 0.4567e-3), "write": BOOKING.kinds["write"]})
    row = next(row for row in class_figures(each).written().lines if row[0] == "p99.5, us")
    assert row == ["p99.5, us", "–", "457 ±5", "–"]


@pytest.mark.parametrize(
    ("name", "share"), [("p50", "Half"), ("p99", "99 %"), ("p999", "99.9 %"), ("read_p95", "95 %")]
)
def test_promises_in_words_reckon_the_share_from_the_quantile(name: str, share: str) -> None:
    text = (
        'title = "x"\n[server.media]\nkind = "generic"\nservice = {law = "exponential", mean = "1 ms"}\n'
        '[[workload]]\nname = "booking"\nrate = "5 /s"\nrequest_size = "8 KiB"\nread_share = 0.5\n'
        f'[workload.target]\n{name} = "9 ms"\n'
    )
    whom = "reads" if name.startswith("read") else "requests"
    assert promise_sentences(parse(text).workload[0]) == [f"{share} of the {whom} are to take at most 9 ms."]


# Stations


def test_terminal_page_and_csv_have_the_columns_of_one_table() -> None:
    columns = station_columns()
    table = stations(RESULT)
    assert [head.line for head in table.heads] == [each.head.line for each in columns]
    identity = ["seed", "version", "digest"]
    assert list(stations_table(RESULT).columns) == [*(each.field for each in columns), *identity]
    assert set(stations_table(RESULT).digest) == {RESULT.digest}
    unmarked = str.maketrans("", "", "¹²")
    text = flat(text_at(RESULT, 80)).translate(unmarked)
    for row in table.written().lines:
        if "delay" not in row:
            # the stage stands above its stations
            assert " ".join([row[0], *row[2:]]).translate(unmarked) in text


def test_every_column_of_stations_is_read_off_the_result_by_its_field() -> None:
    for each in station_columns():
        assert hasattr(RESULT.stations[0], each.field)
    frame = stations_table(RESULT)
    assert frame["count"].tolist() == [each.count for each in RESULT.stations]
    assert frame["servers"].tolist() == [each.servers for each in RESULT.stations]


def test_why_a_station_has_no_share_is_said_once_for_all_of_a_kind() -> None:
    closed = replace(RESULT, theory=Theory(None, {}, {}))
    reasons = [reason for _, reason in stations(closed).written().notes]
    assert sorted(reasons) == [
        "a delay has no servers and no queue",
        "no class is open: the load follows the server",
    ]


# The mechanism


def test_marks_are_counted_column_by_column_and_a_reason_is_said_once() -> None:
    few, none = IntervalEstimate.unknown(3, "too few"), IntervalEstimate.unknown(0, "none at all")
    table = Table.of(
        ["", "a", "b"], [["x", few, none], ["y", few, estimate(2.0, 0.1)], ["z", unknown(), "1"]]
    )
    written = table.written()
    assert written.lines == [["x", "–¹", "–²"], ["y", "–¹", "2.00 ±0.10"], ["z", "–", "1"]]
    assert written.notes == [("¹", "too few"), ("²", "none at all")]


def test_a_difference_has_its_sign_and_a_remark_its_mark() -> None:
    table = Table.of(["", "a"], [["x", signed(estimate(-1.0, 0.1))], ["y", signed(estimate(1.0, 0.1))]])
    assert [row[1] for row in table.written().lines] == ["−1.00 ±0.10", "+1.00 ±0.10"]
    assert Table.of(["a"], [[noted("7", "of one")]]).written().lines == [["7¹"]]


def test_a_heading_over_several_columns_is_in_each_of_theirs_on_a_page() -> None:
    assert Head("wait", over="slowest 1 %").line == "slowest 1 %: wait"
    assert Head("load, % of\nsaturation").line == "load, % of saturation"


# Notebooks


class Calm(HTMLParser):
    """The text of a piece of HTML, and its elements; closed in their order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: set[str] = set()
        self.text = ""
        self.feed(text)
        self.close()
        assert not self.open

    def handle_starttag(self, tag: str, _: object) -> None:
        self.tags.add(tag)
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


SPELL = Spell("noon", "arm", 1e6, 540.0, None, None, {("booking", Quantity("p99")): 2880.0})
DAY = Conditions(
    "0.1",
    "A day",
    "0" * 64,
    7,
    "compiled",
    (ConditionResult("night", 8.0, 1 / 3, answer(MISSED), 0.1),),
    (replace(BOOKING, targets=(MISSED,)),),
    (Work("booking", 2 * 10**13, "night", 0.0, "night", Sectioned(22200.0, np.array([300.0, -300.0]), 9)),),
    (MISSED,),
    (SPELL,),
    2,
    "missed",
    ("a note",),
    "22:00",
)
STOP = Stop("network in", "network", 1, 0.0, 1e-4, 2e-4, 3)
SHOWN: tuple[Shown, ...] = (
    answer(MISSED),
    Theory(None, {"cores": 0.5}, {"booking": ClassTheory(1e-4, 2e-4, "product form")}),
    compared(answer(THROUGHPUT), answer(MISSED)),
    DAY,
    ConditionsComparison(
        {"night": compared(answer(MISSED), answer(MISSED))}, {"design-1": DAY, "design-2": DAY}
    ),
    ConditionEstimates(
        "A day", "0" * 64, (EstimatedCondition("night", 8.0, 1.0, Theory(None, {}, {}), 0.1),), (SPELL,)
    ),
    Journey("0.1", "A day", "0" * 64, 7, 100, (Trip(0, "booking", "read", 1, 8192, 0.5, 3e-4, (STOP,)),)),
    Choice(
        "A day",
        7,
        ("server.media.count",),
        {},
        "price",
        (
            Offer(
                Candidate("", (Setting("server.media.count", 3, "server.media.count=3"),), reason="too few")
            ),
        ),
        None,
        0,
        0,
        False,
    ),
    Headroom("A day", "load", "", False, True, "plain", 1.0, None, None, 3.0, 2.0, (), 0, 7),
    Relief(
        "A day",
        7,
        "booking",
        Quantity("p999"),
        1e-3,
        estimate(2e-3, 1e-5),
        "missed",
        None,
        1.5,
        (),
        (),
        8,
        10,
    ),
)


@pytest.mark.parametrize("found", SHOWN, ids=lambda found: type(found).__name__)
def test_a_result_shows_itself_in_a_notebook_as_on_a_terminal(found: Shown) -> None:
    page = Calm(found._repr_html_())
    assert page.tags <= {"pre", "span"}
    assert page.text.split() == as_text(found, Console(file=StringIO(), width=100, color_system=None)).split()


def test_every_kind_of_result_that_says_so_can_be_shown() -> None:
    from tailrace.study.sweep import Sweep

    kinds = {type(each).__name__ for each in SHOWN} | {Sweep.__name__}
    assert {kind.__name__ for kind in Shown.__subclasses__()} == kinds
    with pytest.raises(KeyError, match="Console"):
        as_text(Console())


def test_a_result_is_printed_in_full_and_is_a_few_lines_as_a_value() -> None:
    found = answer(MISSED)
    assert str(found) == as_text(found).rstrip()
    lines = repr(found).splitlines()
    assert lines[0] == f"<Result> {found.title}"
    assert lines[1:8] == str(found).splitlines()[1:8]
    assert lines[8:] == [f"… {len(str(found).splitlines()) - 8} more lines: print() shows them"]


def test_names_in_a_notebook_are_text_and_verdicts_are_coloured() -> None:
    page = Calm(replace(answer(MISSED), title="<script>alert(1)</script>", verdict="missed")._repr_html_())
    assert "script" not in page.tags
    assert "<script>alert(1)</script>" in page.text
    red = "".join(f"{part:02x}" for part in notebook.COLOURS.ansi_colors[1])
    assert f"color: #{red}" in answer(MISSED)._repr_html_()
