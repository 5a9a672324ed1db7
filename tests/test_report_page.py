"""The report: one page that stands by itself, says everything, and lets no name do harm."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from drives import generic
from tailrace.errors import SettingError
from tailrace.measure.interval import IntervalEstimate
from tailrace.measure.paired import Paired
from tailrace.report.page import drawings
from tailrace.report.page.page import report_page
from tailrace.report.page.words import class_sentence, promise_sentences
from tailrace.scenario.reading.inputs import inputs
from tailrace.scenario.reading.read import load, parse
from tailrace.scenario.tables.cost import cost
from tailrace.study.account import Account, account
from tailrace.study.beside import beside
from tailrace.study.compare import Comparison, Design, Difference

SCENARIOS = Path(__file__).parent.parent / "shared" / "scenarios"
SHORT = ["run.requests=2000", "run.replications=4"]
HOSTILE = """<script>alert(1)</script>"''&{{ 7 * 7 }}$x$"""
CLOSED = f"""
title = "A closed class"
{generic("exponential")}
[[workload]]
name = "booking"
queue_depth = 4
request_size = "8 KiB"
[run]
requests = 2000
replications = 4
seed = 3
"""


class Page(HTMLParser):
    """Elements, attributes and ids of a page, and whether what was opened is closed in its order."""

    EMPTY = frozenset(("meta", "link", "br", "img", "hr", "input"))

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.open: list[str] = []
        self.text = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data) -> None:
        if "style" not in self.open:
            self.text += data


@pytest.fixture(scope="module")
def told() -> Account:
    file = SCENARIOS / "one-station.toml"
    scenario = load(file, [*SHORT, 'workload.booking.target.p95="9 ms"'])
    return account("one-station", scenario, file.read_text(), tuple(SHORT), curve_requests=1000)


@pytest.fixture(scope="module")
def page(told) -> str:
    return report_page([told], ["one-station.toml"])


def test_a_report_needs_no_network_and_no_script(page) -> None:
    found = Page(page)
    assert not found.open
    tags = {tag for tag, _ in found.elements}
    assert not tags & {"script", "iframe", "object", "embed", "img", "form"}
    for tag, attributes in found.elements:
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("src", "href", "xlink:href", "action"):
            assert attributes.get(name, "#").startswith(("#", "data:,")), (tag, attributes)
    assert not re.search(r"@import|url\((?!#)", page)
    policy = next(a["content"] for _, a in found.elements if "http-equiv" in a)
    assert policy.startswith("default-src 'none'")
    assert len(page.encode()) < 2_000_000


def test_a_report_says_what_was_asked_found_assumed_and_how_to_repeat_it(page, told) -> None:
    text = " ".join(Page(page).text.split())
    for said in (
        "Every target is met.",
        "One client sends 3,200 requests/s, at random times: 8 KiB, reads, at random addresses.",
        "95 % of the requests are to take at most 9 ms.",
        "M/M/4",
        "saturates",
        f"seed {told.result.seed}",
        told.result.digest[:16],
        "tailrace report one-station.toml --set run.requests=2000 --set run.replications=4 --seed 7",
        "Measure on real hardware",
        "Performance says nothing about durability",
        "Local rules",
        "One station of the textbooks",  # the scenario file itself
    ):
        assert said in text
    for each in inputs(told.scenario):
        assert each.path in text
        assert each.value in text


