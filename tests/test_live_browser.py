"""The live page in a real browser, as the educator opens it: one server and one browser for all."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

from opened import chromium

pytest.importorskip("starlette", reason="no extra `live`; to get it: pip install -e '.[live]'")
pytest.importorskip("numba")

pytestmark = pytest.mark.whole

ROOT = Path(__file__).parent.parent
FILE = "shared/scenarios/booking-spinning.toml"
SIZE = "workload.booking.request_size"
COMMAND = "import sys; from tailrace.cli import main; sys.argv[0] = 'tailrace'; main()"
SHORT = ["--set", "run.requests=2000", "--set", "run.replications=4"]
LOOKS = 3
SHORT_RUNS = 0.2
"""By what share the p99 of one step may differ from that of another: which one is shown when it is read is chance."""
PATIENCE_MS = 120_000
"""How long the slowest machine may take; nothing is claimed of it."""


@pytest.fixture(scope="module")
def server() -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The server as a process of its own, and its address."""
    command = [sys.executable, "-c", COMMAND, "live", FILE, *SHORT]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    assert process.stdout is not None
    lines = []
    while not (found := re.search(r"Open (http://127\.0\.0\.1:\d+/[\w-]{20,}/)", lines[-1] if lines else "")):
        lines.append(process.stdout.readline())
        assert lines[-1], lines
    yield process, found[1]
    if process.poll() is None:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=60)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as launched:
        yield launched


@pytest.fixture
def tab(browser: Any) -> Iterator[Any]:
    opened = browser.new_page(viewport={"width": 1400, "height": 900})
    opened.set_default_timeout(PATIENCE_MS)
    said: list[str] = []
    opened.on("console", lambda message: said.append(message.text))
    opened.on("pageerror", lambda error: said.append(str(error)))
    yield opened
    opened.close()
    # A browser reports that a connection was cut; that is what the test of it does.
    assert [each for each in said if "ERR_" not in each] == []


def answered(tab: Any, number: int, step: int = 1) -> None:
    """Wait until the question of that number has an answer of that step, or a finer one."""
    steps = ",".join(
        f"#answer[data-number='{number}'][data-step='{each}']" for each in range(step, LOOKS + 1)
    )
    tab.locator(steps).wait_for()


def last(tab: Any, step: int = LOOKS) -> None:
    """Wait until what was asked last, be it asked while this waits, has an answer of that step."""
    tab.wait_for_function(
        f"() => Number(main.dataset.number) === asked && Number(main.dataset.step) >= {step}"
    )


def enough(tab: Any) -> None:
    """Wait for a simulated answer with its pictures, and let the server rest: what follows is more of the same."""
    last(tab, 1)
    tab.locator("#latency svg text").nth(5).wait_for()
    tab.evaluate("stream.close()")


def figure(tab: Any, label: str, part: str = "figure") -> str:
    card = tab.locator(".card", has=tab.locator(f"dt:text-is('{label}')"))
    return str(card.first.locator(f".{part}").inner_text())


def value(text: str) -> float:
    found = re.search(r"[\d,.]+", text)
    assert found is not None
    return float(found[0].replace(",", ""))


def slider(tab: Any, key: str) -> Any:
    return tab.locator(f".control[data-key='{key}'] input[type=range]")


def settings(tab: Any) -> list[str]:
    return parse_qs(urlsplit(tab.url).query).get("set", [])


def test_the_educator_drags_the_block_size_keeps_an_answer_and_reads_the_ratio(server, tab) -> None:
    tab.goto(server[1])
    answered(tab, 1)
    # By the keyboard alone.
    field = tab.locator(f"input[type=text][data-key='{SIZE}']")
    field.focus()
    tab.keyboard.press("Control+A")
    tab.keyboard.type("1 MiB")
    tab.keyboard.press("Enter")
    tab.locator(f"#settings:has-text('{SIZE}=1 MiB')").wait_for()
    last(tab, 1)
    assert settings(tab) == [f"{SIZE}=1 MiB"]
    assert "overloaded" in tab.locator("#verdict").inner_text()
    large_rate, large_flow = (value(figure(tab, label)) for label in ("can carry", "that is"))
    field.fill("8 KiB")
    field.press("Enter")
    slider(tab, SIZE).focus()
    tab.keyboard.press("ArrowLeft")
    tab.locator(f"#settings:has-text('{SIZE}=4 KiB')").wait_for()
    last(tab, 1)
    # 256 times smaller blocks: the throughput collapses, the requests a second do not.
    assert value(figure(tab, "that is")) < large_flow / 10
    assert value(figure(tab, "can carry")) > large_rate
    assert value(figure(tab, "requests a second")) == pytest.approx(2000, rel=0.05)
    tab.locator("#latency svg text").nth(5).wait_for()
    p99 = figure(tab, "p99 latency")

    tab.locator("#keep").focus()
    tab.keyboard.press("Enter")
    last(tab, 1)
    tab.locator("select[data-key='server.media.part']").select_option("flash-two-lanes")
    last(tab, 1)
    assert value(figure(tab, "p99 latency", "before")) == pytest.approx(value(p99), rel=SHORT_RUNS)
    ratio = figure(tab, "p99 latency", "ratio")
    assert "÷" in ratio
    less = value(p99) * 1e3 / value(figure(tab, "p99 latency"))  # ms over us
    assert value(ratio.rpartition("÷")[2]) == pytest.approx(less, rel=SHORT_RUNS)
    size = tab.evaluate("getComputedStyle(document.querySelector('.ratio')).fontSize")
    assert float(size.removesuffix("px")) > 30  # from the last row
    assert "server.media.channels" in tab.locator("#controls").inner_html()
    # Back undoes one change after the other.
    tab.go_back()
    tab.locator("#settings:not(:has-text('flash'))").wait_for()
    last(tab, 1)
    assert tab.locator("select[data-key='server.media.part']").input_value() == ""
    tab.locator("#drop").wait_for(state="visible")
    tab.go_back()
    tab.locator("#drop").wait_for(state="hidden")
    last(tab, 1)
    assert value(figure(tab, "p99 latency")) == pytest.approx(value(p99), rel=SHORT_RUNS)


