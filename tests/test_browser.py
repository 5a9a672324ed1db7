"""Reports and lessons in a real browser: nothing overflows or complains, and it prints. Skipped where there is none."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from opened import chromium
from tailrace.lessons import LESSONS
from tailrace.lessons.give import give
from tailrace.lessons.trials import Trials
from tailrace.report.page.page import report_page
from tailrace.scenario.reading.read import load
from tailrace.study.account import account
from through import ENGINE

pytestmark = pytest.mark.whole

SCENARIOS = Path(__file__).parent.parent / "shared" / "scenarios"
SHORT = ["run.requests=2000", "run.replications=4"]
LONG_NAME = "A_name_that_nobody_would_give_to_a_class_of_requests_but_may_be"


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """A report of one scenario with a long name in it, and one of two designs."""
    directory = tmp_path_factory.mktemp("pages")
    told = []
    for name in ("one-station", "booking-flash"):
        file = SCENARIOS / f"{name}.toml"
        settings = [*SHORT, f'workload.booking.name="{LONG_NAME}"'] if name == "one-station" else SHORT
        told.append(account(name, load(file, settings), file.read_text(), engine=ENGINE, curve_requests=1000))
    for name, some in (("one", told[:1]), ("two", told)):
        (directory / f"{name}.html").write_text(report_page(some, [f"{name}.toml"]), encoding="utf-8")
    return sorted(directory.glob("*.html"))


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as launched:
        yield launched


def test_no_report_overflows_or_complains_on_a_telephone_a_tablet_or_a_screen(browser, pages) -> None:
    for page in pages:
        assert_calm_at_every_width(browser, page)


def test_texts_of_pictures_are_legible_at_the_size_at_which_they_are_shown(browser, pages) -> None:
    assert_legible(browser, pages[0])


def test_a_dark_screen_gets_dark_pictures_and_print_stays_light(browser, pages) -> None:
    ground = "getComputedStyle(document.documentElement).backgroundColor"
    ink = "getComputedStyle(document.querySelector('.picture.wide svg text')).fill"
    tab = browser.new_page(color_scheme="dark")
    tab.goto(pages[0].as_uri())
    dark = tab.evaluate(f"[{ground}, {ink}]")
    assert dark == ["rgb(20, 25, 31)", "rgb(230, 235, 240)"]
    tab.emulate_media(media="print", color_scheme="dark")
    assert tab.evaluate(f"[{ground}, {ink}]") == ["rgb(255, 255, 255)", "rgb(27, 37, 48)"]
    tab.close()


def test_every_report_prints_with_its_pictures_and_numbers(browser, pages) -> None:
    for page in pages:
        assert_prints(browser, page, least_pages=3)


@pytest.mark.parametrize("name", LESSONS)
def test_every_lesson_fits_every_width_is_legible_and_prints(browser, name: str, tmp_path: Path) -> None:
    pytest.importorskip("numba")
    page = tmp_path / f"{name}.html"
    found = give(name, Trials(engine="compiled", replications=2, share=0.02))[page.name]
    assert isinstance(found, str)
    page.write_text(found, encoding="utf-8")
    assert_calm_at_every_width(browser, page)
    assert_legible(browser, page)
    assert_prints(browser, page, least_pages=2)


def assert_calm_at_every_width(browser: Any, page: Path) -> None:
    """Nothing is wider than the screen, nothing is said on the console, and nothing but the page is asked for."""
    tab = browser.new_page()
    said: list[str] = []
    tab.on("console", lambda message: said.append(message.text))
    tab.on("pageerror", lambda error: said.append(str(error)))
    tab.on("request", lambda asked: said.append(asked.url))
    tab.goto(page.as_uri())
    # Tables and code may scroll in their own boxes; they must when all is unfolded, too.
    tab.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
    for scheme in ("light", "dark"):
        tab.emulate_media(color_scheme=scheme)
        for width in (360, 800, 1400):
            tab.set_viewport_size({"width": width, "height": 900})
            assert tab.evaluate("document.documentElement.scrollWidth") <= width, (page.name, width)
    assert [each for each in said if not each.startswith(("file:", "data:"))] == []
    tab.close()


def assert_legible(browser: Any, page: Path) -> None:
    """No text of a picture is smaller than 9.5 pixels."""
    measured = """() => [...document.querySelectorAll('.picture svg text')]
        .filter(each => each.getClientRects().length && each.textContent.trim())
        .map(each => parseFloat(getComputedStyle(each).fontSize) * each.getScreenCTM().a
             / Math.cos(Math.atan2(each.getScreenCTM().b, each.getScreenCTM().a)))
        .filter(size => size > 0.1)"""
    tab = browser.new_page()
    tab.goto(page.as_uri())
    for width in (360, 699, 700, 800, 1400):
        tab.set_viewport_size({"width": width, "height": 900})
        sizes = tab.evaluate(measured)
        assert len(sizes) > 20
        assert min(sizes) >= 9.5, width
    tab.close()


def assert_prints(browser: Any, page: Path, least_pages: int) -> None:
    """The page prints to PDF, and on paper nothing is cut off and all numbers are unfolded."""
    tab = browser.new_page()
    tab.goto(page.as_uri())
    printed = tab.pdf(format="A4", print_background=True)
    assert printed.startswith(b"%PDF")
    assert printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page ") >= least_pages
    tab.emulate_media(media="print")
    tab.set_viewport_size({"width": 680, "height": 900})  # A4 within its margins
    assert tab.evaluate("document.documentElement.scrollWidth") <= 680
    tables = "[...document.querySelectorAll('details table')]"
    assert tab.evaluate(f"{tables}.every(each => each.getBoundingClientRect().height > 0)")
    tab.close()