def test_designs_side_by_side_name_what_they_carry_and_cost_how_they_differ_and_in_which_inputs(told) -> None:
    cheap, dear = (
        load(SCENARIOS / "one-station.toml", [*SHORT, f"server.media.price={price}", *more])
        for price, more in ((50, []), (200, ['server.media.power="9 W"', "load=0.5"]))
    )
    designs = [
        Design(name, told.result, cost(scenario.server), carries, "", boxes)
        for name, scenario, carries, boxes in (("cheap", cheap, 1.5, 1), ("dear", dear, 3.0, 1))
    ]
    change = IntervalEstimate(-1e-3, -1.1e-3, -0.9e-3, 4, "t"), IntervalEstimate(0.5, 0.45, 0.55, 4, "t")
    found = [Difference("dear", "booking", "all", "p95", Paired(*change))]
    accounts = [replace(told, name="cheap", scenario=cheap), replace(told, name="dear", scenario=dear)]
    page = report_page(accounts, ["a.toml", "b.toml"], (), Comparison(tuple(designs), tuple(found)))
    text = " ".join(Page(page).text.split())
    carried = text.partition("What one carries, costs and draws ")[2].partition("Inputs that differ ")
    assert "cheap1.5150¹50" in carried[0]
    assert "dear3120020099" in carried[0].translate(str.maketrans("", "", "¹²³"))
    assert "2 of cheap do what one dear does at the targets" in carried[0]
    differ = carried[2].partition("How much they differ")[0]
    assert differ.startswith("keycheapdear")
    for said in ("server.media.price50200", "server.media.power–9 W", "load10.5"):
        assert said in differ
    assert "request_size" not in differ
    assert "Class booking: dear against cheap" in text
    # From -1.1 to -0.9 ms, and a ratio from 0.45 to 0.55.
    assert "−1.00 ±0.100.50 ±0.05" in text


def test_rows_that_decide_name_their_columns_for_a_narrow_screen(page) -> None:
    cells = [
        attributes for tag, attributes in Page(page).elements if tag == "td" and "data-head" in attributes
    ]
    assert [each["data-head"] for each in cells[:6]] == [
        "class",
        "quantity",
        "limit",
        "found",
        "unit",
        "verdict",
    ]
    assert cells[5]["class"] == "verdict met"


def test_every_picture_has_a_text_alternative_and_its_numbers_in_a_table(page, told) -> None:
    found = Page(page)
    pictures = [a for _, a in found.elements if a.get("role") == "img"]
    assert len(pictures) == 6  # three, at two widths
    assert all(len(each["aria-label"]) > 40 for each in pictures)
    assert page.count("<figure>") == 3
    for figure in re.findall(r"<figure>.*?</figure>", page, re.DOTALL):
        assert "<table>" in figure
    # Values of the answer stand in them: the p95 in the distribution, in ms.
    p95 = told.result.classes[0].all.latency_s["p95"]
    assert f"{1e3 * p95.value:.1f}" in Page(page).text


@pytest.mark.whole
def test_several_scenarios_are_compared_and_told_one_by_one_and_no_two_elements_share_an_id(told) -> None:
    found = Page(report_page([told, replace(told, name="again")]))
    ids = [a["id"] for _, a in found.elements if "id" in a]
    assert len(ids) == len(set(ids))
    text = found.text
    assert "Side by side" in text
    assert "one-station: One station" in text
    assert "again: One station" in text


def test_names_from_a_scenario_are_shown_and_never_run(told) -> None:
    scenario = told.scenario.model_copy(
        update={
            "title": HOSTILE,
            "workload": (told.scenario.workload[0].model_copy(update={"name": HOSTILE[:60]}),),
        }
    )
    classes = (replace(told.result.classes[0], name=HOSTILE[:60]),)
    result = replace(told.result, title=HOSTILE, classes=classes, notes=(HOSTILE,))
    hostile = replace(
        told, name=HOSTILE, scenario=scenario, source=HOSTILE, settings=(HOSTILE,), result=result
    )
    text = report_page([hostile, told], [HOSTILE])
    found = Page(text)
    assert not found.open
    assert "script" not in {tag for tag, _ in found.elements}
    assert "<script" not in text
    assert HOSTILE in found.text
    assert "49" not in re.findall(r"alert\(1\).{0,40}", found.text)[0]


def test_a_closed_scenario_shows_its_queue_depth_instead_of_a_load() -> None:
    scenario = parse(CLOSED, overrides=['workload.booking.target.p99="50 ms"'])
    told = account("closed", scenario, CLOSED, curve_requests=1000)
    assert [point.value for point in told.depth.points] == [1, 2, 4, 8, 16, 32]
    text = " ".join(Page(report_page([told])).text.split())
    assert "One client keeps 4 requests under way: 8 KiB, reads, at random addresses." in text
    assert "No class is open" in text
    assert "target: p99" in drawings.load(told, "s").svg("wide")