def test_a_link_restores_the_page_in_another_tab_and_after_a_reload(server, tab, browser) -> None:
    link = f"{server[1]}?start=pooling&set=server.media.servers%3D2&kept=yes&keep=load%3D0.5"

    def state(page: Any) -> list[Any]:
        fields = "fields().map((each) => [each.dataset.key, each.value])"
        return [page.evaluate(fields), page.locator("#settings").inner_text(), page.locator(".ratio").count()]

    tab.goto(link)
    enough(tab)
    told, p99 = state(tab), figure(tab, "p99 latency")
    assert ["server.media.servers", "2"] in told[0]
    assert told[2] > 3
    tab.reload()
    enough(tab)
    assert state(tab) == told
    assert value(figure(tab, "p99 latency")) == pytest.approx(value(p99), rel=SHORT_RUNS)
    other = browser.new_page()
    other.set_default_timeout(PATIENCE_MS)
    other.goto(link)
    slider(other, "server.media.count").focus()
    other.keyboard.press("ArrowRight")
    other.locator("#settings:has-text('server.media.count=10')").wait_for()
    enough(other)
    assert settings(other) == ["server.media.servers=2", "server.media.count=10"]
    assert state(tab) == told
    other.close()


def test_what_cannot_be_is_said_and_the_answer_from_before_stays(server, tab) -> None:
    tab.goto(f"{server[1]}?start=pooling")
    enough(tab)
    told = figure(tab, "p99 latency")
    field = tab.locator("input[type=text][data-key='server.media.count']")
    field.fill("-3")
    field.press("Enter")
    tab.locator("#problem .problem").wait_for()
    assert "server.media.count" in tab.locator("#problem").inner_text()
    assert figure(tab, "p99 latency") == told
    tab.locator("#others > summary").click()
    tab.locator("#find").fill("stripe unit")
    tab.locator("#others .control[data-key='server.layout.stripe_unit']").wait_for(state="visible")
    assert tab.locator("#others .control:visible").count() < 5


def test_nothing_overflows_on_any_screen_in_the_dark_in_large_type_and_in_print(server, tab) -> None:
    tab.goto(f"{server[1]}?start=sharing&kept=yes&keep=workload.manifests.rate%3D300+/s")
    enough(tab)
    tab.evaluate("document.querySelectorAll('details:not(.menu, .what)').forEach(each => each.open = true)")
    for large in (False, True):
        if large:
            tab.locator("#large").click()
            assert "large=yes" in tab.url
        for scheme, ground in (("light", "rgb(255, 255, 255)"), ("dark", "rgb(20, 25, 31)")):
            tab.emulate_media(color_scheme=scheme)
            for width in (390, 800, 1400):
                tab.set_viewport_size({"width": width, "height": 900})
                assert tab.evaluate("document.documentElement.scrollWidth") <= width, (width, large)
            assert tab.evaluate("getComputedStyle(document.documentElement).backgroundColor") == ground
    tab.emulate_media(media="print")
    tab.set_viewport_size({"width": 680, "height": 900})
    assert tab.evaluate("document.documentElement.scrollWidth") <= 680
    assert not tab.locator("#controls").is_visible()
    assert tab.locator("#settings").is_visible()  # paper says what was set
    assert tab.pdf(format="A4").startswith(b"%PDF")


def test_everything_that_can_be_turned_has_a_name_and_a_place_in_the_order_of_keys(server, tab) -> None:
    tab.goto(server[1])
    answered(tab, 1)
    nameless = """() => [...document.querySelectorAll('#controls input, #controls select')]
        .filter(each => !each.labels?.length && !each.getAttribute('aria-label')).length"""
    assert tab.evaluate(nameless) == 0
    assert tab.evaluate("[...document.querySelectorAll('[tabindex]')].every(each => each.tabIndex <= 0)")
    assert tab.locator("#latency [role=img]").get_attribute("aria-label")
    assert slider(tab, SIZE).get_attribute("aria-valuetext") == "8 KiB"


@pytest.mark.parametrize("name", ["small-blocks", "pooling"])
def test_a_lesson_opens_with_its_question_and_two_controls(server, tab, name: str) -> None:
    tab.goto(f"{server[1]}?start={name}")
    answered(tab, 1)
    assert "?" in tab.locator(".question").inner_text()
    assert tab.locator(".front .control").count() == 2


def test_a_cut_connection_and_a_server_that_was_stopped_leave_what_was_found(server, tab) -> None:
    process, address = server
    tab.goto(f"{address}?start=tail")
    enough(tab)
    told = tab.locator("#verdict").inner_text()
    tab.context.set_offline(True)
    slider(tab, "load").focus()
    tab.keyboard.press("ArrowLeft")
    tab.locator("#progress:has-text('does not answer')").wait_for()
    assert tab.locator("#verdict").inner_text() == told
    tab.context.set_offline(False)
    enough(tab)  # it asks again by itself
    told = tab.locator("#verdict").inner_text()
    process.send_signal(signal.SIGINT)
    output, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    assert "Stopped." in output
    assert "Traceback" not in output
    tab.keyboard.press("ArrowLeft")
    tab.locator("#progress:has-text('does not answer')").wait_for()
    assert tab.locator("#verdict").inner_text() == told
    assert "load=0.8" in settings(tab)