def test_an_overloaded_scenario_is_told_without_any_latency() -> None:
    scenario = load(SCENARIOS / "one-station.toml", [*SHORT, "load=2"])
    told = account("over", scenario, "", curve_requests=1000)
    text = " ".join(Page(report_page([told])).text.split())
    assert "Overloaded: the server cannot carry this load." in text
    assert "cannot keep up" in text


def test_the_same_answer_gives_the_same_page(told, page) -> None:
    assert report_page([told], ["one-station.toml"]) == page


def test_what_a_class_asks_is_said_in_words() -> None:
    mixed = load(SCENARIOS / "mixed.toml")
    assert class_sentence(mixed.workload[0], 1.0) == (
        "40 clients send 500 requests/s each, 20,000/s in all, at random times: 8 KiB, 70 % reads, the rest writes, "
        "at random addresses."
    )
    assert class_sentence(mixed.workload[1], 1.0) == (
        "4 clients keep 8 requests under way each: 1 MiB, reads, one after the other."
    )
    assert promise_sentences(mixed.workload[0]) == ["99 % of the requests are to take at most 400 us."]
    transactions = load(SCENARIOS / "booking-transactions.toml").workload[0]
    assert promise_sentences(transactions) == ["99 % of the transactions are to take at most 2.5 ms."]


@pytest.mark.parametrize("file", sorted(SCENARIOS.glob("*.toml")), ids=lambda file: file.stem)
def test_every_input_has_a_value_and_a_meaning(file) -> None:
    found = inputs(load(file))
    assert len(found) > 5
    assert len({each.path for each in found}) == len(found)
    for each in found:
        assert each.value
        assert each.description
        assert "(" not in each.value or "," in each.value
    given = {each.path for each in found if each.is_given}
    assert all(f"workload.{each.name}.name" in given for each in load(file).workload)


@pytest.mark.whole
def test_headroom_and_relief_stand_in_the_report_when_asked_for(told) -> None:
    fuller = replace(told, beside=beside(told.scenario, ["headroom", "relief"], seed=told.result.seed))
    text = " ".join(Page(report_page([fuller], ["one-station.toml"], ["headroom", "relief"])).text.split())
    assert "load (now 1" in text
    assert "Each resource doubled by itself" in text
    assert "--with headroom,relief" in text
    # M/M/4 at 3,200 /s saturates at 1.25 times this, and no target can be met beyond that.
    assert fuller.beside.headroom.met is not None
    assert 1 <= fuller.beside.headroom.met < 1.25
    with pytest.raises(SettingError, match="with is 'luck'; accepted: headroom, relief, choose"):
        beside(told.scenario, ["luck"])
    with pytest.raises(
        SettingError, match=r"no designs to choose from; accepted: one with a \[choice\] table"
    ):
        beside(told.scenario, ["choose"])


@pytest.mark.whole
def test_a_choice_stands_in_the_report_with_front_runners_up_and_reasons(told) -> None:
    table = '[choice]\nvary = ["server.media.servers=2..6"]\nleast = "server.media.servers"\n'
    file = SCENARIOS / "one-station.toml"
    settings = ["run.requests=8000", "run.replications=4", 'workload.booking.target.p99="25 ms"']
    found = parse(file.read_text("utf-8") + table, overrides=settings)
    fuller = replace(told, beside=beside(found, ["choose"], seed=3))
    page = report_page([fuller], ["one-station.toml"], ["choose"])
    text = " ".join(Page(page).text.split())
    choice = fuller.beside.choice
    assert choice is not None
    assert choice.chosen is not None
    # 3,200/s of 1 ms each saturate three servers
    assert choice.chosen.candidate.settings[0].value == 4
    assert "Chosen: servers 4" in text
    assert "2 designs would take less: 2 overloaded" in text
    assert "s0-choice-wide" in page
    assert "--with choose" in text
